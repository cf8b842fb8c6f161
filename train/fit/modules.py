"""What both Lightning modules share: optimiser, budgeted learning rate, and a resumable clock."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from typing import Any, cast

import pytorch_lightning as pl
import torch
from pytorch_lightning.utilities.types import OptimizerLRSchedulerConfig
from torch import Tensor, nn

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor, AssessorOutput
from crownlet.models.locator import Locator, LocatorOutput
from crownlet.models.losses import AssessorTargets, LocatorTargets, assessor_loss, locator_loss
from crownlet.train.fit.augment import NO_CHANGES, Strengths, box_planes, change_crops
from crownlet.train.fit.augment_tiles import change_tiles
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.photometry import vary_light
from crownlet.train.fit.reservoir import Batch
from crownlet.train.fit.scores import AssessorScores, LocatorScores, Scores
from crownlet.train.fit.tiles import locator_targets

STAGES = ("val", "val_scans")
"""Names under which the watched renders and the watched scans are logged."""


class Budget:
    """A run's allowance in steps and seconds. Time spent before a resume counts.

    With steps the learning rate follows them alone, so that a seed reproduces a run on any machine;
    seconds then only end it. Without, it follows the seconds.
    """

    def __init__(self, steps: int, seconds: float) -> None:
        self.steps = steps
        self.seconds = seconds
        self.spent = 0.0
        self._since: float | None = None

    def start(self) -> None:
        """Begin, or go on after a resume."""
        self._since = time.monotonic()

    def elapsed(self) -> float:
        """Seconds trained so far, earlier parts of the run included."""
        return self.spent + (time.monotonic() - self._since if self._since is not None else 0.0)

    def end_by(self, until: float) -> None:
        """Grant no more seconds than are left until `until` (`time.time`), and any steps; 0 leaves
        all as it is."""
        if until > 0:
            self.steps = 0
            left = self.elapsed() + max(1.0, until - time.time())
            self.seconds = min(self.seconds, left) if self.seconds > 0 else left

    def progress(self, step: int) -> float:
        """Share of the way that the learning rate has gone, 0 to 1."""
        if self.steps > 0:
            return min(1.0, step / self.steps)
        return min(1.0, self.elapsed() / self.seconds) if self.seconds > 0 else 0.0

    def used_up(self, step: int) -> bool:
        """Whether the steps or the seconds are spent."""
        by_time = self.seconds > 0 and self.elapsed() >= self.seconds
        return by_time or (self.steps > 0 and step >= self.steps)


def learning_rate_share(progress: float, step: int, warmup: int = 200) -> float:
    """Share of the peak learning rate: linear warm-up in steps, then a cosine down to 1%."""
    ramp = min(1.0, (step + 1) / max(1, warmup))
    return ramp * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * progress)))


class BudgetedModule(pl.LightningModule):
    """AdamW under a cosine that ends when the steps or the minutes are used up."""

    def __init__(
        self, lr: float, weight_decay: float, max_steps: int, max_minutes: float, warmup: int,
        until: float = 0.0,
    ) -> None:  # fmt: skip
        super().__init__()
        self.lr = lr
        self.weight_decay = weight_decay
        self.warmup = warmup
        self.budget = Budget(max_steps, max_minutes * 60)
        self.until = until
        self._random_state: Tensor | None = None
        self.frozen: tuple[nn.Module, ...] = ()
        """Children that neither learn nor renew their statistics."""
        self.scores = nn.ModuleList()
        """One for each of `STAGES`, with `update` and `take`."""
        self._scored: set[int] = set()

    def keep_still(self, frozen: tuple[nn.Module, ...]) -> None:
        """Keep children of the network in eval mode from now on."""
        self.frozen = frozen
        self.train(self.training)

    def train(self, mode: bool = True) -> BudgetedModule:
        """As in torch, except that frozen children stay in eval mode."""
        super().train(mode)
        for child in self.frozen:
            child.eval()
        return self

    def on_train_start(self) -> None:
        """Start the clock; RuntimeError where clocks that differ would end the run."""
        self.budget.end_by(self.until)
        if self.trainer.world_size > 1 and self.budget.seconds > 0:
            raise RuntimeError(
                "processes that train together end by steps: set trainer.max_minutes=0 and"
                " trainer.max_steps"
            )
        self.budget.start()
        if self._random_state is not None:
            torch.set_rng_state(self._random_state)

    def on_train_batch_end(self, outputs: Any, batch: Any, batch_idx: int) -> None:
        """Stop once the allowance is used."""
        if self.budget.used_up(self.global_step):
            self.trainer.should_stop = True

    def on_save_checkpoint(self, checkpoint: dict[str, Any]) -> None:
        """Keep the time spent and the random numbers, so that a resumed run goes on as it would
        have."""
        checkpoint["seconds_spent"] = self.budget.elapsed()
        checkpoint["random_state"] = torch.get_rng_state()

    def on_load_checkpoint(self, checkpoint: dict[str, Any]) -> None:
        """Take the time spent before, and the random numbers as they were."""
        self.budget.spent = float(checkpoint["seconds_spent"])
        self._random_state = checkpoint["random_state"]

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
            optimizer,
            lambda step: learning_rate_share(self.budget.progress(step), step, self.warmup),
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

    def score(self, stage: int, out: Any, targets: Any) -> None:
        """Add a batch of watched pages to their scores."""
        self._scored.add(stage)
        cast(Scores, self.scores[stage]).update(out, targets)

    def on_validation_epoch_end(self) -> None:
        """Log the scores of the watched renders, and of the watched scans where there are any."""
        for stage in sorted(self._scored):
            self.note(cast(Scores, self.scores[stage]).take(), STAGES[stage])
        self._scored.clear()

    def note(self, values: dict[str, Any], stage: str) -> None:
        """Log values under `stage/`; the loss and the letter error are shown as well."""
        for key, value in values.items():
            shown = key in ("loss", "letter_error")
            self.log(f"{stage}/{key}", value, prog_bar=shown, add_dataloader_idx=False)


def network_input(batch: Batch, strength: float = 0.0) -> Tensor:
    """(N, 2, 128, 96) float in 0..1 from `images` (N, 128, 96), uint8 or floats in 0..1, and
    `boxes` (N, 4)."""
    images = batch["images"][:, None]
    images = vary_light(images if images.is_floating_point() else images.float() / 255, strength)
    planes = box_planes(batch["boxes"].float(), (images.shape[2], images.shape[3]))
    both = torch.cat([images, planes[:, None]], dim=1)
    return both.to(memory_format=torch.channels_last)


def tile_input(batch: Batch, strength: float = 0.0) -> tuple[Tensor, LocatorTargets]:
    """(B, 1, H, W) float in 0..1 from `image` (B, H, W), uint8 or floats in 0..1, and the targets
    of `letters` and `ignore`."""
    image = batch["image"][:, None]
    image = vary_light(image if image.is_floating_point() else image.float() / 255, strength)
    targets = locator_targets(batch["letters"], batch["ignore"], image.shape[-1])
    return image.to(memory_format=torch.channels_last), targets


def targets_of(batch: Batch) -> AssessorTargets:
    """Typed targets of a batch of stored rows."""
    return AssessorTargets(
        letter=batch["letter"].long(),
        other=batch["other"].long(),
        share=batch["share"].float(),
        defects=batch["defects"].float(),
        tags=batch["tags"].long(),
        parts=batch["parts"].float() / 255,
    )


def weigh_defects(weights: Mapping[str, float]) -> Tensor:
    """(D,) float, the weight of each learned defect in the loss, 1 where none is given;
    TrainingError for a defect that is not learned, or no such weight."""
    if unknown := sorted(weights.keys() - set(LEARNED_DEFECTS)):
        raise TrainingError(
            f"model.defect_weights: {', '.join(unknown)}: not among {', '.join(LEARNED_DEFECTS)}"
        )
    for name, weight in weights.items():
        if not isinstance(weight, (int, float)) or not 0 <= weight < math.inf:
            raise TrainingError(f"model.defect_weights.{name}={weight}: must be a number from 0 up")
    return torch.tensor([float(weights.get(name, 1.0)) for name in LEARNED_DEFECTS])


class AssessorModule(BudgetedModule):
    """Batches hold the rows of `fit.crops.Crops`."""

    def __init__(
        self, network: Assessor, strength: float = 1.0, masks: float = 2.0,
        changes: Strengths = NO_CHANGES, smoothing: float = 0.05,
        defect_weights: Mapping[str, float] | None = None, **budget: Any,
    ) -> None:  # fmt: skip
        super().__init__(**budget)
        self.network = network.to(memory_format=torch.channels_last)
        self.strength = strength
        self.masks = masks
        self.changes = changes
        self.smoothing = smoothing
        self.defect_weights: Tensor
        self.register_buffer(
            "defect_weights", weigh_defects(defect_weights or {}), persistent=False
        )
        self.scores = nn.ModuleList([AssessorScores() for _ in STAGES])

    def training_step(self, batch: Batch, batch_idx: int) -> Tensor:
        """Loss of one batch."""
        batch = change_crops(batch, self.changes)
        shown, targets = network_input(batch, self.strength), targets_of(batch)
        return self.total(self.losses(shown, self.network(shown), targets), "train")

    def losses(
        self, shown: Tensor, out: AssessorOutput, targets: AssessorTargets
    ) -> dict[str, Tensor]:
        """The parts of the loss of training; `shown` is what the network answered to."""
        return assessor_loss(out, targets, self.masks, self.smoothing, self.defect_weights)

    def validation_step(self, batch: Batch, batch_idx: int, dataloader_idx: int = 0) -> None:
        """Losses, and what the scores need."""
        out, targets = self.network(network_input(batch)), targets_of(batch)
        losses = assessor_loss(out, targets, self.masks, self.smoothing, self.defect_weights)
        self.total(losses, STAGES[dataloader_idx])
        self.score(dataloader_idx, out, targets)


class LocatorModule(BudgetedModule):
    """Batches hold the rows of `reservoir.read_tiles`."""

    def __init__(
        self,
        network: Locator,
        strength: float = 1.0,
        changes: Strengths = NO_CHANGES,
        **budget: Any,
    ) -> None:
        super().__init__(**budget)
        self.network = network.to(memory_format=torch.channels_last)
        self.strength = strength
        self.changes = changes
        self.scores = nn.ModuleList([LocatorScores() for _ in STAGES])

    def training_step(self, batch: Batch, batch_idx: int) -> Tensor:
        """Loss of one batch, of which windows are shown."""
        batch = change_tiles(batch, self.changes)
        shown, targets = tile_input(batch, self.strength)
        return self.total(self.losses(shown, self.network(shown), targets), "train")

    def losses(
        self, shown: Tensor, out: LocatorOutput, targets: LocatorTargets
    ) -> dict[str, Tensor]:
        """The parts of the loss of training; `shown` is what the network answered to."""
        return locator_loss(out, targets)

    def validation_step(self, batch: Batch, batch_idx: int, dataloader_idx: int = 0) -> None:
        """Losses, and what the scores need."""
        shown, targets = tile_input(batch)
        out = self.network(shown)
        self.total(locator_loss(out, targets), STAGES[dataloader_idx])
        self.score(dataloader_idx, out, targets)
