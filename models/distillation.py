"""The losses by which a narrow network learns the answers of a wide one (Hinton, Vinyals and Dean
2015, Distilling the Knowledge in a Neural Network).

Answers are compared as probabilities of logits divided by a temperature T, which brings out how the
teacher ranks what it does not answer. That makes gradients smaller by T squared, so that each loss
is multiplied by it. Every loss is 0 where the answers are those of the teacher.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor

from crownlet.models.assessor import NO_LETTER_CLASS, AssessorOutput
from crownlet.models.locator import LocatorOutput
from crownlet.models.losses import AssessorTargets, LocatorTargets


def class_divergence(logits: Tensor, teacher: Tensor, temperature: float) -> Tensor:
    """(N,) Kullback-Leibler divergence from the teacher's classes, T squared times; logits (N, C)
    of both."""
    ours, theirs = (F.log_softmax(each.float() / temperature, dim=1) for each in (logits, teacher))
    each = F.kl_div(ours, theirs, reduction="none", log_target=True)
    return temperature**2 * each.sum(dim=1)


def binary_divergence(logits: Tensor, teacher: Tensor, temperature: float) -> Tensor:
    """The same for each of any number of independent questions; logits of one shape."""
    ours, theirs = logits.float() / temperature, teacher.float() / temperature
    p = torch.sigmoid(theirs)
    cross, own = (
        F.binary_cross_entropy_with_logits(each, p, reduction="none") for each in (ours, theirs)
    )
    return temperature**2 * (cross - own)


def assessor_distillation_loss(
    out: AssessorOutput,
    teacher: AssessorOutput,
    targets: AssessorTargets,
    applies: Tensor,
    temperature: float = 2.0,
    hidden: float = 1.0,
    masks: float = 2.0,
    weights: Tensor | None = None,
) -> dict[str, Tensor]:
    """The parts of the loss against a teacher that saw the same crops, already weighted.

    Whether a crop is labelled does not matter: of each letter the teacher answers every defect that
    the letter can have (`applies`: (28, D) bool, by class), its tags and its part masks. Of crops
    that show no letter only the class and the hidden numbers count. `weights` (D,) are those of the
    defects; 1 each if None.

    The hidden numbers are learned by regression (after Romero et al. 2015, FitNets: Hints for Thin
    Deep Nets), with the teacher's mean square as its unit, because letters of a hand are compared
    by them: both networks have as many of them, unless `hidden`, the weight of this part, is 0.
    """
    seen = targets.letter < NO_LETTER_CLASS
    letters = seen.sum().clamp(min=1)
    asked = (applies[targets.letter] | applies[targets.other]) & seen[:, None]
    defects = binary_divergence(out.defects, teacher.defects, temperature)
    defects = defects if weights is None else defects * weights
    tags = class_divergence(out.tags, teacher.tags, temperature)
    parts = binary_divergence(out.parts, teacher.parts, temperature).mean(dim=(1, 2, 3))
    losses = {
        "teacher_letter": class_divergence(out.letter, teacher.letter, temperature).mean(),
        "teacher_defects": (defects * asked).sum() / letters,
        "teacher_tags": (tags * seen).sum() / letters,
        "teacher_parts": masks * (parts * seen).sum() / letters,
    }
    if hidden > 0:
        wanted = teacher.hidden.float()
        unit = wanted.square().mean().clamp(min=1e-6)
        losses["teacher_hidden"] = hidden * F.mse_loss(out.hidden.float(), wanted) / unit
    return losses


def locator_distillation_loss(
    out: LocatorOutput, teacher: LocatorOutput, targets: LocatorTargets, temperature: float = 2.0
) -> dict[str, Tensor]:
    """The parts of the loss against a teacher that saw the same tiles, weighted as those of
    `locator_loss`.

    Centres are compared in every cell but those of cut letters, the rest where a letter stands.
    """
    b, row, column = targets.cells.unbind(1)
    letters = max(1, len(targets.cells))

    def at(maps: Tensor) -> Tensor:
        return maps[b, :, row, column].float()

    def apart(ours: Tensor, theirs: Tensor) -> Tensor:
        away = F.smooth_l1_loss(at(ours), at(theirs), beta=0.1, reduction="none")
        return away.mean(dim=1).sum() / letters

    def differ(ours: Tensor, theirs: Tensor) -> Tensor:
        return class_divergence(at(ours), at(theirs), temperature).sum() / letters

    centre = binary_divergence(out.centre[:, 0], teacher.centre[:, 0], temperature)
    return {
        "teacher_centre": (centre * targets.keep).sum() / letters,
        "teacher_letter": differ(out.letter, teacher.letter),
        "teacher_turn": 0.3 * differ(out.turn, teacher.turn),
        "teacher_shape": 2.0 * apart(out.shape, teacher.shape),
        "teacher_scale": apart(out.scale, teacher.scale),
    }
