"""Training of the locator."""

from __future__ import annotations

from typing import Any

import torch
from torch import Tensor

from crownlet.models.locator import Locator
from crownlet.models.losses import locator_loss
from crownlet.train.augment import light
from crownlet.train.base_module import STAGES, BudgetedModule
from crownlet.train.reservoir import Batch
from crownlet.train.targets import locator_targets


class LocatorModule(BudgetedModule):
    """Batches hold `image` (B, 384, 384) uint8, `letters` (B, n, 11) and `ignore` (B, m, 4)."""

    def __init__(self, network: Locator, strength: float = 1.0, **budget: Any) -> None:
        super().__init__(**budget)
        self.network = network.to(memory_format=torch.channels_last)
        self.strength = strength

    def _losses(self, batch: Batch, strength: float) -> dict[str, Tensor]:
        image = batch["image"][:, None].float() / 255
        image = light(image, strength).to(memory_format=torch.channels_last)
        targets = locator_targets(batch["letters"], batch["ignore"], image.shape[-1])
        return locator_loss(self.network(image), targets)

    def training_step(self, batch: Batch, batch_idx: int) -> Tensor:
        """Loss of one batch."""
        return self.total(self._losses(batch, self.strength), "train")

    def validation_step(self, batch: Batch, batch_idx: int, dataloader_idx: int = 0) -> None:
        """Losses, and the share of anchors whose class is right."""
        image = batch["image"][:, None].float() / 255
        targets = locator_targets(batch["letters"], batch["ignore"], image.shape[-1])
        out = self.network(image)
        self.total(locator_loss(out, targets), STAGES[dataloader_idx])
        b, row, column = targets.cells.unbind(1)
        wrong = (out.letter[b, :, row, column].argmax(1) != targets.letter).float().mean()
        missed = (torch.sigmoid(out.centre[b, 0, row, column]) < 0.3).float().mean()
        self.note({"letter_error": wrong, "missed": missed}, STAGES[dataloader_idx])
