"""Letters of a typeface as glyphs in q, in a weight, width, slant and softness of their own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, Crown, Glyph, Part
from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.typefaces.fonts import Typeface
from crownlet.datasets.render.typefaces.measure import (
    RASTER_CELLS_PER_Q,
    Raster,
    measure_typeface,
    rasterise,
)
from crownlet.datasets.scribal.alphabet import ONE_TAG, THREE_TAGS

MAX_RISE_Q, MAX_FALL_Q = 2.3, 2.4
"""Most q by which letters may pass the body above and below: as with drawn hands."""

ROOFED_WIDTHS_Q = (1.7, 3.6)
"""Narrowest and widest that roofed letters are set, in q; condensed typefaces are widened."""

FREE_ROOF_LETTERS = "דהרת"
"""Letters of which a free piece of roof is looked for, which may be lengthened."""

MIN_GAP_Q = 0.2
"""Gap in q that thickening must leave where the typeface has a gap or a counter."""

MIN_COUNTER_AREA_Q2 = 0.02
"""Smaller spots of ink or skin, in square q, are no parts of a letter's form."""

CROWN_WIDTH_Q = 0.95


@dataclass(frozen=True)
class TypeStyle:
    """How a page writes its typeface; lengths in q."""

    width: float = 1.0
    slant: float = 0.0
    """Degrees; tops lean to the right if positive."""
    grow_x: float = 0.0
    """Upright strokes become thicker by this; thinner if negative."""
    grow_y: float = 0.0
    """Lying strokes become thicker by this."""
    soft: float = 0.03
    """Standard deviation of the smoothing that rounds corners."""
    rise: float = 1.0
    """Factor by which what stands above the body is lengthened."""
    fall: float = 1.0
    crowned: bool = False
    """Tags may be set on the letters."""


def draw_type_style(face: Typeface, rng: np.random.Generator) -> TypeStyle:
    """A random way for one page, within what the strokes of the typeface allow."""
    own = measure_typeface(face)
    breadth = float(np.clip(own.breadth * np.exp(rng.normal(0.0, 0.12)), *ROOFED_WIDTHS_Q))
    width = breadth / own.breadth
    stem, bar = own.stem * width, own.bar
    if rng.random() < 0.65:
        # Stems and roofs as drawn hands have them; nearly even weights are common in type only.
        stem, bar = float(rng.uniform(0.32, 0.85)), float(rng.uniform(0.5, 1.2))
    grow_x = float(np.clip(stem - own.stem * width, -0.5 * own.hair_x * width, 0.5))
    grow_y = float(np.clip(bar - own.bar, -0.5 * own.hair_y, 0.6))
    return TypeStyle(
        width=width,
        slant=float(rng.normal(0.0, 3.0)),
        grow_x=grow_x,
        grow_y=grow_y,
        soft=float(rng.uniform(0.02, 0.12)),
        rise=float(rng.uniform(0.9, 1.7)),
        fall=float(rng.uniform(0.9, 1.7)),
        crowned=bool(rng.random() < 0.25),
    )  # fmt: skip


@lru_cache(maxsize=512)
def typeset(face: Typeface, letter: str, way: TypeStyle) -> Glyph:
    """One letter, its body's left edge at x = 0; without tags, and with no named parts."""
    raster = rasterise(_place_contours(face, letter, way))
    raster = Raster(_change_weight(raster.ink, way), raster.x0, raster.y0)
    parts, cuts = _outlines(raster)
    left, right = _body(raster)
    shift = np.array([-left, 0.0])
    return Glyph(
        letter,
        tuple(Part(f"ink_{k + 1}", "body", part + shift) for k, part in enumerate(parts)),
        right - left,
        crown=_crown(letter, raster, left) if way.crowned else None,
        stretch=_free_roof(raster, left) if letter in FREE_ROOF_LETTERS else None,
        cuts=tuple(cut + shift for cut in cuts),
    )


def stretch_roof(glyph: Glyph, extra: float) -> Glyph:
    """The letter with its free roof `extra` q longer; unchanged if it has none."""
    if glyph.stretch is None or extra <= 0.0:
        return glyph
    x0, x1 = glyph.stretch

    def pull(outline: Outline) -> Outline:
        x = outline[:, 0]
        moved: Outline = outline.copy()
        moved[:, 0] = x + extra * np.clip((x - x0) / (x1 - x0), 0.0, 1.0)
        return moved

    return glyph.mapped(pull)


def _place_contours(face: Typeface, letter: str, way: TypeStyle) -> list[Outline]:
    """Contours in q: widened, slanted, and lengthened above and below the body."""
    own = measure_typeface(face)
    rise = min(way.rise, MAX_RISE_Q / max(own.rise, 1e-6))
    fall = min(way.fall, MAX_FALL_Q / max(own.fall, 1e-6))
    lean = np.tan(np.radians(way.slant))
    placed = []
    for contour in face.contours[letter]:
        x, y = own.in_q(contour).T
        up, down = np.minimum(y, 0.0), np.maximum(y - BODY_HEIGHT_Q, 0.0)
        y = np.clip(y, 0.0, BODY_HEIGHT_Q) + rise * up + fall * down
        placed.append(np.stack([way.width * x + lean * (BODY_HEIGHT_Q / 2 - y), y], axis=1))
    return placed


def _change_weight(ink: Mask, way: TypeStyle) -> Mask:
    """Thickened or thinned and smoothed, less so where the form would become another's.

    He must not close to chet, nor mem to final mem: pieces of ink and counters stay as many.
    """
    form = _topology(ink)
    for share in (1.0, 0.6, 0.3, 0.0):
        changed = _grow_ink(_grow_ink(ink, share * way.grow_x, 1), share * way.grow_y, 0)
        soft = _smooth_ink(changed, max(share, 0.15) * way.soft)
        grows = share * max(way.grow_x, way.grow_y) > 0.0
        least_gap = round(MIN_GAP_Q * RASTER_CELLS_PER_Q)
        fat = cv2.dilate(soft, np.ones((least_gap, least_gap), np.uint8)) if grows else soft
        if _topology(soft) == form and _topology(np.asarray(fat, np.uint8)) == form:
            return soft
    return ink


def _grow_ink(ink: Mask, by: float, axis: int) -> Mask:
    """Ink whose extent along `axis` (0 down, 1 across) grows by `by` q in all."""
    cells = round(abs(by) * RASTER_CELLS_PER_Q)
    if cells == 0:
        return ink
    kernel = np.ones((cells + 1, 1) if axis == 0 else (1, cells + 1), np.uint8)
    return np.asarray((cv2.dilate if by > 0 else cv2.erode)(ink, kernel), np.uint8)


def _smooth_ink(ink: Mask, sigma: float) -> Mask:
    soft = cv2.GaussianBlur(ink * 255, (0, 0), max(0.7, sigma * RASTER_CELLS_PER_Q))
    return (np.asarray(soft) >= 128).astype(np.uint8)


def _topology(ink: Mask) -> tuple[int, int]:
    """Pieces of ink and counters, spots not counted."""
    found, tree = cv2.findContours(ink, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    least = MIN_COUNTER_AREA_Q2 * RASTER_CELLS_PER_Q * RASTER_CELLS_PER_Q
    large = [k for k, contour in enumerate(found) if cv2.contourArea(contour) >= least]
    holes = sum(int(tree[0][k][3]) >= 0 for k in large) if large else 0
    return len(large) - holes, holes


def _outlines(raster: Raster) -> tuple[list[Outline], list[Outline]]:
    """Polygons in q around the ink, and around the counters within it."""
    found, tree = cv2.findContours(raster.ink, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    parts: list[Outline] = []
    cuts: list[Outline] = []
    for contour, (_, _, _, parent) in zip(found, tree[0] if found else (), strict=True):
        if len(contour) < 8:
            continue
        # The middle of neighbouring border cells: a line instead of steps.
        border = contour[:, 0].astype(np.float32)
        smooth = (np.roll(border, 1, axis=0) + 2 * border + np.roll(border, -1, axis=0)) / 4
        points = cv2.approxPolyDP(smooth[:, None].astype(np.float32), 0.6, True)[:, 0]
        if len(points) >= 3:
            outline = (points.astype(np.float64) + 0.5) / RASTER_CELLS_PER_Q + (
                raster.x0,
                raster.y0,
            )
            (parts if parent < 0 else cuts).append(outline)
    return parts, cuts


def _rows(raster: Raster, start: float, end: float) -> Mask:
    """Rows of the raster from `start` to `end` q."""
    first, last = (round((y - raster.y0) * RASTER_CELLS_PER_Q) for y in (start, end))
    return raster.ink[max(0, first) : max(0, last)]


def _body(raster: Raster) -> tuple[float, float]:
    """Left and right edge in q of the ink within the body."""
    columns = np.flatnonzero(_rows(raster, 0.0, BODY_HEIGHT_Q).any(axis=0))
    if not len(columns):
        columns = np.flatnonzero(raster.ink.any(axis=0))
    return raster.x0 + columns[0] / RASTER_CELLS_PER_Q, raster.x0 + (
        columns[-1] + 1
    ) / RASTER_CELLS_PER_Q


def _longest_run(flags: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Start and end of the longest run of True."""
    edges = np.diff(np.pad(flags.astype(np.int8), 1))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    if not len(starts):
        return 0, 0
    k = int((ends - starts).argmax())
    return int(starts[k]), int(ends[k])


def _free_roof(raster: Raster, left: float) -> tuple[float, float] | None:
    """x interval, from the body's left edge, in which there is nothing but the roof."""
    above, below = _rows(raster, -0.4, 1.4).any(axis=0), _rows(raster, 1.4, 9.0).any(axis=0)
    start, end = _longest_run(np.logical_and(above, ~below))
    margin = 0.15
    x0, x1 = start / RASTER_CELLS_PER_Q + margin, end / RASTER_CELLS_PER_Q - margin
    if x1 - x0 < 0.3:
        return None
    return x0 + raster.x0 - left, x1 + raster.x0 - left


def _crown(letter: str, raster: Raster, left: float) -> Crown | None:
    """Where tags stand: on the left head of the letters that take them, lamed left out."""
    if letter not in THREE_TAGS + ONE_TAG:
        return None
    top = _rows(raster, -0.6, 1.0)
    high = np.where(top.any(axis=0), top.argmax(axis=0) / RASTER_CELLS_PER_Q - 0.6, np.inf) < 0.6
    columns = np.flatnonzero(high)
    if not len(columns):
        return None
    gaps = np.flatnonzero(~high[columns[0] :])
    end = columns[0] + (gaps[0] if len(gaps) else len(high) - columns[0])
    x0 = columns[0] / RASTER_CELLS_PER_Q + 0.1
    x1 = min(end / RASTER_CELLS_PER_Q - 0.1, x0 + CROWN_WIDTH_Q)
    if x1 - x0 < 0.15:
        return None
    middle = int((x0 + x1) / 2 * RASTER_CELLS_PER_Q)
    y = float(top[:, middle].argmax()) / RASTER_CELLS_PER_Q - 0.6
    return Crown(x0 + raster.x0 - left, x1 + raster.x0 - left, y)
