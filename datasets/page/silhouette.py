"""The outline of a letter by rows: how near it may come to its neighbours without touching."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, Glyph

CELLS = 16
"""Rows and columns to a q."""
TOP, BOTTOM = -7.5, 7.5
"""Rows kept, in q from the ruled line."""
ROWS = int((BOTTOM - TOP) * CELLS)
NEAR = 2
"""Rows above and below in which the neighbour's ink still counts as beside."""
_SHIFT = 6


@dataclass(frozen=True)
class Silhouette:
    """Ink cells of a glyph; edges in q from the glyph's own origin, by row."""

    cells: npt.NDArray[np.uint8]
    x0: float
    """x in q of the first column."""
    left: npt.NDArray[np.float64]
    """Leftmost ink of each row; +inf in rows without ink."""
    right: npt.NDArray[np.float64]
    """Rightmost ink of each row; -inf in rows without ink."""
    near_left: npt.NDArray[np.float64]
    """Leftmost ink of each row and its near rows."""
    body: tuple[float, float]
    """Leftmost and rightmost ink within the body zone."""


def silhouette(glyph: Glyph) -> Silhouette:
    """The silhouette of `glyph`, cuts ignored."""
    outlines = [part.outline for part in glyph.parts]
    points = np.concatenate(outlines)
    x0 = float(np.floor(points[:, 0].min() * CELLS) - 1) / CELLS
    width = int(np.ceil((points[:, 0].max() - x0) * CELLS)) + 2
    cells = np.zeros((ROWS, width), np.uint8)
    for outline in outlines:
        fixed = np.rint(((outline - (x0, TOP)) * CELLS - 0.5) * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(cells, [fixed], 1, shift=_SHIFT)
    inked = cells.any(axis=1)
    left = np.where(inked, x0 + cells.argmax(axis=1) / CELLS, np.inf)
    right = np.where(inked, x0 + (width - cells[:, ::-1].argmax(axis=1)) / CELLS, -np.inf)
    return Silhouette(cells, x0, left, right, _spread(left), body_extent(glyph))


def _spread(edge: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    out = edge.copy()
    for step in range(1, NEAR + 1):
        np.minimum(out[step:], edge[:-step], out=out[step:])
        np.minimum(out[:-step], edge[step:], out=out[:-step])
    return out


def body_extent(glyph: Glyph) -> tuple[float, float]:
    """Leftmost and rightmost x of the ink within the body zone, 0 <= y <= 3 q."""
    x = np.concatenate([_within(part.outline) for part in glyph.parts if part.kind != "tag"])
    if len(x) == 0:
        x = np.concatenate([part.outline[:, 0] for part in glyph.parts])
    return float(x.min()), float(x.max())


def _within(outline: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """x of the vertices in the body zone and of the edges' crossings of its two borders."""
    x, y = outline[:, 0], outline[:, 1]
    found = [x[(y >= 0.0) & (y <= BODY_HEIGHT)]]
    after_x, after_y = x[_following(len(x))], y[_following(len(y))]
    for border in (0.0, BODY_HEIGHT):
        across = (y < border) != (after_y < border)
        share = (border - y[across]) / (after_y[across] - y[across])
        found.append(x[across] + share * (after_x[across] - x[across]))
    return np.concatenate(found)


@cache
def _following(count: int) -> npt.NDArray[np.intp]:
    """Index of each vertex's next one; much quicker than rolling."""
    return np.roll(np.arange(count), -1)


def clearance(right: Silhouette, left: Silhouette) -> float:
    """Smallest white in q between two letters if both stood at the same origin.

    Moving the left one by dx changes it by -dx; +inf where no rows face each other.
    """
    return float((right.near_left - left.right).min())


def contact(right: Silhouette, left: Silhouette, rows: slice, count: int) -> float:
    """White that vanishes when at least `count` of `rows` touch; +inf if fewer face each other."""
    return float(np.partition(right.left[rows] - left.right[rows], count - 1)[count - 1])
