"""Contacts inside a letter: the hanging leg of he and kuf touches the roof.

It must hang free, even of a hair's contact, and a gap of any size is enough (Orach Chayim 32:18;
Mishnah Berurah 32:82-83).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import DOUBTFUL, Entry, Family, bar, graded, marked
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Region

_NEAREST = 0.1
"""White that is left over the leg just before it touches, in q."""


def leg_touches_roof(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The left leg raised to the roof, or bridged to it; size = width of the contact in q.

    Below 1/3 the leg comes near without touching: size 0.
    """
    leg, roof = glyph.part("leg_left"), glyph.part("roof")
    head = leg.outline[leg.outline[:, 1] < leg.outline[:, 1].min() + 0.1]
    x, top = float(head[:, 0].mean()), float(head[:, 1].min())
    hits = Region([roof.outline]).along(np.array([x, 0.0]), np.array([0.0, 1.0]))
    if len(hits) < 2 or top <= hits[-1]:
        return None
    under = float(hits[-1])
    if plainness < DOUBTFUL:
        rise = graded(plainness, 0.0, max(0.0, top - under - _NEAREST), 0, 0)
        return marked(glyph.with_parts([_raised(leg, rise)]), "leg_touches_roof", 0.0, plainness)
    names = ("roof", "leg_left")
    # A wide contact comes of a leg begun too high rather than of a bridge of ink.
    if rng.random() < graded(plainness, 0, 0.4, 0.5, 0.9):
        rise = top - under + graded(plainness, 0, 0.015, 0.08, 0.35)
        raised = _raised(leg, rise)
        left, right = Region([raised.outline]).spans(np.array([under]))
        width = float(np.nan_to_num(right - left)[0])
        if width > 0.02:
            touched = glyph.with_parts([raised])
            return marked(touched, "leg_touches_roof", width, plainness, names)
    width = graded(plainness, 0, 0.035, 0.1, 0.26) * float(rng.uniform(0.85, 1.15))
    skew = float(rng.uniform(-0.08, 0.08))
    start, end = np.array([x + skew, under - 0.15]), np.array([x, top + 0.25])
    thickness = width * float(end[1] - start[1]) / float(np.hypot(*(end - start)))
    bridge = Part("bridge", "joint", bar(start, end, thickness))
    return marked(glyph.with_parts([bridge]), "leg_touches_roof", width, plainness, names)


def _raised(leg: Part, rise: float) -> Part:
    """The leg drawn upward by `rise` q at its top, its lower end unmoved."""
    y = leg.outline[:, 1]
    share = (y.max() - y) / (y.max() - y.min() + 1e-9)
    return replace(leg, outline=leg.outline - np.stack([0 * y, rise * share], axis=1))


FAMILY: Family = {"leg_touches_roof": Entry("הק", leg_touches_roof)}
