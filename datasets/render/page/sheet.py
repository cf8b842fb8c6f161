"""Writing in ink: the cover of a picture, or a flat sheet inked once for several pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import cv2
import numpy as np

from crownlet.datasets.render.letterforms.raster import Mask, fill_mask, fine_factor
from crownlet.datasets.render.page.block import Block
from crownlet.datasets.render.page.geometry import Geometry, Points, draw_geometry
from crownlet.datasets.render.page.ink import InkSpreader, ink_layer
from crownlet.datasets.render.page.ink_style import InkStyle
from crownlet.datasets.render.page.labels import PageOutlines, ProjectedLetter
from crownlet.datasets.render.page.marks import project_marks

SHEET_PEN_PX = 20.0
"""Px a pen width that the masks of letters on a sheet have at least: crops have 16, and hairlines
(0.13 q) stay two px wide."""

SHEET_MARGIN_Q = 0.3
"""Room in q about what the pictures of a sheet see at the middle and corners of their sides."""


@dataclass(frozen=True)
class InkedSheet:
    """Writing in ink on a flat sheet, without its skin."""

    style: InkStyle
    """In greys."""
    cover: Mask
    """(H, W): how far ink covers each px."""
    gray: Mask
    """(H, W): its grey times that share."""
    geometry: Geometry
    """Where the layer lies on the page."""

    def shown(self, geometry: Geometry) -> tuple[Mask, Mask]:
        """How far ink covers each px of a picture, and its grey times that share; (H, W) each."""
        maps = geometry.sources(self.geometry)
        cover, gray = (
            np.asarray(cv2.remap(plane, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT))
            for plane in (self.cover, self.gray)
        )
        return np.asarray(cover, np.uint8), np.asarray(gray, np.uint8)


def ink_sheet(
    block: Block, outlines: PageOutlines, pictures: Sequence[Geometry], style: InkStyle,
    rng: np.random.Generator,
) -> InkedSheet:  # fmt: skip
    """All of the writing that one of the `pictures` shows, at their own scale.

    The colours of `style` are greys.
    """
    seen = np.concatenate([picture.inverse(_border(picture.size)) for picture in pictures])
    (x0, y0), (x1, y1) = seen.min(axis=0) - SHEET_MARGIN_Q, seen.max(axis=0) + SHEET_MARGIN_Q
    scale = pictures[0].scale
    flat = draw_geometry((float(x0), float(y0), float(x1), float(y1)), scale, 0.0, rng)
    drawn = [*outlines.project(flat), *project_marks(block.marks, flat)]
    cover = ink_cover(drawn, flat, style, rng, quick=True)
    return InkedSheet(style, *ink_layer(cover, scale, style, rng), flat)


def _border(size: tuple[int, int]) -> Points:
    """Points (36, 2) on the border of a picture."""
    share = np.linspace(0.0, 1.0, 9)
    ends = [(share, 0 * share), (share, 0 * share + 1), (0 * share, share), (0 * share + 1, share)]
    return np.concatenate([np.stack(end, axis=1) for end in ends]) * size


def ink_cover(
    drawn: Sequence[ProjectedLetter], geometry: Geometry, style: InkStyle,
    rng: np.random.Generator, quick: bool = False,
) -> Mask:  # fmt: skip
    """Ink coverage of the whole image, uint8 (H, W); `quick` draws letters coarser, with
    rough edges from a pool."""
    width, height = geometry.size
    cover = np.zeros((height, width), np.uint8)
    finer = ceil(SHEET_PEN_PX / geometry.scale) if quick else fine_factor(geometry.scale)
    spread = InkSpreader(style, geometry.scale, finer, rng, quick)
    margin = 2.0 + 0.1 * geometry.scale
    for shape in drawn:
        for parts, cuts in ((shape.parts, shape.cuts), (shape.extra, ())):
            if parts and _within(parts, width, height, margin):
                ink = fill_mask(parts, cuts, finer, margin)
                _add_ink(cover, spread(ink, rng), ink.x0, ink.y0)
    return cover


def _within(parts: Sequence[Points], width: int, height: int, margin: float) -> bool:
    """Whether the frame shows any of these outlines, with `margin` px for spreading ink."""
    points = np.concatenate(parts)
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    return bool(low[0] < width and low[1] < height and high[0] > 0 and high[1] > 0)


def _add_ink(cover: Mask, patch: Mask, x: int, y: int) -> None:
    """Lay `patch` on `cover` with its first px at column x, row y, as far as it is within."""
    rows, columns = patch.shape
    top, left = max(0, y), max(0, x)
    bottom, right = min(cover.shape[0], y + rows), min(cover.shape[1], x + columns)
    if bottom > top and right > left:
        target = cover[top:bottom, left:right]
        np.maximum(target, patch[top - y : bottom - y, left - x : right - x], out=target)
