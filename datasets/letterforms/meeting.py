"""Where two parts come to meet on the way between two letters: he's leg and its roof, two heads."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crownlet.datasets.letterforms.glyph import Outline, Part
from crownlet.datasets.letterforms.outlines import Region
from crownlet.datasets.letterforms.ways import Between

_NECK, _THINNEST, _LONG = 0.5, 0.22, 0.5
"""Of its width a leg keeps so much where it just touches its roof, but so many q; the neck's q."""


def places(way: Between, pairs: Sequence[tuple[Part, Part]]) -> tuple[int, int]:
    """Which of the pairs come to touch. TypeError for a way on which none do."""
    names = [pair[0].name for pair in pairs]
    if way.closes is None:
        raise TypeError("on this way nothing comes to touch")
    return names.index(way.closes[0]), names.index(way.closes[1])


def neck_at(t: float) -> float:
    """The share of its width that the upper end of a leg has at `t` of the way."""
    return float(np.interp(t, (0.25, 0.5, 2 / 3, 0.75), (1.0, _NECK, 0.9, 1.0)))


def course(
    way: Between, pairs: Sequence[tuple[Part, Part]], twins: Sequence[tuple[Outline, Outline]]
) -> tuple[float, float, float]:
    """How far outlines have moved at a third, half, two thirds of the way."""
    if way.closes is None:
        return way.course
    ends = [twins[place] for place in places(way, pairs)]
    low, high = 0.0, 1.0
    for _ in range(9):
        s = (low + high) / 2
        one, other = ((1 - s) * first + s * last for first, last in ends)
        if way.necked:
            one = necked(one, other, _NECK)
        low, high = (s, high) if Region([other]).clearance(one).min() > 0 else (low, s)
    # A third from the letters the white is still seen, and the contact a neck rather than a hair.
    if way.meets > 0.5:  # Sides that meet all along leave no doubt when they have met.
        half = high * float(np.interp(0.5, (1 / 3, way.meets), (0.7, 1.0)))
        return 0.7 * high, half, half + (high - half) / 6 / (way.meets - 0.5)
    return 0.7 * high, high, high + 0.3 * (1 - high)


def necked(leg: Outline, roof: Outline, share: float) -> Outline:
    """The leg, its upper end under the roof drawn in to `share` of its width."""
    top = float(leg[:, 1].min())
    left, right = Region([leg]).spans(np.array([top + 0.15]))
    width = float(right[0] - left[0])
    if share == 1.0 or not width > _THINNEST:
        return leg
    eaves = float(Region([roof]).spans(np.array([top - 0.1]))[0][0])
    middle = float(np.nanmax([(left[0] + right[0]) / 2, eaves + _THINNEST]))
    hits = Region([roof]).along(np.array([middle, -1.0]), np.array([0.0, 1.0]))
    under = max(top, float(hits[-1]) - 1.0 if len(hits) else top)
    fade = np.clip(1.0 - (leg[:, 1] - under) / _LONG, 0.0, 1.0)
    drawn_in = 1.0 - (1.0 - max(share, _THINNEST / width)) * fade
    return np.stack([middle + (leg[:, 0] - middle) * drawn_in, leg[:, 1]], axis=1)
