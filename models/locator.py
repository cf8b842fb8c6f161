"""The locator: every letter of a page in one pass, whatever touches, stretches or overlaps."""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor, nn

from crownlet.models.blocks import UpsampleAndAdd, conv_norm_relu, downsampling_stage

STRIDE_PX = 4
"""Page px to one cell of the output."""

BODY_HEIGHT_PX = 28.0
"""Body height in px at which the page is shown; the unit of `shape` and of `scale`."""

LETTER_CLASSES = 27


class LocatorOutput(NamedTuple):
    """Maps of (B, channels, H / 4, W / 4); one cell describes a letter whose anchor lies in it.

    The anchor is the middle of the letter's body: halfway between ruled line and base line, at the
    centre of the ink found there. Letters of a line have their anchors in a row.
    """

    centre: Tensor
    """1 channel, logit of "a letter is anchored here" (a probability once exported)."""
    letter: Tensor
    """27 logits."""
    turn: Tensor
    """4 logits: the letter's clockwise rotation of 0, 90, 180, 270 degrees."""
    shape: Tensor
    """6 channels, unit 28 px: anchor less cell centre (x, y), anchor to box edges l, t, r, b."""
    scale: Tensor
    """1 channel: log(body height in px / 28)."""


class Locator(nn.Module):
    """Fully convolutional, strides 4 to 16 and back to 4; about 60 thousand FLOP per page px."""

    def __init__(
        self, widths: tuple[int, int, int, int] = (24, 48, 112, 160), head: int = 64
    ) -> None:
        super().__init__()
        stem, fine, middle, coarse = widths
        self.stem = conv_norm_relu(1, stem, stride=2)
        self.fine = downsampling_stage(stem, fine, blocks=2)
        self.middle = downsampling_stage(fine, middle, blocks=3)
        self.coarse = downsampling_stage(middle, coarse, blocks=3)
        self.rise_middle = UpsampleAndAdd(coarse, middle, middle)
        self.rise_fine = UpsampleAndAdd(middle, fine, head)
        self.shared = conv_norm_relu(head, head)
        self.centre = nn.Conv2d(head, 1, 1)
        self.letter = nn.Conv2d(head, LETTER_CLASSES, 1)
        self.turn = nn.Conv2d(head, 4, 1)
        self.shape = nn.Conv2d(head, 6, 1)
        self.scale = nn.Conv2d(head, 1, 1)
        # Letters are rare among cells: start from a small prior (Lin et al. 2017, focal loss).
        assert self.centre.bias is not None
        nn.init.constant_(self.centre.bias, -4.0)

    def forward(self, page: Tensor) -> LocatorOutput:
        """`page`: (B, 1, H, W), flattened grey / 255, H and W multiples of 16."""
        fine = self.fine(self.stem(page - 0.8))
        middle = self.middle(fine)
        features = self.rise_middle(self.coarse(middle), middle)
        features = self.shared(self.rise_fine(features, fine))
        return LocatorOutput(
            self.centre(features),
            self.letter(features),
            self.turn(features),
            self.shape(features),
            self.scale(features),
        )


class LocatorExport(nn.Module):
    """The locator as it is shipped: `centre` is a probability, the rest as trained."""

    def __init__(self, locator: Locator) -> None:
        super().__init__()
        self.locator = locator

    def forward(self, page: Tensor) -> tuple[Tensor, ...]:
        """`page` as for `Locator`; the five maps in the order of `LocatorOutput`."""
        out = self.locator(page)
        return (torch.sigmoid(out.centre), out.letter, out.turn, out.shape, out.scale)
