"""Legs too short or too long, drawn by moving their ends (Mishnat Sofrim under each letter)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import Entry, Family, doubted, graded, marked, pick
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand

SHORTENED: dict[str, tuple[str, ...]] = {
    "ד": ("leg",), "ה": ("leg", "leg_left"), "ו": ("leg",), "ז": ("leg",), "י": ("leg",),
    "ך": ("leg",), "ן": ("leg",), "ף": ("leg",), "ץ": ("leg",), "ק": ("leg_left",),
    "ר": ("leg",), "ת": ("leg_left",),
}  # fmt: skip
_REST = {"י": 0.08}
"""Of a leg at least 0.3 q stay visible under its head or roof; of a yud's, less."""
_SHORTEST = {"ו": 2.1, "ן": 3.5, "ך": 3.4}
"""y in q at which these end at the least: shorter they are yud, zayin and resh outright, and a
yud, a zayin and a resh written for another letter is `letter_swapped`."""
_LONGEST = {"י": 0.9, "ו": 0.9, "ז": 0.9}
"""Most, in q, by which these are too long; a final nun has at least 4 q (Mishnat Sofrim)."""
SHORT_LIKE = {"וleg": "י", "ןleg": "ז", "ךleg": "ר", "הleg_left": "ד", "קleg_left": "ה",
              "תleg_left": "ף", "ףleg": "פ", "ץleg": "צ"}  # fmt: skip
"""What a short leg makes of a letter: Mishnat Sofrim on vav, final nun, final kaf, he, kuf, tav,
final pe, final tsadi; Menachot 29b."""
LONG_LIKE = {"י": "ו", "ו": "ן", "ז": "ן", "ד": "ך", "ר": "ך"}
"""What a long one makes of it: Mishnat Sofrim under each; Mishnah Berurah 32:72."""


def leg_short(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """A leg shortened from its end; size = the length that is missing, in q."""
    names = [name for name in SHORTENED[glyph.letter] if glyph.has(name)]
    if not names:
        return None
    leg = glyph.part(names[pick(rng, len(names))])
    above, end = _hold(glyph, leg), float(leg.outline[:, 1].max())
    room = end - max(above + _REST.get(glyph.letter, 0.3), _SHORTEST.get(glyph.letter, 0.0))
    if room < 0.25:
        return None
    missing = graded(plainness, 0.0, 0.12 * room, 0.55 * room, room)
    changed = [_ended(leg, above, -missing)]
    if glyph.letter == "ת" and glyph.has("foot"):
        changed.append(glyph.part("foot").moved(0.0, -missing))
    spoilt = doubted(glyph.with_parts(changed), SHORT_LIKE.get(glyph.letter + leg.name), plainness)
    return marked(spoilt, "leg_short", missing, plainness, (leg.name,))


def leg_long(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """A leg lengthened from its end; size = the length too much, in q."""
    leg = glyph.part("leg")
    most = _LONGEST.get(glyph.letter, 1.9)
    excess = graded(plainness, 0.0, 0.15 * most, 0.5 * most, most)
    longer = glyph.with_parts([_ended(leg, _hold(glyph, leg), excess)])
    longer = doubted(longer, LONG_LIKE[glyph.letter], plainness)
    return marked(longer, "leg_long", excess, plainness, (leg.name,))


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
    "leg_long": Entry("".join(LONG_LIKE), leg_long),
}
