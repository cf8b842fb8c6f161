"""Training of the assessor."""

from __future__ import annotations

from typing import Any

import torch
from torch import Tensor

from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import NO_LETTER, TAGS_UNKNOWN, Assessor
from crownlet.models.losses import AssessorTargets, assessor_loss
from crownlet.train.augment import light
from crownlet.train.base_module import STAGES, BudgetedModule
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
        self._seen: dict[int, list[tuple[list[Tensor], list[Tensor]]]] = {}

    def training_step(self, batch: Batch, batch_idx: int) -> Tensor:
        """Loss of one batch."""
        out = self.network(network_input(batch, self.strength))
        return self.total(assessor_loss(out, targets_of(batch), self.masks), "train")

    def validation_step(self, batch: Batch, batch_idx: int, dataloader_idx: int = 0) -> None:
        """Losses; what is needed for the letter error and each defect's AUROC is kept."""
        out, targets = self.network(network_input(batch)), targets_of(batch)
        self.total(assessor_loss(out, targets, self.masks), STAGES[dataloader_idx])
        answers = (out.letter, out.defects, out.tags)
        truth = (targets.letter, targets.defects, targets.tags, targets.share)
        kept = ([x.float().cpu() for x in answers], [x.cpu() for x in truth])
        self._seen.setdefault(dataloader_idx, []).append(kept)

    def on_validation_epoch_end(self) -> None:
        """Log letter error, tag-count error and the AUROC of every learned defect."""
        for number, rows in self._seen.items():
            self._score(rows, STAGES[number])
        self._seen.clear()

    def _score(self, rows: list[tuple[list[Tensor], list[Tensor]]], stage: str) -> None:
        letter, defects, tags = (torch.cat([o[k] for o, _ in rows]) for k in range(3))
        true, wanted, count, share = (torch.cat([t[k] for _, t in rows]) for k in range(4))
        seen = true < NO_LETTER
        counted = seen & (count != TAGS_UNKNOWN)
        values = {"letter_error": (letter.argmax(1) != true)[share == 0].float().mean()}
        if counted.any():
            values["tag_error"] = (tags.argmax(1) != count)[counted].float().mean()
        for k, name in enumerate(LEARNED_DEFECTS):
            asked = seen & ~torch.isnan(wanted[:, k])
            # Soft targets fall back into absent, doubtful and plain, as the suites score them.
            plainness = wanted[asked, k].double().mul(2).round().div(2)
            cases = DefectCases(defects[asked, k].sigmoid().double().numpy(), plainness.numpy())
            value = score_defect(cases).auroc
            if value is not None:
                values[f"auroc_{name}"] = torch.tensor(value)
        self.note(values, stage)
