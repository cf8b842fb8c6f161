"""The leg of he and kuf on its roof: it must hang free, even of a hair's contact (Orach Chayim
32:18; Mishnah Berurah 32:82-83)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import (
    DOUBTFUL,
    Entry,
    Family,
    bar,
    graded,
    marked,
)
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Region

_NEAREST = 0.1
"""White that is left over the leg just before it touches, in q."""
_WIDEST, _SHARE = 0.32, 0.4
"""A contact is no wider than this in q, nor than this share of the leg's own top.."""
_LEAST = 0.14
""".. but on a thin leg so wide, to be seen where a letter is small .."""
_FUSED = 0.15
""".. but for so many of the plain ones, in which the leg melts into the roof as a chet's does."""
_HAIRY, _CHETLIKE = 0.05, 0.3
"""A he that touches by this width in q is a he with a contact; by that, as well a chet."""


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
        rise = graded(plainness, 0.0, max(0.0, _room_over(leg, roof) - _NEAREST), 0, 0)
        return marked(glyph.with_parts([_raised(leg, rise)]), "leg_touches_roof", 0.0, plainness)
    names = ("roof", "leg_left")
    # Fused along its whole thickness it would be a plain chet's or tav's leg: another letter.
    wide = _width_below(leg, top)
    most, share = min(_WIDEST, max(_SHARE * wide, _LEAST)), graded(plainness, 0, 0.1, 0.16, 0.22)
    # A leg begun too high touches with its tip; what touches widely is a bridge of ink, with its
    # corners, for a leg that widens softly from the roof is a plain chet's.
    if rng.random() < 0.4:
        rise = top - under + graded(plainness, 0, 0.015, 0.08, 0.35)
        least = graded(plainness, 0, 0.02, 0.1, 0.12)
        raised = _narrowed(_raised(leg, rise), under, max(share * wide, 1.1 * least))
        left, right = Region([raised.outline]).spans(np.array([under]))
        width = float(np.nan_to_num(right - left)[0])
        if width > least:
            touched = glyph.with_parts([raised])
            touched = _chetlike(touched, width)
            return marked(touched, "leg_touches_roof", width, plainness, names)
    width = min(graded(plainness, 0, 0.035, 0.13, 0.38) * float(rng.uniform(0.75, 1.15)), most)
    if rng.random() < _FUSED:
        width = max(width, graded(plainness, 0, 0.035, 0.2, 0.95) * wide)
    skew = float(rng.uniform(-0.08, 0.08))
    edge, _right = Region([roof.outline]).spans(np.array([under - 0.15]))
    root = max(x + skew, float(edge[0]) + width / 2 + 0.06)
    start, end = np.array([root, under - 0.15]), np.array([_middle_below(leg, top), top + 0.25])
    thickness = width * float(end[1] - start[1]) / float(np.hypot(*(end - start)))
    bridge = Part("bridge", "joint", bar(start, end, thickness))
    touched = _chetlike(glyph.with_parts([bridge]), width)
    return marked(touched, "leg_touches_roof", width, plainness, names)


def _chetlike(glyph: Glyph, width: float) -> Glyph:
    """A contact by a hair leaves a he; the wider it is the more it is a chet (Mishnat Sofrim)."""
    if glyph.letter != "ה" or width <= _HAIRY or glyph.share > 0.0:
        return glyph
    share = 0.5 * min(1.0, (width - _HAIRY) / (_CHETLIKE - _HAIRY))
    return replace(glyph, other="ח", share=share)


def _raised(leg: Part, rise: float) -> Part:
    """The leg drawn upward by `rise` q at its top, its lower end unmoved."""
    y = leg.outline[:, 1]
    share = (y.max() - y) / (y.max() - y.min() + 1e-9)
    return replace(leg, outline=leg.outline - np.stack([0 * y, rise * share], axis=1))


def _room_over(leg: Part, roof: Part) -> float:
    """Least height of the white between any point of the leg's upper end and the roof."""
    region, y = Region([roof.outline]), leg.outline[:, 1]
    room = 9.0
    for point in leg.outline[y < y.min() + 0.5]:
        hits = region.along(np.array([point[0], 0.0]), np.array([0.0, 1.0]))
        if len(hits):
            room = min(room, float(point[1] - hits[-1]))
    return room


def _middle_below(leg: Part, top: float) -> float:
    """x of the middle of the leg 0.25 q below its top."""
    left, right = Region([leg.outline]).spans(np.array([top + 0.25]))
    return float((left + right)[0]) / 2


def _width_below(leg: Part, top: float) -> float:
    """How wide the leg is 0.25 q below its top."""
    left, right = Region([leg.outline]).spans(np.array([top + 0.25]))
    return float(np.nan_to_num(right - left)[0])


def _narrowed(leg: Part, under: float, width: float) -> Part:
    """The leg brought to at most `width` where it meets the roof at y = `under`, its full width
    from 0.35 q below."""
    region = Region([leg.outline])
    left, right = region.spans(np.array([under + 0.02]))
    if np.isnan(left).any() or right[0] - left[0] <= width:
        return leg
    x, y = leg.outline[:, 0], leg.outline[:, 1]
    middle = float(left[0] + right[0]) / 2
    factor = 1 - (1 - width / float(right[0] - left[0])) * np.clip((under + 0.35 - y) / 0.33, 0, 1)
    return replace(leg, outline=np.stack([middle + (x - middle) * factor, y], axis=1))


FAMILY: Family = {"leg_touches_roof": Entry("הק", leg_touches_roof)}
