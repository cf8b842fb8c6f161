"""Which letters a form can lie between, how their parts correspond, and where parts come to touch.

A pair also lists the defects that are in doubt on the way. Parts that come to touch are he's leg
and its roof, or two heads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import Part
from crownlet.datasets.render.letterforms.outlines import Region

_HEAD_PAIRS = (("roof", "head"),)

_BENT_PAIRS = (("roof", "head"), ("wall", "neck"))

_HANGING_PARTS = ("leg_left", "roof")

DOUBTFUL_DEFECTS: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("ד", "ר"): ("corner_rounded", "heel_missing"),
    ("ר", "ד"): ("corner_squared",),
    ("ד", "ך"): ("corner_rounded", "heel_missing", "leg_long"),
    ("ך", "ד"): ("corner_squared", "leg_short"),
    ("ר", "ך"): ("leg_long",),
    ("ך", "ר"): ("leg_short",),
    ("ב", "כ"): ("corner_rounded", "heel_missing"),
    ("כ", "ב"): ("corner_squared",),
    ("ב", "נ"): ("corner_rounded", "heel_missing"),
    ("ג", "נ"): ("foot_level",),
    ("ה", "ח"): ("leg_touches_roof",),
    ("ה", "ת"): ("leg_touches_roof",),
    ("ה", "ד"): ("leg_short",),
    ("ד", "ה"): ("heel_missing",),
    ("ה", "ק"): ("corner_rounded",),
    ("ק", "ה"): ("leg_short",),
    ("ו", "י"): ("leg_short",),
    ("י", "ו"): ("leg_long", "kotz_missing"),
    ("ו", "ן"): ("leg_long",),
    ("ן", "ו"): ("leg_short",),
    ("ז", "ן"): ("leg_long",),
    ("ן", "ז"): ("leg_short",),
    ("ס", "ם"): ("corner_squared",),
    ("ם", "ס"): ("corner_rounded",),
    ("מ", "ם"): ("ring_closed",),
    ("ם", "מ"): ("corner_rounded",),
    ("ט", "ס"): ("heads_touch",),
    ("פ", "כ"): ("head_melted",),
    ("צ", "ע"): ("yud_misplaced",),
}
"""Defects which a letter begins to show on its way to another; how far is not measured."""


_NECK_SHARE, _MIN_NECK_Q, _NECK_LENGTH_Q = 0.5, 0.22, 0.5
"""Share of its width that a leg keeps where it just touches its roof; the neck's size in q."""


@dataclass(frozen=True)
class MorphWay:
    """How two letters correspond: which parts answer each other besides those of one name.

    One of `<>^!` behind a name means its left, right, upper or lower half. `course` is how far
    outlines have moved when a third, half and two thirds of the way are gone.
    """

    parts: tuple[tuple[str, str], ...] = ()
    course: tuple[float, float, float] = (1 / 3, 1 / 2, 2 / 3)
    closes: tuple[str, str] | None = None
    """Two parts that come to touch on the way."""
    meets: float = 0.5
    """How much of the way is gone when they do."""
    necked: bool = False
    """Of `closes`: the leg that touches, `leg_left`, has a thin neck when it just does."""
    shrinks: str | None = None
    """A part that lies by itself and dwindles to a point where it lies."""


MORPH_WAYS: Mapping[str, MorphWay] = {
    "דר": MorphWay(),
    "דך": MorphWay(),
    "רך": MorphWay(),
    "בכ": MorphWay(),
    "בנ": MorphWay(_BENT_PAIRS),
    "כנ": MorphWay(_BENT_PAIRS),
    "גנ": MorphWay((("leg", "neck"), ("foot", "base"))),
    "הח": MorphWay((("leg", "leg_right"),), closes=_HANGING_PARTS, necked=True),
    "הת": MorphWay(closes=_HANGING_PARTS, necked=True),
    "חת": MorphWay((("leg_right", "leg"),)),
    "הד": MorphWay(course=(0.5, 0.68, 0.84), shrinks="leg_left"),
    "הק": MorphWay(),
    "וז": MorphWay(),
    "וי": MorphWay(),
    "רו": MorphWay(_HEAD_PAIRS),
    "ון": MorphWay(),
    "זן": MorphWay(),
    "ךן": MorphWay(_HEAD_PAIRS),
    "סם": MorphWay(),
    "מם": MorphWay(
        (("head", "roof<"), ("roof", "roof>"), ("leg_left", "wall_left")),
        closes=("leg_left", "base"),
    ),
    "טס": MorphWay(
        (("head_left", "roof<"), ("head_right", "roof>"), ("leg_left", "wall_left")),
        closes=("head_left", "head_right"),
        meets=0.6,
    ),
    "כפ": MorphWay(course=(0.2, 0.35, 0.5)),
    "צע": MorphWay((("neck", "leg"), ("joint", "thigh^"), ("base", "thigh!"))),
}
"""Pairs with a drawable way between them (Rambam, Tefillin 1:19; Mishnah Berurah 32:14; Keset 5:2).
"""


@cache
def morph_partners(letter: str) -> tuple[str, ...]:
    """Letters towards which `letter` can be drawn."""
    return tuple(pair.replace(letter, "") for pair in MORPH_WAYS if letter in pair)


def touching_pairs(way: MorphWay, pairs: Sequence[tuple[Part, Part]]) -> tuple[int, int]:
    """Which of the pairs come to touch. TypeError for a way on which none do."""
    names = [pair[0].name for pair in pairs]
    if way.closes is None:
        raise TypeError("on this way nothing comes to touch")
    return names.index(way.closes[0]), names.index(way.closes[1])


def neck_share(t: float) -> float:
    """The share of its width that the upper end of a leg has at `t` of the way."""
    return float(np.interp(t, (0.25, 0.5, 2 / 3, 0.75), (1.0, _NECK_SHARE, 0.9, 1.0)))


def morph_course(
    way: MorphWay, pairs: Sequence[tuple[Part, Part]], twins: Sequence[tuple[Outline, Outline]]
) -> tuple[float, float, float]:
    """How far outlines have moved at a third, half, two thirds of the way."""
    if way.closes is None:
        return way.course
    ends = [twins[place] for place in touching_pairs(way, pairs)]
    low, high = 0.0, 1.0
    for _ in range(9):
        s = (low + high) / 2
        one, other = ((1 - s) * first + s * last for first, last in ends)
        if way.necked:
            one = narrow_neck(one, other, _NECK_SHARE)
        low, high = (s, high) if Region([other]).clearance(one).min() > 0 else (low, s)
    # A third from the letters the gap is still visible, and the contact a neck rather than a hair.
    if way.meets > 0.5:  # Sides that meet all along leave no doubt when they have met.
        half = high * float(np.interp(0.5, (1 / 3, way.meets), (0.7, 1.0)))
        return 0.7 * high, half, half + (high - half) / 6 / (way.meets - 0.5)
    return 0.7 * high, high, high + 0.3 * (1 - high)


def narrow_neck(leg: Outline, roof: Outline, share: float) -> Outline:
    """The leg, its upper end under the roof drawn in to `share` of its width."""
    top = float(leg[:, 1].min())
    left, right = Region([leg]).spans(np.array([top + 0.15]))
    width = float(right[0] - left[0])
    if share == 1.0 or not width > _MIN_NECK_Q:
        return leg
    eaves = float(Region([roof]).spans(np.array([top - 0.1]))[0][0])
    middle = float(np.nanmax([(left[0] + right[0]) / 2, eaves + _MIN_NECK_Q]))
    hits = Region([roof]).along(np.array([middle, -1.0]), np.array([0.0, 1.0]))
    under = max(top, float(hits[-1]) - 1.0 if len(hits) else top)
    fade = np.clip(1.0 - (leg[:, 1] - under) / _NECK_LENGTH_Q, 0.0, 1.0)
    drawn_in = 1.0 - (1.0 - max(share, _MIN_NECK_Q / width)) * fade
    return np.stack([middle + (leg[:, 0] - middle) * drawn_in, leg[:, 1]], axis=1)
