"""Lines brought to one width: letters that may stretch are stretched, full lines are narrowed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.page.layout import Habits, Placed, line_width, set_line
from crownlet.datasets.page.scribe import Crowning, write
from crownlet.datasets.page.silhouette import silhouette

MOST_STRETCH = 16.0
"""Longest stretch of one letter in q: letters about six times as wide as they are high occur."""

ROOFED = "דהלרת"
"""Letters that scribes stretch; bet, kaf and final mem stay as they are in nearly all writing."""
LEAST_WIDTH = 0.78
"""Narrowest a letter is pressed at the end of a full line."""


def justify(
    letters: list[Placed],
    width: float,
    hand: Hand,
    crowning: Crowning,
    habits: Habits,
    rng: np.random.Generator,
) -> list[Placed]:
    """Set a line to `width` q: narrow its gaps, or stretch letters, those at its end first."""
    seed = int(rng.integers(1 << 62))
    placed = set_line(letters, habits, seed)
    over = line_width(placed) - width
    if over > 0:
        return _narrowed(letters, placed, width, habits, seed)
    able = _able(letters, rng)
    if not able or over > -0.3:
        return placed
    chosen = _choose(able, -over, hand, rng)
    letters = list(letters)
    for i, extra in chosen.items():
        old = letters[i]
        glyph = write(old.slot, hand, crowning, old.seed, extra)
        letters[i] = replace(old, glyph=glyph, outline=silhouette(glyph))
    return set_line(letters, habits, seed)


def _able(letters: list[Placed], rng: np.random.Generator) -> list[int]:
    """Which letters take the slack: those with a long roof, seldom others that could be wider."""
    able = [i for i, letter in enumerate(letters) if letter.glyph.stretch is not None]
    roofed = [i for i in able if letters[i].slot.letter in ROOFED]
    return roofed if roofed and rng.random() < 0.9 else able


def _choose(
    able: list[int], missing: float, hand: Hand, rng: np.random.Generator
) -> dict[int, float]:
    """Which letters take how much of the missing width: mostly the last ones of the line."""
    count = 1 + int(rng.random() < 0.5) + int(missing > MOST_STRETCH)
    if rng.random() < 0.75:
        chosen = able[-count:]
    else:
        chosen = sorted(rng.choice(able, size=min(count, len(able)), replace=False).tolist())
    shares = rng.dirichlet(np.full(len(chosen), 2.0))
    habit = min(1.0, 0.5 + hand.stretch_habit)
    return {
        i: min(MOST_STRETCH, float(missing * share * habit))
        for i, share in zip(chosen, shares, strict=True)
    }


def _narrowed(
    letters: list[Placed], placed: list[Placed], width: float, habits: Habits, seed: int
) -> list[Placed]:
    for squeeze in (0.85, 0.7, 0.55):
        if line_width(placed) <= width:
            break
        placed = set_line(letters, habits, seed, squeeze)
    over = line_width(placed) - width
    if over <= 0.5 or len(letters) < 4:
        return placed
    last = len(letters) // 2  # a scribe sees the end of the line coming
    room = sum(p.outline.body[1] - p.outline.body[0] for p in letters[last:])
    share = max(LEAST_WIDTH, 1.0 - over / room)
    return set_line([*letters[:last], *(_pressed(p, share) for p in letters[last:])],
                    habits, seed, 0.55)  # fmt: skip


def _pressed(letter: Placed, share: float) -> Placed:
    """The letter narrowed to `share` of its width."""
    glyph = letter.glyph.mapped(lambda outline: outline * (share, 1.0))
    return replace(letter, glyph=glyph, outline=silhouette(glyph))
