"""The assessor: one crop per letter; what letter it is, what is wrong with it, and where."""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor, nn

from crownlet.models.blocks import UpsampleAndAdd, downsampling_stage

CLASSES = 28
"""27 letters and "no letter"."""

NO_LETTER_CLASS = 27

TAG_COUNT_CLASSES = 5
"""0, 1, 2, 3, and 4 or more."""

TAGS_UNKNOWN = 255
"""Target of a crop whose tags are not counted."""

PART_CHANNELS = ("ink", "tag", "head", "leg", "roof", "joint")
"""Channels of the part masks."""


class AssessorOutput(NamedTuple):
    """Logits for a batch of N crops."""

    letter: Tensor
    """(N, 28)."""
    defects: Tensor
    """(N, D), one independent logit per learned defect, in the order of the catalogue."""
    tags: Tensor
    """(N, 5)."""
    parts: Tensor
    """(N, 6, 32, 24), masks at a quarter of the crop's resolution."""
    hidden: Tensor
    """(N, hidden), features that letter, defects and tags are linear in; at least 0."""


class Assessor(nn.Module):
    """Residual network on (N, 2, 128, 96) crops, with a small decoder for the part masks."""

    def __init__(
        self,
        defects: int,
        widths: tuple[int, int, int, int] = (24, 48, 64, 128),
        hidden: int = 384,
    ) -> None:
        super().__init__()
        first, second, third, fourth = widths
        self.stem = downsampling_stage(2, first, blocks=1)
        self.fine = downsampling_stage(first, second, blocks=2)
        self.middle = downsampling_stage(second, third, blocks=2)
        self.coarse = downsampling_stage(third, fourth, blocks=2)
        self.hidden = nn.Sequential(nn.Dropout(0.1), nn.Linear(2 * fourth, hidden), nn.ReLU())
        self.letter = nn.Linear(hidden, CLASSES)
        self.defects = nn.Linear(hidden, defects)
        self.tags = nn.Linear(hidden, TAG_COUNT_CLASSES)
        self.rise_middle = UpsampleAndAdd(fourth, third, second)
        self.rise_fine = UpsampleAndAdd(second, second, second)
        self.parts = nn.Conv2d(second, len(PART_CHANNELS), 1)
        nn.init.constant_(self.defects.bias, -3.0)

    def forward(self, crops: Tensor) -> AssessorOutput:
        """`crops`: (N, 2, 128, 96) float, grey and box planes in 0..1."""
        fine = self.fine(self.stem(crops - 0.5))
        middle = self.middle(fine)
        coarse = self.coarse(middle)
        # Mean for the letter as a whole, maximum for a fault that sits in one spot.
        pooled = torch.cat([coarse.mean(dim=(2, 3)), coarse.amax(dim=(2, 3))], dim=1)
        hidden = self.hidden(pooled)
        masks = self.parts(self.rise_fine(self.rise_middle(coarse, middle), fine))
        return AssessorOutput(
            self.letter(hidden), self.defects(hidden), self.tags(hidden), masks, hidden
        )


class AssessorExport(nn.Module):
    """The assessor as it is shipped: bytes in, calibrated probabilities out.

    `gain` and `offset` (D,) are the calibration of the defect logits (Platt 1999) and
    `temperatures` (2,) that of letters and tags (Guo et al. 2017), fitted on hands of their own.
    """

    gain: Tensor
    offset: Tensor
    temperatures: Tensor

    def __init__(
        self, assessor: Assessor, gain: Tensor, offset: Tensor, temperatures: Tensor
    ) -> None:
        super().__init__()
        self.assessor = assessor
        self.register_buffer("gain", gain)
        self.register_buffer("offset", offset)
        self.register_buffer("temperatures", temperatures)

    def forward(self, crops: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        """`crops`: (N, 2, 128, 96) uint8; letter (N, 28), defects (N, D), tags (N, 5), parts,
        and the hidden numbers of `AssessorOutput`."""
        out = self.assessor(crops.to(torch.float32) / 255.0)
        return (
            torch.softmax(out.letter / self.temperatures[0], dim=1),
            torch.sigmoid(out.defects * self.gain + self.offset),
            torch.softmax(out.tags / self.temperatures[1], dim=1),
            torch.sigmoid(out.parts),
            out.hidden,
        )
