"""Scores of the watched pages, kept by `torchmetrics`: joined over batches and over processes."""

from __future__ import annotations

from typing import Any, Protocol, cast

import torch
from torch import Tensor, nn
from torchmetrics import MeanMetric, SumMetric
from torchmetrics.classification import BinaryAUROC

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN, AssessorOutput
from crownlet.models.locator import LocatorOutput
from crownlet.models.losses import AssessorTargets, LocatorTargets

MISSED_BELOW = 0.3
"""A letter is missed where the probability of a centre, in its own cell, is below this."""


class Scores(Protocol):
    """Scores of one network on the pages of one stage."""

    def update(self, out: Any, targets: Any) -> None:
        """Add a batch."""

    def take(self) -> dict[str, Tensor]:
        """The scores by name, of what has been seen since the last call."""


class DefectAUROC(nn.Module):
    """AUROC of one defect over its plain and its absent cases; doubtful ones are left out."""

    def __init__(self) -> None:
        super().__init__()
        # An exact curve, without bins; values are checked where they are made.
        self.curve = BinaryAUROC(thresholds=None, validate_args=False)
        self.absent, self.plain = SumMetric(), SumMetric()

    def update(self, p: Tensor, target: Tensor) -> None:
        """Add (N,) probabilities and soft targets 0 to 1; nan where nobody has looked."""
        # As the suites score them: up to a quarter absent, from three quarters on plain.
        plainness = target.double().mul(2).round().div(2)
        sure = (plainness == 0) | (plainness == 1)
        true = plainness[sure].long()
        self.curve.update(p[sure], true)
        self.absent.update((true == 0).sum())
        self.plain.update((true == 1).sum())

    def compute(self) -> Tensor | None:
        """The AUROC; None without a case of either kind."""
        cases = self.absent.compute(), self.plain.compute()
        return self.curve.compute() if min(cases) > 0 else None

    def reset(self) -> None:
        """Forget all cases."""
        for metric in (self.curve, self.absent, self.plain):
            metric.reset()


class AssessorScores(nn.Module):
    """Letter error, error of the tag count, and the AUROC of each learned defect."""

    def __init__(self) -> None:
        super().__init__()
        self.letter_error, self.tag_error = MeanMetric(), MeanMetric()
        self.defects = nn.ModuleList([DefectAUROC() for _ in LEARNED_DEFECTS])

    def update(self, out: AssessorOutput, targets: AssessorTargets) -> None:
        """Add a batch. Letters whose class is doubtful count in no letter error."""
        letters = targets.letter < NO_LETTER_CLASS
        counted = letters & (targets.tags != TAGS_UNKNOWN)
        wrong = (out.letter.argmax(1) != targets.letter)[targets.share == 0]
        self.letter_error.update(wrong.float())
        self.tag_error.update((out.tags.argmax(1) != targets.tags)[counted].float())
        p = out.defects.float().sigmoid()
        for k, score in enumerate(self._each()):
            score.update(p[letters, k], targets.defects[letters, k])

    def take(self) -> dict[str, Tensor]:
        """The scores by name, of what has been seen since the last call."""
        values: dict[str, Tensor | None] = {
            "letter_error": self.letter_error.compute(), "tag_error": self.tag_error.compute()
        }  # fmt: skip
        self.letter_error.reset()
        self.tag_error.reset()
        for name, score in zip(LEARNED_DEFECTS, self._each(), strict=True):
            values[f"auroc_{name}"] = score.compute()
            score.reset()
        return {k: v for k, v in values.items() if v is not None and not v.isnan()}

    def _each(self) -> list[DefectAUROC]:
        return [cast(DefectAUROC, score) for score in self.defects]


class LocatorScores(nn.Module):
    """Share of letters whose class is wrong in their cell, and of those not seen there."""

    def __init__(self) -> None:
        super().__init__()
        self.letter_error, self.missed = MeanMetric(), MeanMetric()

    def update(self, out: LocatorOutput, targets: LocatorTargets) -> None:
        """Add a batch."""
        b, row, column = targets.cells.unbind(1)
        wrong = out.letter[b, :, row, column].argmax(1) != targets.letter
        self.letter_error.update(wrong.float())
        self.missed.update((torch.sigmoid(out.centre[b, 0, row, column]) < MISSED_BELOW).float())

    def take(self) -> dict[str, Tensor]:
        """The scores by name, of what has been seen since the last call."""
        found = {"letter_error": self.letter_error.compute(), "missed": self.missed.compute()}
        self.letter_error.reset()
        self.missed.reset()
        return {k: v for k, v in found.items() if not v.isnan()}
