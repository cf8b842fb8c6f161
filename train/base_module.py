"""What both Lightning modules share: optimiser, budgeted learning rate, and a resumable clock."""

from __future__ import annotations

from typing import Any

import pytorch_lightning as pl
import torch
from pytorch_lightning.utilities.types import OptimizerLRSchedulerConfig
from torch import Tensor

from crownlet.train.schedule import Budget, rate


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

    def on_train_start(self) -> None:
        """Start the clock."""
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
        decayed = [p for p in self.parameters() if p.ndim > 1]
        free = [p for p in self.parameters() if p.ndim <= 1]
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
        self.log_dict({f"{stage}/{key}": value.detach() for key, value in losses.items()})
        self.log(f"{stage}/loss", loss.detach(), prog_bar=True)
        return loss
