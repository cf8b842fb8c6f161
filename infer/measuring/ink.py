"""The ink of one letter in the letter's own frame, at the full resolution of the page.

Frame: x in q to the right of the body's middle, y in q below the ruled line, both along the
letter's own uprightness. The edge of the ink is where it is half as dark as this letter's ink is
against the skin around it; between pixels it is interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Floats

Mask = npt.NDArray[np.uint8]
Grey = npt.NDArray[np.float32]

PARTS = ("ink", "tag", "head", "leg", "roof", "joint")
CELL = 4.0
"""Px of the assessor's crop in a cell of its part masks."""


@dataclass(frozen=True)
class Piece:
    """A connected piece of the letter's ink: its number in `labels` and its box in patch px."""

    label: int
    x0: int
    y0: int
    x1: int
    y1: int
    area: int


@dataclass(frozen=True)
class LetterInk:
    """One letter cut out of the page, with the pieces that are its own."""

    letter: str
    scale: float
    """Patch px per q."""
    origin: tuple[float, float]
    """Frame's (0, 0) in patch px."""
    dark: Grey
    """(h, w): 0 skin, 1 ink, of all ink in sight."""
    labels: npt.NDArray[np.int32]
    """(h, w): number of the piece, 0 for white."""
    pieces: tuple[Piece, ...]
    """The letter's own pieces, the largest first."""
    mixed: bool
    """Whether its ink runs into a neighbour's, so that its ends cannot be told from the ink."""
    alone: bool
    """Whether no other ink is in sight."""
    to_page: Floats
    """(2, 3): patch px to px of the upright page."""
    crop: Floats
    """(2, 3): patch px to px of the assessor's crop."""
    parts: npt.NDArray[np.uint8]
    """(6, 32, 24) part masks of the assessor."""

    @cached_property
    def own(self) -> Mask:
        """(h, w): 1 where ink is the letter's own."""
        return (self.labels > 0).astype(np.uint8) if self.alone else self.of(self.pieces)

    @cached_property
    def body(self) -> Grey:
        """`dark` of the largest piece alone, with its soft edge."""
        return self.soft(self.pieces[:1])

    @cached_property
    def whole(self) -> Grey:
        """`dark` of all its pieces, with their soft edges."""
        return self.soft(self.pieces)

    @cached_property
    def tags(self) -> Grey:
        """`part` of the tags."""
        return self.part("tag")

    def of(self, pieces: tuple[Piece, ...]) -> Mask:
        """(h, w): 1 on these pieces."""
        inked = np.zeros(self.labels.shape, np.bool_)
        for piece in pieces:
            inked |= self.labels == piece.label
        return inked.view(np.uint8)

    def soft(self, pieces: tuple[Piece, ...]) -> Grey:
        """`dark` on these pieces and the pixels beside them, 0 elsewhere."""
        if self.alone and len(pieces) == len(self.pieces):
            return self.dark
        near = cv2.dilate(self.of(pieces), np.ones((3, 3), np.uint8))
        return np.asarray(self.dark * near, np.float32)

    def part(self, name: str) -> Grey:
        """(h, w): probability 0 to 1 that a pixel belongs to this part, as the assessor sees it."""
        return mask_on(self.parts[PARTS.index(name)], self.crop, self.dark.shape)

    def x(self, q: float) -> int:
        """Column at frame x, within the patch."""
        return min(max(round(self.origin[0] + q * self.scale), 0), self.dark.shape[1])

    def y(self, q: float) -> int:
        """Row at frame y, within the patch."""
        return min(max(round(self.origin[1] + q * self.scale), 0), self.dark.shape[0])

    def on_page(self, points: Floats) -> Floats:
        """Patch px (N, 2) to px of the upright page."""
        return np.asarray(points @ self.to_page[:, :2].T + self.to_page[:, 2])


def mask_on(mask: Mask, crop: Floats, shape: tuple[int, ...]) -> Grey:
    """A part mask (32, 24) drawn out smoothly over a patch (h, w), 0 to 1."""
    matrix = crop / CELL
    # The masks lie on the ink best so (three pages by held-out hands, to a tenth of a cell): from
    # the middles of cells, and half a px by which crops are cut beside their own truth.
    matrix[:, 2] += matrix[:, :2].sum(axis=1) * 0.5 - 0.3
    size = (shape[1], shape[0])
    drawn = cv2.warpAffine(
        mask, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,  # lamed's tags reach out of the assessor's crop
    )  # fmt: skip
    return np.asarray(drawn, np.float32) / 255.0
