"""Measures of a typeface: where its bodies begin and end, how heavy its strokes are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q
from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.typefaces.fonts import Typeface, TypefaceError

RASTER_CELLS_PER_Q = 64
"""Raster cells to a q."""

ROOFED_LETTERS = "דהרחתם"
"""Letters whose upper edge, over most of their width, is that of the roof."""

BASED_LETTERS = "בכט"
"""Letters whose lower edge, over most of their width, is that of the base."""

MIN_BODY_SHARE = 0.3
"""Least share of its roofed letters' height that the body of a typeface can have."""

_HAIRLINE_PERCENTILE = 8
"""Percentile of the strokes' thickness that counts as the thickness of hairlines."""

_FRACTION_BITS = 6


@dataclass(frozen=True)
class TypefaceMeasures:
    """Top and bottom of the body in font units; the rest in q, for a body of 3 q."""

    top: float
    bottom: float
    stem: float
    """Usual thickness of upright strokes."""
    bar: float
    """Usual thickness of roofs."""
    hair_x: float
    """Thickness of the thinnest upright strokes."""
    hair_y: float
    """Thickness of the thinnest lying strokes."""
    rise: float
    """How far lamed rises above the body."""
    fall: float
    """How far the lowest letter falls below the body."""
    breadth: float
    """Usual width of the roofed letters."""

    def in_q(self, outline: Outline) -> Outline:
        """Font units, y up, as q with y down from the ruled line."""
        scale = BODY_HEIGHT_Q / (self.top - self.bottom)
        placed: Outline = (outline * (1.0, -1.0) + (0.0, self.top)) * scale
        return placed


@dataclass(frozen=True)
class Raster:
    """Ink of a letter, 0 or 1, CELLS cells a q; (x0, y0) in q is the corner of its first cell."""

    ink: Mask
    x0: float
    y0: float


def rasterise(contours: Sequence[Outline], pad: float = 0.75) -> Raster:
    """The ink of contours in q by non-zero winding, with `pad` q of margin around."""
    points = np.concatenate(list(contours))
    x0, y0 = np.floor((points.min(axis=0) - pad) * RASTER_CELLS_PER_Q) / RASTER_CELLS_PER_Q
    width, height = np.ceil((points.max(axis=0) + pad - (x0, y0)) * RASTER_CELLS_PER_Q).astype(int)
    winding = np.zeros((height, width), np.int8)
    one = np.empty((height, width), np.uint8)
    for contour in contours:
        one[:] = 0
        fixed = np.rint(
            ((contour - (x0, y0)) * RASTER_CELLS_PER_Q - 0.5) * (1 << _FRACTION_BITS)
        ).astype(np.int32)
        cv2.fillPoly(one, [fixed], 1, shift=_FRACTION_BITS)
        winding += one.view(np.int8) * np.int8(1 if _area(contour) > 0 else -1)
    return Raster((winding != 0).astype(np.uint8), float(x0), float(y0))


def _area(contour: Outline) -> float:
    """Signed area."""
    x, y = contour.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


@lru_cache(maxsize=256)
def measure_typeface(face: Typeface) -> TypefaceMeasures:
    """Measure a typeface.

    Body heights are taken where most of the columns of roofs and bases end, so that points, horns
    and slanted ends do not count. TypefaceError if no body can be made out.
    """
    points = np.concatenate([outline for c in ROOFED_LETTERS for outline in face.contours[c]])
    low, high = float(points[:, 1].min()), float(points[:, 1].max())
    rough = TypefaceMeasures(high, low, *[0.0] * 7)
    tops = _edges(face, rough, ROOFED_LETTERS, upper=True)
    bottoms = _edges(face, rough, BASED_LETTERS, upper=False)
    scale = (high - low) / BODY_HEIGHT_Q
    top, bottom = high - float(np.median(tops)) * scale, high - float(np.median(bottoms)) * scale
    if top - bottom < MIN_BODY_SHARE * (high - low):
        raise TypefaceError(f"{face.name}: roofs and bases leave no body")
    body = TypefaceMeasures(top, bottom, *[0.0] * 7)
    uprights = np.concatenate([_runs(face, body, c, upright=True) for c in "הרחתםוןש"])
    lying = np.concatenate([_runs(face, body, c, upright=False) for c in "דהרחתבכם"])
    y = np.concatenate([body.in_q(o)[:, 1] for o in face.contours["ל"]])
    below = max(float(body.in_q(o)[:, 1].max()) for c in "ךןףץק" for o in face.contours[c])
    x = [np.concatenate([body.in_q(o)[:, 0] for o in face.contours[c]]) for c in ROOFED_LETTERS]
    return TypefaceMeasures(
        top, bottom, float(np.median(uprights)), float(np.median(lying)),
        float(np.percentile(uprights, _HAIRLINE_PERCENTILE)),
        float(np.percentile(lying, _HAIRLINE_PERCENTILE)),
        max(0.0, -float(y.min())), max(0.0, below - BODY_HEIGHT_Q),
        float(np.median([np.ptp(row) for row in x])),
    )  # fmt: skip


def _edges(
    face: Typeface, body: TypefaceMeasures, letters: str, upper: bool
) -> npt.NDArray[np.float64]:
    """Upper or lower edge in q of the ink in each column of some letters."""
    found = []
    for letter in letters:
        raster = rasterise([body.in_q(outline) for outline in face.contours[letter]])
        ink = raster.ink[:, raster.ink.any(axis=0)]
        row = ink.argmax(axis=0) if upper else len(ink) - ink[::-1].argmax(axis=0)
        found.append(raster.y0 + row / RASTER_CELLS_PER_Q)
    return np.concatenate(found)


def _runs(
    face: Typeface, body: TypefaceMeasures, letter: str, upright: bool
) -> npt.NDArray[np.float64]:
    """Lengths in q of ink runs across upright strokes at mid height, or across the roof."""
    raster = rasterise([body.in_q(outline) for outline in face.contours[letter]])
    if upright:
        rows = slice(
            round((1.0 - raster.y0) * RASTER_CELLS_PER_Q),
            round((2.0 - raster.y0) * RASTER_CELLS_PER_Q),
        )
        lines = raster.ink[rows]
    else:
        lines = raster.ink[:, raster.ink.any(axis=0)].T
    edges = np.diff(np.pad(lines, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    lengths = (np.nonzero(edges < 0)[1] - np.nonzero(edges > 0)[1]) / RASTER_CELLS_PER_Q
    # Longer runs lie along a stroke, not across it.
    across: npt.NDArray[np.float64] = lengths[lengths < 1.6]
    return across if len(across) else np.array([1.0])
