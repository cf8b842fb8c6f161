"""Legs too short or too long, drawn by moving their ends (Mishnat Sofrim under each letter)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import Entry, Family, graded, marked, pick
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand

SHORTENED: dict[str, tuple[str, ...]] = {
    "ד": ("leg",), "ה": ("leg", "leg_left"), "ו": ("leg",), "ז": ("leg",), "י": ("leg",),
    "ך": ("leg",), "ן": ("leg",), "ף": ("leg",), "ץ": ("leg",), "ק": ("leg_left",),
    "ר": ("leg",), "ת": ("leg_left",),
}  # fmt: skip
LENGTHENED: dict[str, tuple[str, ...]] = dict.fromkeys("דוזיר", ("leg",))
_REST = 0.3
"""Of a leg at least this many q stay visible under its head or roof."""


def leg_short(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """A leg shortened from its end; size = the length that is missing, in q."""
    names = SHORTENED[glyph.letter]
    leg = glyph.part(names[pick(rng, len(names))])
    above, end = _hold(glyph, leg), float(leg.outline[:, 1].max())
    room = end - above - _REST
    if room < 0.25:
        return None
    missing = graded(plainness, 0.0, 0.15 * room, 0.5 * room, room)
    changed = [_ended(leg, above, -missing)]
    if glyph.letter == "ת":
        changed.append(glyph.part("foot").moved(0.0, -missing))
    return marked(glyph.with_parts(changed), "leg_short", missing, plainness, (leg.name,))


def leg_long(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """A leg lengthened from its end; size = the length too much, in q."""
    names = LENGTHENED[glyph.letter]
    leg = glyph.part(names[pick(rng, len(names))])
    most = 1.1 if glyph.letter == "י" else 1.9
    excess = graded(plainness, 0.0, 0.15 * most, 0.5 * most, most)
    longer = _ended(leg, _hold(glyph, leg), excess)
    return marked(glyph.with_parts([longer]), "leg_long", excess, plainness, (leg.name,))


def _hold(glyph: Glyph, leg: Part) -> float:
    """Height above which the leg stays as it is: where it comes out of its head or roof."""
    top = float(leg.outline[:, 1].min())
    others = [p for p in glyph.parts if p.kind in ("head", "roof", "joint")]
    if leg.name == "leg_left" and glyph.letter in "הק":
        return top + 0.3
    low = [float(p.outline[:, 1].max()) for p in others]
    return min(max(low, default=top), float(leg.outline[:, 1].max()) - 0.1)


def _ended(leg: Part, above: float, shift: float) -> Part:
    """The leg with its end moved down by `shift` q, unchanged above height `above`."""
    y = leg.outline[:, 1]
    length = float(y.max()) - above
    moved = np.where(y > above, above + (y - above) * (length + shift) / length, y)
    return replace(leg, outline=np.stack([leg.outline[:, 0], moved], axis=1))


FAMILY: Family = {
    "leg_short": Entry("".join(SHORTENED), leg_short),
    "leg_long": Entry("".join(LENGTHENED), leg_long),
}
