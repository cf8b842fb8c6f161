"""A narrow network that learns from labels and from a wide one, its teacher, at once.

The teacher sees the very pictures that the learner sees, with the same changes, and never learns
itself. What is unknown of a label is learned from it all the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.models.assessor import CLASSES, Assessor, AssessorOutput
from crownlet.models.distillation import assessor_distillation_loss, locator_distillation_loss
from crownlet.models.locator import Locator, LocatorOutput
from crownlet.models.losses import AssessorTargets, LocatorTargets
from crownlet.train.fit.architecture import architecture_of_network
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.modules import (
    STAGES,
    AssessorModule,
    LocatorModule,
    network_input,
    targets_of,
    tile_input,
)
from crownlet.train.fit.reservoir import Batch
from crownlet.train.fit.weights import open_assessor, open_locator


@dataclass(frozen=True)
class Teaching:
    """Who teaches, and how much of it counts; TrainingError for what cannot be."""

    weights: str
    """File of the teacher's weights (safetensors)."""
    temperature: float = 2.0
    """Of the answers that are compared; 1 compares them as they are."""
    share: float = 0.7
    """Share of the teacher in the loss, 0 to 1; the labels have the rest."""
    hidden: float = 1.0
    """Weight of the assessor's hidden numbers within the teacher's share; 0 leaves them free."""
    labels_only: tuple[str, ...] = ()
    """Defects that the assessor learns from labels alone, because the teacher knows them badly."""

    def __post_init__(self) -> None:
        if not self.temperature > 0:
            raise TrainingError(f"model.teacher.temperature={self.temperature}: must be above 0")
        if not 0 <= self.share <= 1:
            raise TrainingError(f"model.teacher.share={self.share}: must be between 0 and 1")
        for name in self.labels_only:
            if name not in LEARNED_DEFECTS:
                raise TrainingError(f"model.teacher.labels_only: no learned defect is {name!r}")


class Teacher:
    """A trained network that is asked and never learns.

    It is no part of the module that asks it: optimiser, averages and checkpoints do not hold it.
    """

    def __init__(self, network: Assessor | Locator) -> None:
        self.network = network.eval().requires_grad_(False).to(memory_format=torch.channels_last)

    @torch.no_grad()
    def answer(self, shown: Tensor) -> Any:
        """What the network answers, on the device of the pictures."""
        return self.network.to(shown.device)(shown)


class DistilledAssessorModule(AssessorModule):
    """`AssessorModule` with a teacher; watched pages are scored by their labels as without one, and
    the distance from the teacher is logged beside."""

    def __init__(self, network: Assessor, teacher: Teaching, **rest: Any) -> None:
        super().__init__(network, **rest)
        self.teaching = teacher
        opened = open_assessor(Path(teacher.weights))
        ours, theirs = (architecture_of_network(each).head for each in (network, opened))
        if teacher.hidden and ours != theirs:
            raise TrainingError(
                f"the teacher {teacher.weights} has {theirs} hidden numbers and the learner {ours}:"
                f" set model.hidden={theirs}, or model.teacher.hidden=0"
            )
        self.teacher = Teacher(opened)
        taught = torch.tensor([name not in teacher.labels_only for name in LEARNED_DEFECTS])
        self.applies = applicable_defects() & taught

    def losses(
        self, shown: Tensor, out: AssessorOutput, targets: AssessorTargets
    ) -> dict[str, Tensor]:
        """The parts of the loss of training, by labels and by the teacher."""
        labelled = super().losses(shown, out, targets)
        return blend(labelled, self.teacher_losses(shown, out, targets), self.teaching.share)

    def teacher_losses(
        self, shown: Tensor, out: AssessorOutput, targets: AssessorTargets
    ) -> dict[str, Tensor]:
        """The parts that compare with the teacher, before its share is taken."""
        how = self.teaching
        return assessor_distillation_loss(
            out, self.teacher.answer(shown), targets, self.applies.to(shown.device),
            how.temperature, how.hidden, self.masks, self.defect_weights,
        )  # fmt: skip

    def validation_step(self, batch: Batch, batch_idx: int, dataloader_idx: int = 0) -> None:
        """Losses and scores by labels, and the distance from the teacher."""
        super().validation_step(batch, batch_idx, dataloader_idx)
        shown = network_input(batch)
        away = self.teacher_losses(shown, self.network(shown), targets_of(batch))
        self.note(away, STAGES[dataloader_idx])


class DistilledLocatorModule(LocatorModule):
    """`LocatorModule` with a teacher; watched pages as above."""

    def __init__(self, network: Locator, teacher: Teaching, **rest: Any) -> None:
        super().__init__(network, **rest)
        self.teaching = teacher
        self.teacher = Teacher(open_locator(Path(teacher.weights)))

    def losses(
        self, shown: Tensor, out: LocatorOutput, targets: LocatorTargets
    ) -> dict[str, Tensor]:
        """The parts of the loss of training, by labels and by the teacher."""
        labelled = super().losses(shown, out, targets)
        return blend(labelled, self.teacher_losses(shown, out, targets), self.teaching.share)

    def teacher_losses(
        self, shown: Tensor, out: LocatorOutput, targets: LocatorTargets
    ) -> dict[str, Tensor]:
        """The parts that compare with the teacher, before its share is taken."""
        answers = self.teacher.answer(shown)
        return locator_distillation_loss(out, answers, targets, self.teaching.temperature)

    def validation_step(self, batch: Batch, batch_idx: int, dataloader_idx: int = 0) -> None:
        """Losses and scores by labels, and the distance from the teacher."""
        super().validation_step(batch, batch_idx, dataloader_idx)
        shown, targets = tile_input(batch)
        away = self.teacher_losses(shown, self.network(shown), targets)
        self.note(away, STAGES[dataloader_idx])


def blend(
    labelled: Mapping[str, Tensor], taught: Mapping[str, Tensor], share: float
) -> dict[str, Tensor]:
    """The parts of both losses, those of the teacher by its share and the others by the rest."""
    return {
        **{name: (1 - share) * loss for name, loss in labelled.items()},
        **{name: share * loss for name, loss in taught.items()},
    }


def applicable_defects() -> Tensor:
    """(28, D) bool: which learned defects a letter of each class can have, by the catalogue; "no
    letter" has none."""
    table = torch.zeros(CLASSES, len(LEARNED_DEFECTS), dtype=torch.bool)
    for place, name in enumerate(LEARNED_DEFECTS):
        for row, letter in enumerate(LETTERS):
            table[row, place] = CATALOGUE[name].applies_to(letter)
    return table
