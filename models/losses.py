"""The losses of both networks, and the targets that they are measured against."""

from __future__ import annotations

from typing import NamedTuple

import torch
import torch.nn.functional as F
from torch import Tensor
from torchvision.ops import generalized_box_iou_loss

from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN, AssessorOutput
from crownlet.models.locator import LocatorOutput


class LocatorTargets(NamedTuple):
    """Dense targets of a batch of tiles; maps of (B, H / 4, W / 4) unless noted otherwise."""

    heat: Tensor
    """1 at each anchor's cell, falling off around it."""
    keep: Tensor
    """0 where a letter is cut by the frame, so that nothing is scored there."""
    cells: Tensor
    """(P, 3) long: batch, row, column of the cells that must describe a letter."""
    letter: Tensor
    """(P,) long."""
    other: Tensor
    """(P,) long, the letter it may be taken for."""
    share: Tensor
    """(P,) in 0..0.5, chance of that."""
    turn: Tensor
    """(P,) long, quarter turns clockwise."""
    shape: Tensor
    """(P, 6) in units of 28 px."""
    scale: Tensor
    """(P,) log(body / 28)."""


def centre_loss(logit: Tensor, heat: Tensor, keep: Tensor) -> Tensor:
    """Focal loss with reduced penalty near anchors (Law and Deng 2018), per letter."""
    p = torch.sigmoid(logit).clamp(1e-5, 1 - 1e-5)
    positive = (heat > 0.999).to(p.dtype) * keep
    gain = positive * (1 - p) ** 2 * p.log()
    rest = (1 - positive) * keep * (1 - heat) ** 4 * p**2 * (1 - p).log()
    return -(gain + rest).sum() / positive.sum().clamp(min=1.0)


def locator_loss(out: LocatorOutput, targets: LocatorTargets) -> dict[str, Tensor]:
    """The parts of the locator's loss, already weighted; their sum is minimised."""
    b, row, column = targets.cells.unbind(1)

    def at(maps: Tensor) -> Tensor:
        return maps[b, :, row, column].float()

    return {
        "centre": centre_loss(out.centre[:, 0].float(), targets.heat, targets.keep),
        "letter": letter_loss(at(out.letter), targets, smoothing=0.05),
        "turn": 0.3 * F.cross_entropy(at(out.turn), targets.turn),
        "shape": 2.0 * F.smooth_l1_loss(at(out.shape), targets.shape, beta=0.1),
        # In px a yud's box may be little off and yet overlap its truth by less than half.
        "box": 0.5 * box_loss(at(out.shape), targets.shape),
        "scale": F.smooth_l1_loss(at(out.scale)[:, 0], targets.scale, beta=0.1),
    }


class AssessorTargets(NamedTuple):
    """Targets of N crops."""

    letter: Tensor
    """(N,) long; 27 is "no letter"."""
    other: Tensor
    """(N,) long, the letter it may be taken for."""
    share: Tensor
    """(N,) in 0..0.5, chance of that."""
    defects: Tensor
    """(N, D) in 0..1, nan where the defect does not apply to the letter; 0.5 is doubtful."""
    tags: Tensor
    """(N,) long in 0..4, or TAGS_UNKNOWN."""
    parts: Tensor
    """(N, 6, 32, 24) in 0..1, cover of each cell; all 0 where the parts are not drawn."""


def box_loss(shape: Tensor, target: Tensor) -> Tensor:
    """1 less the generalised overlap (Rezatofighi et al. 2019) of boxes given as `shape` rows.

    From 0 to 2. A box turned inside out has a negative area, and its loss would fall without end:
    it counts as one of no width or height. (A single distance may be below 0: a yud can end above
    its anchor.)
    """
    if not len(shape):
        return shape.sum()
    found, true = (
        torch.cat([start, torch.maximum(start, rows[:, :2] + rows[:, 4:6])], dim=1)
        for rows, start in ((r, r[:, :2] - r[:, 2:4]) for r in (shape, target))
    )
    loss: Tensor = generalized_box_iou_loss(found, true, reduction="mean")
    return loss


def letter_loss(
    logits: Tensor, targets: LocatorTargets | AssessorTargets, smoothing: float
) -> Tensor:
    """Cross entropy against the letter and, where its form lies between two, the other one."""
    pairs = ((targets.letter, 1 - targets.share), (targets.other, targets.share))
    return sum(
        (
            F.cross_entropy(logits, kind, label_smoothing=smoothing, reduction="none") * weight
            for kind, weight in pairs
        ),
        torch.zeros_like(targets.share),
    ).mean()


def assessor_loss(
    out: AssessorOutput,
    targets: AssessorTargets,
    masks: float = 2.0,
    smoothing: float = 0.05,
    weights: Tensor | None = None,
) -> dict[str, Tensor]:
    """The parts of the assessor's loss, already weighted (`masks` that of the part masks); their
    sum is minimised. `smoothing` is the share of each class that is spread over all of them, for
    without it a letter that lies between two is read with certainty (Szegedy et al. 2016).
    `weights` (D,) are those of the defects; 1 each if None.

    A defect that does not apply to a letter adds no loss; for crops that show no letter only the
    class does.
    """
    seen = targets.letter < NO_LETTER_CLASS
    applies = ~torch.isnan(targets.defects) & seen[:, None]
    target = torch.where(applies, targets.defects, 0.0)
    each = F.binary_cross_entropy_with_logits(
        out.defects.float(), target, weights, reduction="none"
    )
    # Summed over defects: a letter's dozen questions are independent, none should dilute another.
    defects = (each * applies).sum() / seen.sum().clamp(min=1)
    tags = F.cross_entropy(
        out.tags.float(), targets.tags, reduction="none", ignore_index=TAGS_UNKNOWN
    )
    parts = F.binary_cross_entropy_with_logits(out.parts.float(), targets.parts, reduction="none")
    # A letter has ink: where its masks are empty they are not drawn, as on labelled scans.
    drawn = seen & (targets.parts.flatten(1).amax(dim=1) > 0)
    return {
        "letter": letter_loss(out.letter.float(), targets, smoothing),
        "defects": defects,
        "tags": (tags * seen).sum() / seen.sum().clamp(min=1),
        "parts": masks * (parts.mean(dim=(1, 2, 3)) * drawn).sum() / drawn.sum().clamp(min=1),
    }
