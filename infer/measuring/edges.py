"""Where ink ends, between pixels: the place at which it is half as dark as the letter's ink.

Pixels are continuous: pixel i covers [i, i + 1), its middle is i + 0.5.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring.ink import Grey
from crownlet.infer.records import Floats

HALF = 0.5
SKIN = 0.2
"""Most darkness of bare skin: ink that faded to a quarter is still ink (OC 32:27)."""
STEP = 0.25
"""Px between samples along a ruler."""
BEYOND = 2.0
"""Px by which a ruler is looked along past both its ends."""


def tops(dark: Grey) -> Floats:
    """(w,) y of the uppermost edge in each column; nan where there is no ink."""
    return _first(dark)


def bottoms(dark: Grey) -> Floats:
    """(w,) y of the lowest edge in each column; nan where there is no ink."""
    return len(dark) - _first(dark[::-1])


def lefts(dark: Grey) -> Floats:
    """(h,) x of the leftmost edge in each row; nan where there is no ink."""
    return _first(dark.T)


def rights(dark: Grey) -> Floats:
    """(h,) x of the rightmost edge in each row; nan where there is no ink."""
    return dark.shape[1] - _first(dark.T[::-1])


def undersides(dark: Grey) -> Floats:
    """(w,) y at which the uppermost ink of each column ends; nan where there is none."""
    inked = dark >= HALF
    first = inked.argmax(axis=0)
    columns = np.arange(dark.shape[1])
    after = ~inked & (np.arange(len(dark))[:, None] > first)
    end = np.where(after.any(axis=0), after.argmax(axis=0), len(dark))
    high = dark[np.maximum(end - 1, 0), columns]
    low = np.where(end < len(dark), dark[np.minimum(end, len(dark) - 1), columns], 0.0)
    y: Floats = end - 0.5 + _share(high, low)
    y[~inked.any(axis=0)] = np.nan
    return y


def _first(dark: Grey) -> Floats:
    """Where each column crosses the half level for the first time, from row 0 on."""
    inked = dark >= HALF
    at = inked.argmax(axis=0)
    columns = np.arange(dark.shape[1])
    high = dark[at, columns]
    low = np.where(at > 0, dark[np.maximum(at - 1, 0), columns], 0.0)
    y: Floats = at + 0.5 - _share(high, low)
    y[high < HALF] = np.nan
    return y


def _share(high: Floats, low: Floats) -> Floats:
    """How far from the darker of two neighbours toward the paler one the half level lies."""
    return np.asarray((high - HALF) / np.maximum(high - low, 1e-6))


def white_between(dark: Grey, a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """The two edges of the white between points a and b (2,) that lie in ink."""
    along = b - a
    length = float(np.hypot(*along))
    unit = along / max(length, 1e-9)
    place = np.arange(-BEYOND, length + BEYOND + STEP, STEP)
    values = sampled(dark, a + place[:, None] * unit)
    middle = int(np.argmin(np.where((place >= 0) & (place <= length), values, 2.0)))
    before = _crossing(place[middle::-1], values[middle::-1], 0.0)
    after = _crossing(place[middle:], values[middle:], length)
    return a + before * unit, a + after * unit


def is_white(dark: Grey, a: Floats, b: Floats, beside: float = 0.0) -> bool:
    """Whether skin shows somewhere on the way from a to b; pale ink, a blurred hairline, are none.

    Ink up to `beside` px away from the straight way counts as well.
    """
    along = b - a
    length = float(np.hypot(*along))
    place = np.linspace(0.0, 1.0, max(3, int(length / STEP) + 1))[:, None, None]
    aside = np.arange(-beside, beside + 1.0)[:, None]
    across = np.array([-along[1], along[0]]) / max(length, 1e-9)
    points = a + place * along + aside * across
    values = sampled(dark, points.reshape(-1, 2)).reshape(points.shape[:2])
    return float(values.max(axis=1).min()) <= SKIN


def _crossing(place: Floats, values: Floats, otherwise: float) -> float:
    """Where values first rise to the half level."""
    over = values >= HALF
    k = int(over.argmax())
    if not over[k] or k == 0:
        return otherwise
    share = float((HALF - values[k - 1]) / max(values[k] - values[k - 1], 1e-6))
    return float(place[k - 1] + share * (place[k] - place[k - 1]))


def sampled(dark: Grey, points: Floats) -> Floats:
    """Values at points (N, 2), px, between the four pixels around each."""
    height, width = dark.shape
    x = np.clip(points[:, 0] - 0.5, 0.0, width - 1.001)
    y = np.clip(points[:, 1] - 0.5, 0.0, height - 1.001)
    i, j = x.astype(np.int64), y.astype(np.int64)
    u, v = x - i, y - j
    upper = dark[j, i] * (1 - u) + dark[j, i + 1] * u
    lower = dark[j + 1, i] * (1 - u) + dark[j + 1, i + 1] * u
    return np.asarray(upper * (1 - v) + lower * v, np.float64)
