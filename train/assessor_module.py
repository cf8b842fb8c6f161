"""Training of the assessor."""

from __future__ import annotations

from typing import Any

import torch
from torch import Tensor

from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import NO_LETTER, TAGS_UNKNOWN, Assessor
from crownlet.models.losses import AssessorTargets, assessor_loss
from crownlet.train.augment import light
from crownlet.train.base_module import BudgetedModule
from crownlet.train.reservoir import Batch
from crownlet.train.suites.defect_scores import DefectCases, score_defect


def network_input(batch: Batch, strength: float = 0.0) -> Tensor:
    """(N, 2, 128, 96) float in 0..1 from `images` (N, 128, 96) and `boxes` (N, 4), both uint8."""
    images = light(batch["images"][:, None].float() / 255, strength)
    rows = torch.arange(images.shape[2], device=images.device)[None, :, None]
    columns = torch.arange(images.shape[3], device=images.device)[None, None, :]
    x0, y0, x1, y1 = (edge[:, None, None] for edge in batch["boxes"].long().unbind(1))
    plane = (rows >= y0) & (rows < y1) & (columns >= x0) & (columns < x1)
    both = torch.cat([images, plane[:, None].to(images.dtype)], dim=1)
    return both.to(memory_format=torch.channels_last)


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


class AssessorModule(BudgetedModule):
    """Batches hold the rows of `train.crop_examples.Crops`."""

    def __init__(
        self, network: Assessor, strength: float = 1.0, masks: float = 2.0, **budget: Any
    ) -> None:
        super().__init__(**budget)
        self.network = network.to(memory_format=torch.channels_last)
        self.strength = strength
        self.masks = masks
        self._seen: list[tuple[list[Tensor], list[Tensor]]] = []

    def training_step(self, batch: Batch, batch_idx: int) -> Tensor:
        """Loss of one batch."""
        out = self.network(network_input(batch, self.strength))
        return self.total(assessor_loss(out, targets_of(batch), self.masks), "train")

    def validation_step(self, batch: Batch, batch_idx: int) -> None:
        """Losses; what is needed for the letter error and each defect's AUROC is kept."""
        out, targets = self.network(network_input(batch)), targets_of(batch)
        self.total(assessor_loss(out, targets, self.masks), "val")
        answers = (out.letter, out.defects, out.tags)
        truth = (targets.letter, targets.defects, targets.tags, targets.share)
        self._seen.append(([x.float().cpu() for x in answers], [x.cpu() for x in truth]))

    def on_validation_epoch_end(self) -> None:
        """Log letter error, tag-count error and the AUROC of every learned defect."""
        letter, defects, tags = (torch.cat([o[k] for o, _ in self._seen]) for k in range(3))
        true, wanted, count, share = (torch.cat([t[k] for _, t in self._seen]) for k in range(4))
        self._seen.clear()
        seen = true < NO_LETTER
        wrong_letter = (letter.argmax(1) != true)[share == 0].float().mean()
        self.log("val/letter_error", wrong_letter, prog_bar=True)
        wrong = (tags.argmax(1) != count)[seen & (count != TAGS_UNKNOWN)].float().mean()
        self.log("val/tag_error", wrong, prog_bar=True)
        for k, name in enumerate(LEARNED_DEFECTS):
            asked = seen & ~torch.isnan(wanted[:, k])
            # Soft targets fall back into absent, doubtful and plain, as the suites score them.
            plainness = wanted[asked, k].double().mul(2).round().div(2)
            cases = DefectCases(defects[asked, k].sigmoid().double().numpy(), plainness.numpy())
            value = score_defect(cases).auroc
            if value is not None:
                self.log(f"val/auroc_{name}", value)
