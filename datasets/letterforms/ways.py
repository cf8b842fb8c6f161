"""Which letters a form can lie between, how parts correspond, what else is then in doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache


@dataclass(frozen=True)
class Between:
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


_HEAD = (("roof", "head"),)
_BENT = (("roof", "head"), ("wall", "neck"))
_HANGING = ("leg_left", "roof")

BETWEEN: Mapping[str, Between] = {
    "דר": Between(),
    "דך": Between(),
    "רך": Between(),
    "בכ": Between(),
    "בנ": Between(_BENT),
    "כנ": Between(_BENT),
    "גנ": Between((("leg", "neck"), ("foot", "base"))),
    "הח": Between((("leg", "leg_right"),), closes=_HANGING, necked=True),
    "הת": Between(closes=_HANGING, necked=True),
    "חת": Between((("leg_right", "leg"),)),
    "הד": Between(course=(0.5, 0.68, 0.84), shrinks="leg_left"),
    "הק": Between(),
    "וז": Between(),
    "וי": Between(),
    "רו": Between(_HEAD),
    "ון": Between(),
    "זן": Between(),
    "ךן": Between(_HEAD),
    "סם": Between(),
    "מם": Between(
        (("head", "roof<"), ("roof", "roof>"), ("leg_left", "wall_left")),
        closes=("leg_left", "base"),
    ),
    "טס": Between(
        (("head_left", "roof<"), ("head_right", "roof>"), ("leg_left", "wall_left")),
        closes=("head_left", "head_right"),
        meets=0.6,
    ),
    "כפ": Between(course=(0.2, 0.35, 0.5)),
    "צע": Between((("neck", "leg"), ("joint", "thigh^"), ("base", "thigh!"))),
}
"""Pairs with a drawable way between them (Rambam, Tefillin 1:19; Mishnah Berurah 32:14; Keset 5:2).
"""


SIGNS: Mapping[tuple[str, str], tuple[str, ...]] = {
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
    ("צ", "ע"): ("yud_astray",),
}
"""Defects which a letter begins to show on its way to another; how far is not measured."""


@cache
def partners(letter: str) -> tuple[str, ...]:
    """Letters towards which `letter` can be drawn."""
    return tuple(pair.replace(letter, "") for pair in BETWEEN if letter in pair)
