"""What both Lightning modules share: optimiser, budgeted learning rate, and a resumable clock."""

from __future__ import annotations

from typing import Any

import pytorch_lightning as pl
import torch
from pytorch_lightning.utilities.types import OptimizerLRSchedulerConfig
from torch import Tensor, nn

from crownlet.train.schedule import Budget, rate

STAGES = ("val", "val_scans")
"""Names under which the watched renders and the watched scans are logged."""


class BudgetedModule(pl.LightningModule):
    """AdamW under a cosine that ends when the steps or the minutes are used up."""

    def __init__(
        self, lr: float, weight_decay: float, max_steps: int, max_minutes: float, warmup: int
    ) -> None:
        super().__init__()
        self.lr = lr
        self.weight_decay = weight_decay
        self.warmup = warmup
        self.budget = Budget(max_steps, max_minutes * 60)
        self.frozen: tuple[nn.Module, ...] = ()
        """Children that neither learn nor renew their statistics."""

    def keep_still(self, frozen: tuple[nn.Module, ...]) -> None:
        """Keep children of the network in eval mode from now on."""
        self.frozen = frozen
        self.train(self.training)

    def train(self, mode: bool = True) -> BudgetedModule:
        """As usual, but for what is frozen."""
        super().train(mode)
        for child in self.frozen:
            child.eval()
        return self

    def on_train_start(self) -> None:
        """Start the clock; RuntimeError where clocks that differ would end the run."""
        if self.trainer.world_size > 1 and self.budget.seconds > 0:
            raise RuntimeError(
                "processes that train together end by steps: set trainer.max_minutes=0 and"
                " trainer.max_steps"
            )
        self.budget.start()

    def on_train_batch_end(self, outputs: Any, batch: Any, batch_idx: int) -> None:
        """Stop once the allowance is used."""
        if self.budget.progress(self.global_step) >= 1.0:
            self.trainer.should_stop = True

    def on_save_checkpoint(self, checkpoint: dict[str, Any]) -> None:
        """Keep the time spent, so that a resumed run ends where it would have."""
        checkpoint["seconds_spent"] = self.budget.elapsed()

    def on_load_checkpoint(self, checkpoint: dict[str, Any]) -> None:
        """Take the time spent before."""
        self.budget.spent = float(checkpoint.get("seconds_spent", 0.0))

    def configure_optimizers(self) -> OptimizerLRSchedulerConfig:
        """AdamW; no decay on norms and biases, as is common practice."""
        learning = [p for p in self.parameters() if p.requires_grad]
        decayed = [p for p in learning if p.ndim > 1]
        free = [p for p in learning if p.ndim <= 1]
        optimizer = torch.optim.AdamW(
            [{"params": decayed, "weight_decay": self.weight_decay},
             {"params": free, "weight_decay": 0.0}],
            lr=self.lr,
        )  # fmt: skip
        scheduler = torch.optim.lr_scheduler.LambdaLR(
            optimizer, lambda step: rate(self.budget.progress(step), step, self.warmup)
        )
        return {
            "optimizer": optimizer,
            "lr_scheduler": {"scheduler": scheduler, "interval": "step"},
        }

    def total(self, losses: dict[str, Tensor], stage: str) -> Tensor:
        """Log each part of the loss under `stage/` and return their sum."""
        loss = torch.stack(list(losses.values())).sum()
        parts = {key: value.detach() for key, value in losses.items()}
        self.note({**parts, "loss": loss.detach()}, stage)
        return loss

    def note(self, values: dict[str, Any], stage: str) -> None:
        """Log values under `stage/`; the loss and the letter error are shown as well."""
        for key, value in values.items():
            shown = key in ("loss", "letter_error")
            self.log(f"{stage}/{key}", value, prog_bar=shown, add_dataloader_idx=False)
