"""Edges of ink between pixels: the places at which it is half as dark as the letter's ink.

Coordinates are continuous: pixel i covers [i, i + 1), its middle is i + 0.5. `head_top_edge` gives
the upper edge of a head or roof, on which tags stand.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.measure.ink import Grey, LetterInk, Mask, once_a_letter
from crownlet.infer.records import Bools, Floats

_LIMITS = limits_of("measure.edges")

EDGE_DARKNESS = _LIMITS.number("edge_darkness")

MAX_SKIN_DARKNESS = _LIMITS.number("max_skin_darkness")
"""Most darkness of bare skin: ink that faded to a quarter is still ink (OC 32:27)."""

RULER_STEP_PX = _LIMITS.number("ruler_step_px")
"""Px between samples along a ruler."""

RULER_MARGIN_PX = _LIMITS.number("ruler_margin_px")
"""Px by which a ruler is searched past both its ends."""


def top_edges(dark: Grey) -> Floats:
    """(w,) y of the uppermost edge in each column; nan where there is no ink."""
    return _first_edge(dark)


def bottom_edges(dark: Grey) -> Floats:
    """(w,) y of the lowest edge in each column; nan where there is no ink."""
    return len(dark) - _first_edge(dark[::-1])


def left_edges(dark: Grey) -> Floats:
    """(h,) x of the leftmost edge in each row; nan where there is no ink."""
    return _first_edge(dark.T)


def right_edges(dark: Grey) -> Floats:
    """(h,) x of the rightmost edge in each row; nan where there is no ink."""
    result: Floats = dark.shape[1] - _first_edge(dark.T[::-1])
    return result


def undersides(dark: Grey) -> Floats:
    """(w,) y at which the uppermost ink of each column ends; nan where there is none."""
    inked = dark >= EDGE_DARKNESS
    first = inked.argmax(axis=0)
    columns = np.arange(dark.shape[1])
    after = ~inked & (np.arange(len(dark))[:, None] > first)
    end = np.where(after.any(axis=0), after.argmax(axis=0), len(dark))
    high = dark[np.maximum(end - 1, 0), columns]
    low = np.where(end < len(dark), dark[np.minimum(end, len(dark) - 1), columns], 0.0)
    y: Floats = end - 0.5 + _edge_offset(high, low)
    y[~inked.any(axis=0)] = np.nan
    return y


def _first_edge(dark: Grey) -> Floats:
    """(w,) y at which each column first crosses half darkness, from row 0 on."""
    inked = dark >= EDGE_DARKNESS
    at = inked.argmax(axis=0)
    columns = np.arange(dark.shape[1])
    high = dark[at, columns]
    low = np.where(at > 0, dark[np.maximum(at - 1, 0), columns], 0.0)
    y: Floats = at + 0.5 - _edge_offset(high, low)
    y[high < EDGE_DARKNESS] = np.nan
    return y


def _edge_offset(high: Floats, low: Floats) -> Floats:
    """Share of the way from the darker of two neighbours to the paler one to half darkness."""
    return np.asarray((high - EDGE_DARKNESS) / np.maximum(high - low, 1e-6))


def gap_edges(dark: Grey, a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """The two edges (2,) of the gap between points a and b (2,) that lie in ink, px."""
    along = b - a
    length = float(np.hypot(*along))
    unit = along / max(length, 1e-9)
    place = np.arange(-RULER_MARGIN_PX, length + RULER_MARGIN_PX + RULER_STEP_PX, RULER_STEP_PX)
    values = sample_at(dark, a + place[:, None] * unit)
    middle = int(np.argmin(np.where((place >= 0) & (place <= length), values, 2.0)))
    before = _crossing(place[middle::-1], values[middle::-1], 0.0)
    after = _crossing(place[middle:], values[middle:], length)
    return a + before * unit, a + after * unit


def shows_skin(dark: Grey, a: Floats, b: Floats, beside: float = 0.0) -> bool:
    """Whether skin shows somewhere on the way from a to b (2,); pale ink and a blurred hairline do
    not count as skin.

    Ink up to `beside` px away from the straight way closes it as well.
    """
    along = b - a
    length = float(np.hypot(*along))
    place = np.linspace(0.0, 1.0, max(3, int(length / RULER_STEP_PX) + 1))[:, None, None]
    aside = np.arange(-beside, beside + 1.0)[:, None]
    across = np.array([-along[1], along[0]]) / max(length, 1e-9)
    points = a + place * along + aside * across
    values = sample_at(dark, points.reshape(-1, 2)).reshape(points.shape[:2])
    return float(values.max(axis=1).min()) <= MAX_SKIN_DARKNESS


def _crossing(place: Floats, values: Floats, otherwise: float) -> float:
    """Place at which values first rise to half darkness."""
    over = values >= EDGE_DARKNESS
    k = int(over.argmax())
    if not over[k] or k == 0:
        return otherwise
    share = float((EDGE_DARKNESS - values[k - 1]) / max(values[k] - values[k - 1], 1e-6))
    return float(place[k - 1] + share * (place[k] - place[k - 1]))


def sample_at(dark: Grey, points: Floats) -> Floats:
    """(N,) values at points (N, 2), px, interpolated between the four pixels around each."""
    height, width = dark.shape
    x = np.clip(points[:, 0] - 0.5, 0.0, width - 1.001)
    y = np.clip(points[:, 1] - 0.5, 0.0, height - 1.001)
    i, j = x.astype(np.int64), y.astype(np.int64)
    u, v = x - i, y - j
    upper = dark[j, i] * (1 - u) + dark[j, i + 1] * u
    lower = dark[j + 1, i] * (1 - u) + dark[j + 1, i + 1] * u
    return np.asarray(upper * (1 - v) + lower * v, np.float64)


MIN_HEAD_STROKE_Q = _LIMITS.number("min_head_stroke_q")
"""Strokes thinner than this are no part of a head: tags are 0.12 to 0.3 q thick."""

HEAD_BOTTOM_Q = _LIMITS.by_name("head_bottom_q")
"""Heads and roofs end above this, in q below the ruled line: what is lower is not searched."""

FLANK_Q = _LIMITS.number("flank_q")
"""An edge that falls by more than this within as much, in q, is a flank."""

HEAD_TOP_RANGE_Q = _LIMITS.span("head_top_range_q")
"""Heads begin between these, in q below the ruled line: the heads of tags may be as thick as the
pen, but stand higher. Lamed's stands on its neck."""


@once_a_letter
def head_top_edge(ink: LetterInk) -> tuple[Floats, Bools]:
    """(w,) y of the upper edge of head or roof, and the columns in which it was seen.

    Elsewhere it is that of the nearest of them; all NaN where there is none.
    """
    low = ink.row(HEAD_BOTTOM_Q["ל" if ink.letter == "ל" else ""])
    if low < 1:
        width = ink.dark.shape[1]
        return np.full(width, np.nan), np.zeros(width, np.bool_)
    size = max(3, int(MIN_HEAD_STROKE_Q * ink.scale) | 1)
    thick = np.asarray(cv2.morphologyEx(ink.own_mask[:low], cv2.MORPH_OPEN, _disc(size)), np.uint8)
    known = np.asarray(thick.any(axis=0), np.bool_)
    rough, fine = thick.argmax(axis=0).astype(np.float64), top_edges(ink.own_dark[:low])
    if ink.letter != "ל":
        known &= rough > ink.origin[1] + HEAD_TOP_RANGE_Q[0] * ink.scale
        known &= rough < ink.origin[1] + HEAD_TOP_RANGE_Q[1] * ink.scale
    known = _without_flanks(rough, known, ink.scale)
    # Under a tag the edge of the head cannot be seen; a head all covered is known to the pixel.
    bare = known & (np.abs(fine - rough) < 1.0)
    known, top = (bare, fine) if bare.any() else (known, rough)
    columns = np.flatnonzero(known)
    if not len(columns):
        return np.full(len(top), np.nan), known
    middles = (columns[1:] + columns[:-1]) / 2
    return top[columns[np.searchsorted(middles, np.arange(len(top)))]], known


@cache
def _disc(size: int) -> Mask:
    """A disc of an odd number of px across."""
    reach = np.arange(size) - size // 2
    return (reach[:, None] ** 2 + reach**2 <= (size / 2) ** 2).astype(np.uint8)


def _without_flanks(top: Floats, known: Bools, scale: float) -> Bools:
    """Columns of the upper edge itself, not of a flank that falls away from it."""
    reach = max(1, round(FLANK_Q * scale))
    high = np.where(known, top, np.inf).astype(np.float32)[None]
    highest = cv2.erode(high, np.ones((1, 2 * reach + 1), np.uint8))[0]
    return np.asarray(known & (top - highest <= reach))
