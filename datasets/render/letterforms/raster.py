"""A letter's outlines to pixels: masks of its ink, several times finer than the page they go on.

Pixel coordinates are continuous: pixel i covers [i, i + 1), as boxes in COCO do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import erf, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.outlines import split_points

Mask = npt.NDArray[np.uint8]

Polygon = npt.NDArray[np.float64] | npt.NDArray[np.float32]

MIN_MASK_PEN_PX = 28.0
"""Fine px a pen width that masks have at least, so that hairlines and hair gaps stay true."""

MAX_FINE_FACTOR = 6

_FRACTION_BITS = 6

_FILL_EXCESS_PX = 0.4
"""OpenCV draws the border of what it fills: this many fine px too much, about, on each side."""


@dataclass(frozen=True)
class InkMask:
    """Ink of one letter, 0 or 255, on a grid `finer` times finer than the page.

    (x0, y0) is the page px of its first row and column; its shape is a multiple of `finer`.
    """

    mask: Mask
    x0: int
    y0: int
    finer: int

    def on_page(self) -> Mask:
        """Ink coverage of page pixels, uint8."""
        if self.finer == 1:
            return self.mask
        height, width = self.mask.shape
        size = (width // self.finer, height // self.finer)
        return np.asarray(cv2.resize(self.mask, size, interpolation=cv2.INTER_AREA), np.uint8)


def fine_factor(q: float) -> int:
    """How much finer than the page the mask of a letter with pen width `q` px is drawn."""
    return int(np.clip(np.ceil(MIN_MASK_PEN_PX / q), 2, MAX_FINE_FACTOR))


def fill_mask(
    outlines: Sequence[Polygon], cuts: Sequence[Polygon], finer: int, margin: float = 0.0
) -> InkMask:
    """Union of `outlines` less the union of `cuts`, all in page px, with `margin` px around."""
    points = np.concatenate(list(outlines))
    x0, y0 = np.floor(points.min(axis=0) - margin).astype(int)
    x1, y1 = np.ceil(points.max(axis=0) + margin).astype(int) + 1
    mask = np.zeros(((y1 - y0) * finer, (x1 - x0) * finer), np.uint8)
    _fill_polygons(mask, points, outlines, x0, y0, finer, 255)
    if cuts:
        _fill_polygons(mask, np.concatenate(list(cuts)), cuts, x0, y0, finer, 0)
    return InkMask(mask, int(x0), int(y0), finer)


def _fill_polygons(
    mask: Mask,
    points: Polygon,
    polygons: Sequence[Polygon],
    x0: int,
    y0: int,
    finer: int,
    value: int,
) -> None:
    """Fill `polygons`, whose points one after another are `points` (N, 2)."""
    fine = (points - (x0, y0)) * finer - 0.5
    fixed = np.rint(fine * (1 << _FRACTION_BITS)).astype(np.int32)
    for polygon in split_points(fixed, polygons):
        cv2.fillPoly(mask, [polygon], value, shift=_FRACTION_BITS)


def trim_mask(mask: Mask, blur: float, gain: float = 0.0) -> Mask:
    """Smooth corners with `blur` (fine px) and move every edge outwards by `gain` fine px.

    Straight edges land where the outline has them (for gain 0); the edge is about one px soft.
    """
    sigma = max(blur, 0.7)
    soft = cv2.GaussianBlur(mask, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(cv2.LUT(soft, edge_table(sigma, gain)), np.uint8)


def edge_table(sigma: float, gain: float) -> Mask:
    """Table of 256 which cuts a mask blurred by `sigma` so that edges move outwards by `gain`."""
    shift = (gain - _FILL_EXCESS_PX) / sigma
    level = 255.0 * _normal_cdf(-shift)
    width = 255.0 * min(1.0, 1.0 / (2.5 * sigma))
    ramp = (np.arange(256.0) - level) / width + 0.5
    table = np.clip(np.rint(255.0 * ramp), 0, 255).astype(np.uint8)
    table[0] = 0
    return table


def _normal_cdf(x: float) -> float:
    return 0.5 * (1.0 + erf(x / sqrt(2.0)))


def coverage(
    glyph: Glyph, scale: float, origin: tuple[float, float] = (0.0, 0.0)
) -> tuple[Mask, int, int]:
    """Ink coverage of `glyph` at `scale` px a pen width, its (0, 0) at `origin` px.

    Returns (uint8 patch, x, y): the patch's first pixel lies at column x, row y of the page.
    """
    finer = fine_factor(scale)

    def place(outline: Outline) -> Outline:
        return outline * scale + origin

    parts = [place(part.outline) for part in glyph.parts]
    ink = fill_mask(parts, [place(cut) for cut in glyph.cuts], finer, margin=1.0)
    ink = InkMask(trim_mask(ink.mask, 0.7), ink.x0, ink.y0, finer)
    return ink.on_page(), ink.x0, ink.y0
