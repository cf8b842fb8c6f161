"""The ink of one letter in the letter's own frame, at the full resolution of the page.

Frame: x in q to the right of the body's middle, y in q below the ruled line, both along the
letter's own uprightness. The edge of the ink is where it is half as dark as this letter's ink is
against the skin around it; between pixels it is interpolated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, wraps
from math import ceil, cos, radians, sin
from typing import Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.image import crops
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats

_LIMITS = limits_of("measure.ink")

MIN_INK_DARKNESS = _LIMITS.number("min_ink_darkness")
"""Darkness from which a pixel is ink."""

Mask = npt.NDArray[np.uint8]

Result = TypeVar("Result")

Grey = npt.NDArray[np.float32]

PARTS = ("ink", "tag", "head", "leg", "roof", "joint")

CROP_PX_PER_CELL = 4.0
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
    """(h, w): number of the piece, 0 for skin."""
    pieces: tuple[Piece, ...]
    """The letter's own pieces, the largest first."""
    mixed: bool
    """Whether its ink runs into a neighbour's, so that the ink does not show where it ends."""
    alone: bool
    """Whether no other ink is in sight."""
    to_page: Floats
    """(2, 3): patch px to px of the upright page."""
    crop: Floats
    """(2, 3): patch px to px of the assessor's crop."""
    parts: npt.NDArray[np.uint8]
    """(6, 32, 24) part masks of the assessor."""
    kept: dict[str, Any] = field(default_factory=dict)
    """What was found of this letter already: see `once_a_letter`."""

    @cached_property
    def own_mask(self) -> Mask:
        """(h, w): 1 where ink is the letter's own."""
        return (self.labels > 0).astype(np.uint8) if self.alone else self.mask_of(self.pieces)

    @cached_property
    def main_dark(self) -> Grey:
        """`dark` of the largest piece alone, with its soft edge."""
        return self.darkness_of(self.pieces[:1])

    @cached_property
    def own_dark(self) -> Grey:
        """`dark` of all its pieces, with their soft edges."""
        return self.darkness_of(self.pieces)

    @cached_property
    def tag_mask(self) -> Grey:
        """`part_mask` of the tags."""
        return self.part_mask("tag")

    def mask_of(self, pieces: tuple[Piece, ...]) -> Mask:
        """(h, w): 1 on these pieces."""
        inked = np.zeros(self.labels.shape, np.bool_)
        for piece in pieces:
            inked |= self.labels == piece.label
        return inked.view(np.uint8)

    def darkness_of(self, pieces: tuple[Piece, ...]) -> Grey:
        """`dark` on these pieces and the pixels beside them, 0 elsewhere."""
        if self.alone and len(pieces) == len(self.pieces):
            return self.dark
        near = cv2.dilate(self.mask_of(pieces), np.ones((3, 3), np.uint8))
        return np.asarray(self.dark * near, np.float32)

    def part_mask(self, name: str) -> Grey:
        """(h, w): the assessor's probability, 0 to 1, that a pixel belongs to this part."""
        return mask_on_patch(self.parts[PARTS.index(name)], self.crop, self.dark.shape)

    def column(self, q: float) -> int:
        """Column at frame x, within the patch."""
        return int(min(max(round(self.origin[0] + q * self.scale), 0), self.dark.shape[1]))

    def row(self, q: float) -> int:
        """Row at frame y, within the patch."""
        return int(min(max(round(self.origin[1] + q * self.scale), 0), self.dark.shape[0]))

    def on_page(self, points: Floats) -> Floats:
        """Patch px (N, 2) to px of the upright page."""
        return np.asarray(points @ self.to_page[:, :2].T + self.to_page[:, 2])


def once_a_letter(find: Callable[[LetterInk], Result]) -> Callable[[LetterInk], Result]:
    """`find` done once for each letter, as several measures ask for it; nobody changes the
    result."""

    @wraps(find)
    def look_up(ink: LetterInk) -> Result:
        if find.__name__ not in ink.kept:
            ink.kept[find.__name__] = find(ink)
        result: Result = ink.kept[find.__name__]
        return result

    return look_up


def mask_on_patch(mask: Mask, crop: Floats, shape: tuple[int, ...]) -> Grey:
    """A part mask (32, 24) interpolated over a patch (h, w), 0 to 1."""
    matrix = crop / CROP_PX_PER_CELL
    # The offset that fits masks to ink best, to a tenth of a cell (three pages by held-out hands):
    # half a cell to the cells' middles, less half a px by which crops are cut off their truth.
    matrix[:, 2] += matrix[:, :2].sum(axis=1) * 0.5 - 0.3
    size = (shape[1], shape[0])
    drawn = cv2.warpAffine(
        mask, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,  # lamed's tags reach out of the assessor's crop
    )  # fmt: skip
    return np.asarray(drawn, np.float32) / 255.0


MAX_PATCH_PX_PER_Q = _LIMITS.number("max_patch_px_per_q")
"""Largest scale of a patch: a tenth of a q is then 2.4 px, and pages of larger letters take no
longer."""

PATCH_MARGIN_Q = _LIMITS.number("patch_margin_q")
"""Margin around the letter's box, in q; the locator's boxes are within 0.25 q of the ink's."""

MIN_PIECE_AREA_SQUARE_Q = _LIMITS.number("min_piece_area_square_q")
"""Pieces of ink smaller than this, in square q, are specks: 0.1 by 0.2 q."""

MIN_OWN_INK_P = _LIMITS.number("min_own_ink_p")
"""Probability of the assessor from which ink is the letter's: of a letter that stands apart all but
a hundredth is (935 letters by calibration hands)."""

MIN_ROTATED_DEGREES = _LIMITS.number("min_rotated_degrees")
"""A letter rotated by less is cut out unrotated: a leg of 5 q leans by 0.02 q."""

MAX_PATCH_PX = _LIMITS.whole("max_patch_px")
"""Largest width and height of a patch, px."""

MIN_OWN_SHARE, MIN_UNMIXED_SHARE = (
    _LIMITS.number("min_own_share"),
    _LIMITS.number("min_unmixed_share"),
)
"""Shares of a piece that are the letter's ink: from the first on the piece is the letter's; below
the second it runs into a neighbour, and the remaining ink is cut off."""


def cut_out(
    flat: Mask,
    letter: str,
    body: tuple[float, float, float, float],
    box: tuple[float, float, float, float],
    parts: Mask,
    q: float,
    matrix: Floats | None = None,
) -> LetterInk | None:
    """The ink of a letter of the flattened page (H, W); None where no ink is the letter's.

    `body` (centre x, y of the ruled line, height, clockwise degrees) and `box` are in px of the
    page; `parts` (6, 32, 24) are the assessor's masks and `q` is the kulmus in px. `matrix` (2, 3)
    is the letter's of `crop_matrices` where that is known.
    """
    patch, back, origin, scale = _cut_patch(flat, body, box, q)
    dark = _darkness(patch)
    # With statistics this takes five times as long; most pieces need nothing but their area.
    _, numbered = cv2.connectedComponents(
        (dark >= MIN_INK_DARKNESS).astype(np.uint8), connectivity=8
    )
    labels = np.asarray(numbered, np.int32)
    areas = np.bincount(labels.ravel())
    if len(areas) < 2:
        return None
    crop = _compose(crops.crop_matrix(body, box) if matrix is None else matrix, back)
    cover = mask_on_patch(parts[0], crop, dark.shape)
    pieces, mixed = _own_pieces(
        labels, areas, cover > MIN_OWN_INK_P, MIN_PIECE_AREA_SQUARE_Q * scale**2
    )
    if not pieces:
        return None
    alone = len(pieces) == len(areas) - 1 and not mixed
    return LetterInk(letter, scale, origin, dark, labels, pieces, mixed, alone, back, crop, parts)


def _cut_patch(
    flat: Mask,
    body: tuple[float, float, float, float],
    box: tuple[float, float, float, float],
    q: float,
) -> tuple[Mask, Floats, tuple[float, float], float]:
    """The letter upright, the matrix (2, 3) back to the page, its frame's zero in px, and px per
    q."""
    x, y, _, angle = body
    scale = min(q, MAX_PATCH_PX_PER_Q)
    grow = scale / q
    c, s = grow * cos(radians(angle)), grow * sin(radians(angle))
    ends = [(i - x, j - y) for i in (box[0], box[2]) for j in (box[1], box[3])]
    across, down = [c * i + s * j for i, j in ends], [c * j - s * i for i, j in ends]
    margin = PATCH_MARGIN_Q * scale
    width, tall = (
        min(MAX_PATCH_PX, ceil(max(v) - min(v) + 2 * margin) + 2) for v in (across, down)
    )
    left, top = ceil(margin - min(across)), ceil(margin - min(down))
    if abs(angle) < MIN_ROTATED_DEGREES and scale == q:
        column, row = int(x) - left, int(y) - top
        back = np.array([[1.0, 0.0, column], [0.0, 1.0, row]])
        return _page_window(flat, column, row, width, tall), back, (x - column, y - row), scale
    onto = np.array([[c, s, left - c * x - s * y], [-s, c, top + s * x - c * y]])
    by_number = onto.copy()
    by_number[:, 2] += ((c + s) / 2 - 0.5, (c - s) / 2 - 0.5)
    patch = cv2.warpAffine(
        flat, by_number, (width, tall), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=crops.FILL_GREY,
    )  # fmt: skip
    back = np.asarray(cv2.invertAffineTransform(onto), np.float64)
    return np.asarray(patch, np.uint8), back, (float(left), float(top)), scale


def _page_window(flat: Mask, column: int, row: int, width: int, tall: int) -> Mask:
    """Part of the page, filled with bare skin beyond its edges."""
    y0, y1 = max(0, row), min(flat.shape[0], row + tall)
    x0, x1 = max(0, column), min(flat.shape[1], column + width)
    inside = flat[y0:y1, x0:x1]
    if inside.shape == (tall, width):
        return inside
    framed = np.full((tall, width), crops.FILL_GREY, np.uint8)
    if y0 < y1 and x0 < x1:
        framed[y0 - row : y1 - row, x0 - column : x1 - column] = inside
    return framed


SKIN_GREYS, INK_GREYS = _LIMITS.whole_span("skin_greys"), _LIMITS.whole_span("ink_greys")
"""Greys, of 0 to 255, among which the medians of skin and ink are taken."""

DEFAULT_INK_GREY = _LIMITS.whole("default_ink_grey")
"""Grey of ink where a letter has fewer dark pixels than `MIN_PIXELS_FOR_GREY`."""

MIN_PIXELS_FOR_GREY = _LIMITS.whole("min_pixels_for_grey")

_GREYS = np.arange(256, dtype=np.float32)


def _darkness(patch: Mask) -> Grey:
    """Share of ink 0 to 1, between the middle greys of this letter's ink and of its skin."""
    sums = np.cumsum(np.bincount(patch[::2, ::2].ravel(), minlength=256))
    skin = _median_grey(sums, *SKIN_GREYS, crops.FILL_GREY)
    ink = _median_grey(sums, *INK_GREYS, DEFAULT_INK_GREY)
    table = np.clip((skin - _GREYS) / max(skin - ink, 1.0), 0.0, 1.0)
    return np.asarray(cv2.LUT(patch, table), np.float32)


def _median_grey(sums: npt.NDArray[np.int64], low: int, high: int, default: float) -> float:
    """Median grey of the pixels with greys `low` to `high`; `sums` (256,) counts pixels up to
    each."""
    before = int(sums[low - 1]) if low else 0
    count = int(sums[high]) - before
    return (
        float(np.searchsorted(sums, before + count / 2))
        if count >= MIN_PIXELS_FOR_GREY
        else float(default)
    )


def _own_pieces(
    labels: npt.NDArray[np.int32],
    areas: npt.NDArray[np.int64],
    covered: npt.NDArray[np.bool_],
    min_area: float,
) -> tuple[tuple[Piece, ...], bool]:
    """Pieces that are the letter's, the largest first, and whether one runs into a neighbour.

    `areas` are those of all pieces by their number; what is smaller than `min_area` is a speck.
    What is cut off a piece is removed from `labels`.
    """
    pieces: list[Piece] = []
    mixed = False
    for k in (np.argsort(-areas[1:], kind="stable") + 1).tolist():
        area = int(areas[k])
        if area < min_area:
            break
        here = labels == k
        share = np.count_nonzero(here & covered) / area
        if share < MIN_OWN_SHARE:
            continue
        x0, y0, width, height = cv2.boundingRect(here.astype(np.uint8))
        # What reaches the patch's lower edge is a tag of the next line.
        if pieces and y0 + height == len(labels):
            continue
        if share < MIN_UNMIXED_SHARE:
            mixed = True
            labels[here & ~covered] = 0
        pieces.append(Piece(k, x0, y0, x0 + width, y0 + height, area))
    return tuple(pieces), mixed


def _compose(first: Floats, then: Floats) -> Floats:
    """The affine map that takes points through `then` and after that through `first`."""
    composed: Floats = first[:, :2] @ then
    composed[:, 2] += first[:, 2]
    return composed


@dataclass(frozen=True)
class Length:
    """A length in q between two points (2,) of the letter's patch, px."""

    name: str
    defect: str
    """The defect of the catalogue that the length is evidence of."""
    q: float
    start: Floats
    end: Floats
    sure: bool = True
    """Whether a measured gap is as pale as skin, and the place of one that was not found as dark as
    ink."""


def vertical_length(name: str, defect: str, x: float, y0: float, y1: float, scale: float) -> Length:
    """The height between two levels at column x; below 0 where y1 lies above y0."""
    return Length(name, defect, (y1 - y0) / scale, np.array([x, y0]), np.array([x, y1]))


def horizontal_length(
    name: str, defect: str, y: float, x0: float, x1: float, scale: float
) -> Length:
    """The width between two columns at height y; below 0 where x1 lies left of x0."""
    return Length(name, defect, (x1 - x0) / scale, np.array([x0, y]), np.array([x1, y]))
