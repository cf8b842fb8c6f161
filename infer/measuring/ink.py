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

from crownlet.infer import crops
from crownlet.infer.records import Floats

Mask = npt.NDArray[np.uint8]
Grey = npt.NDArray[np.float32]

FINEST = 24.0
"""Most px per q looked at: a tenth of a q is then 2.4 px, and pages of larger letters cost no
more."""
ROOM = 0.3
"""White around the letter's box, in q; the locator's boxes are within 0.25 q of the ink's."""
SPECK = 0.02
"""Pieces of ink smaller than this, in square q, are specks: a hair's point of 0.1 by 0.2 q."""
COVERED = 0.2
"""Ink is the letter's where the assessor calls it so from this probability on: of a letter that
stands apart all but a hundredth is (935 letters by calibration hands)."""
OWN, WHOLE = 0.5, 0.97
"""A piece is the letter's from the one share of such ink on; below the other it runs into a
neighbour, and what is not covered is cut off."""
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
        return int(np.clip(round(self.origin[0] + q * self.scale), 0, self.dark.shape[1]))

    def y(self, q: float) -> int:
        """Row at frame y, within the patch."""
        return int(np.clip(round(self.origin[1] + q * self.scale), 0, self.dark.shape[0]))

    def on_page(self, points: Floats) -> Floats:
        """Patch px (N, 2) to px of the upright page."""
        return np.asarray(points @ self.to_page[:, :2].T + self.to_page[:, 2])


def cut_out(
    flat: Mask,
    letter: str,
    body: tuple[float, float, float, float],
    box: tuple[float, float, float, float],
    parts: Mask,
    q: float,
) -> LetterInk | None:
    """The ink of a letter of the flattened page (H, W); None where no ink is the letter's.

    `body` (centre x, y of the ruled line, height, clockwise degrees) and `box` are in px of the
    page; `parts` (6, 32, 24) are the assessor's masks and `q` is the kulmus in px.
    """
    patch, back, origin, scale = _patch(flat, body, box, q)
    dark = _darkness(patch)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (dark >= 0.5).astype(np.uint8), connectivity=8
    )
    if count < 2:
        return None
    crop = _through(crops.crop_matrix(body, box), back)
    cover = mask_on(parts[0], crop, dark.shape)
    numbered = np.asarray(labels, np.int32)
    pieces, mixed = _own(numbered, np.asarray(stats, np.int32), cover, scale)
    if not pieces:
        return None
    alone = len(pieces) == count - 1 and not mixed
    return LetterInk(letter, scale, origin, dark, numbered, pieces, mixed, alone, back, crop, parts)


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


def _patch(
    flat: Mask,
    body: tuple[float, float, float, float],
    box: tuple[float, float, float, float],
    q: float,
) -> tuple[Mask, Floats, tuple[float, float], float]:
    """The letter upright at `scale` px per q, the way back to the page, and its frame's zero."""
    x, y, _, angle = body
    scale = min(q, FINEST)
    c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    turn = np.array([[c, s], [-s, c]]) * (scale / q)
    corners = np.array([[box[i], box[j]] for i in (0, 2) for j in (1, 3)])
    placed = (corners - (x, y)) @ turn.T
    low, high = placed.min(axis=0) - ROOM * scale, placed.max(axis=0) + ROOM * scale
    # The page's own grid is kept where the letter stands upright on a page of its resolution.
    origin = np.ceil(-low) + (np.array([x, y]) % 1.0 if scale == q and angle == 0 else 0.0)
    width, tall = (int(v) for v in np.clip(np.ceil(high - low) + 1, 3, 400))
    onto = np.concatenate([turn, (origin - turn @ np.array([x, y]))[:, None]], axis=1)
    by_number = onto.copy()
    by_number[:, 2] += onto[:, :2].sum(axis=1) * 0.5 - 0.5
    patch = cv2.warpAffine(
        flat, by_number, (width, tall), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=crops.FILL,
    )  # fmt: skip
    inverse = np.linalg.inv(turn)
    back = np.concatenate([inverse, (np.array([x, y]) - inverse @ origin)[:, None]], axis=1)
    return np.asarray(patch, np.uint8), back, (float(origin[0]), float(origin[1])), scale


_GREYS = np.arange(256, dtype=np.float32)


def _darkness(patch: Mask) -> Grey:
    """Share of ink 0 to 1, between the middle greys of this letter's ink and of its skin."""
    counts = np.bincount(patch[::2, ::2].ravel(), minlength=256)
    skin = _middle(counts, 160, 256, crops.FILL)
    ink = _middle(counts, 0, 112, 32)
    table = np.clip((skin - _GREYS) / max(skin - ink, 1.0), 0.0, 1.0)
    return np.asarray(cv2.LUT(patch, table), np.float32)


def _middle(counts: npt.NDArray[np.int64], low: int, high: int, else_: float) -> float:
    """Median grey of the pixels between two greys."""
    sums = np.cumsum(counts[low:high])
    return low + float(np.searchsorted(sums, sums[-1] / 2)) if sums[-1] >= 8 else float(else_)


def _own(
    labels: npt.NDArray[np.int32], stats: npt.NDArray[np.int32], cover: Grey, scale: float
) -> tuple[tuple[Piece, ...], bool]:
    """Pieces that are the letter's, the largest first, and whether one runs into a neighbour.

    What is cut off of a piece is taken out of `labels`.
    """
    large = [k for k in range(1, len(stats)) if stats[k, cv2.CC_STAT_AREA] >= SPECK * scale**2]
    pieces, mixed = [], False
    for k in large:
        x0, y0, width, height, area = (int(v) for v in stats[k])
        window = labels[y0 : y0 + height, x0 : x0 + width]
        here = window == k
        covered = here & (cover[y0 : y0 + height, x0 : x0 + width] > COVERED)
        share = float(covered.sum()) / area
        if share < OWN:
            continue
        if share < WHOLE:
            mixed = True
            window[here & ~covered] = 0
        pieces.append(Piece(k, x0, y0, x0 + width, y0 + height, area))
    return tuple(sorted(pieces, key=lambda piece: -piece.area)), mixed


def _through(first: Floats, then: Floats) -> Floats:
    """The affine map that takes points through `then` and after that through `first`."""
    matrix = first[:, :2] @ then[:, :2]
    return np.concatenate([matrix, (first[:, :2] @ then[:, 2] + first[:, 2])[:, None]], axis=1)
