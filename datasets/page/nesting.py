"""Yuds set over the base of the letter before them, as hands do that save room.

Seen in old scrolls: the yud after nun, bet or pe hangs in the white above that letter's base.
"""

from __future__ import annotations

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, Glyph, Outline

YUD = "י"
OPEN = "בגכנעפצ"
"""Letters with a base that reaches left below white in which a yud finds room."""
LOWEST = 1.75
"""y in q at which such a yud ends at the latest: above the base, whose top is at 2."""


def nests(letter: str, before: str | None) -> bool:
    """Whether this letter may hang over the base of the one before it."""
    return letter == YUD and before is not None and before in OPEN


def shortened(glyph: Glyph) -> Glyph:
    """The letter with what hangs below the line pressed until it ends above a base."""
    low = max(float(part.outline[:, 1].max()) for part in glyph.parts if part.kind != "tag")
    if not LOWEST < low < BODY_HEIGHT:
        return glyph
    share = LOWEST / low

    def press(outline: Outline) -> Outline:
        pressed = outline.copy()
        pressed[:, 1] = pressed[:, 1].clip(max=0.0) + share * pressed[:, 1].clip(min=0.0)
        return pressed

    return glyph.mapped(press)
