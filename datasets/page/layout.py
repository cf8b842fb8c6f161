"""Letters set from right to left on ruled lines, by the spacing of the hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.letterforms.glyph import DefectMark, Glyph, Outline
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.page.faults import Slot
from crownlet.datasets.page.nesting import nests, shortened
from crownlet.datasets.page.scribe import Crowning, write
from crownlet.datasets.page.silhouette import Silhouette, clearance, silhouette
from crownlet.datasets.page.touching import bridged, moved_together

CLOSEST_WORDS = 0.15
"""Least white in q by which the gap between words passes that between letters."""
NESTING = 0.25
"""Share of pages whose hand sets yuds over the bases of other letters."""
DEEPEST, DEEPEST_NEST = 0.6, 1.6
"""Most idle white in q taken out between two letters."""


@dataclass(frozen=True)
class Habits:
    """Spacing habits of one page, in q, and the least white between letters that do not touch."""

    letter_gap: float
    word_gap: float
    kern: float
    """Share of idle white between open shapes which is taken out (0 sets by body edges)."""
    uneven: float
    tightest: float
    nests: bool = False
    """Yuds hang over the base of the letter before them."""

    @property
    def contrast(self) -> float:
        """How plain, 0 to 1, a gap of the wrong kind is: where the two are alike, hardly."""
        return float(np.clip((self.word_gap - self.letter_gap) / 0.5, 0.0, 1.0))


@dataclass(frozen=True)
class Placed:
    """A letter on its line: add (x, y) q to its outlines to have it on the page."""

    slot: Slot
    glyph: Glyph
    outline: Silhouette
    seed: int
    x: float = 0.0
    y: float = 0.0
    marks: tuple[DefectMark, ...] = ()
    """Faults of its text and of its neighbourhood."""
    gap_marks: tuple[DefectMark, ...] = ()
    """Faults of the gap to its right."""
    extra: tuple[Outline, ...] = ()
    """Ink that belongs to no part, from this letter's origin."""
    about: tuple[float, float] | None = None
    """Point about which the letter is turned upside down."""

    @property
    def body(self) -> tuple[float, float]:
        """Leftmost and rightmost ink of the body on the page, in q."""
        return self.x + self.outline.body[0], self.x + self.outline.body[1]


def draw_habits(hand: Hand, tightest: float, close: float, rng: np.random.Generator) -> Habits:
    """This page's spacing, about the hand's habit; `close` is the chance of narrow word gaps."""
    letter_gap = max(tightest, hand.letter_gap * float(rng.uniform(0.8, 1.2)))
    word_gap = max(hand.word_gap * float(rng.uniform(0.8, 1.2)), 2.0 * hand.letter_gap + 0.1)
    uneven = float(rng.uniform(0.05, 0.3))
    if rng.random() < close:  # words still part, by little: such a hand must be even
        word_gap = min(word_gap, float(rng.uniform(1.3, 1.8)) * letter_gap + CLOSEST_WORDS)
        uneven = min(uneven, 0.12)
    if rng.random() < NESTING:
        return Habits(letter_gap, word_gap, float(rng.uniform(0.8, 1.0)), uneven, tightest, True)
    return Habits(letter_gap, word_gap, float(rng.uniform(0.0, 0.7)), uneven, tightest)


def write_line(
    slots: tuple[Slot, ...],
    hand: Hand,
    crowning: Crowning,
    habits: Habits,
    rng: np.random.Generator,
) -> list[Placed]:
    """All letters of a line in their natural width, not yet set."""
    written: list[Placed] = []
    for slot, seed in zip(slots, rng.integers(1 << 62, size=len(slots)), strict=True):
        glyph = write(slot, hand, crowning, int(seed))
        last = written[-1].slot if written else None
        if habits.nests and last and last.word == slot.word and nests(slot.letter, last.letter):
            glyph = shortened(glyph)
        written.append(Placed(slot, glyph, silhouette(glyph), int(seed), marks=slot.marks))
    return written


def set_line(
    letters: list[Placed], habits: Habits, seed: int, squeeze: float = 1.0
) -> list[Placed]:
    """Give each letter its x, the first one's body ending at 0; `squeeze` narrows every gap.

    The same seed gives the same unevenness, so that a line can be set again after stretching.
    """
    rng = np.random.default_rng(seed)
    placed: list[Placed] = []
    for letter in letters:
        if not placed:
            placed.append(replace(letter, x=-letter.outline.body[1]))
            continue
        placed.append(_set_beside(placed, letter, habits, rng, squeeze))
    return placed


def _set_beside(
    placed: list[Placed],
    letter: Placed,
    habits: Habits,
    rng: np.random.Generator,
    squeeze: float,
) -> Placed:
    """Set `letter` left of the last of `placed`, with the fault asked of the gap between them."""
    last = placed[-1]
    fault = last.slot.gap_fault
    parts_words = last.slot.word != letter.slot.word
    wide = parts_words != (fault in ("words_joined", "word_parted"))
    uneven = float(np.exp(habits.uneven * rng.normal()))
    habit = habits.word_gap if wide else habits.letter_gap
    gap = max(habits.tightest, habit * uneven * squeeze)
    white = clearance(last.outline, letter.outline)
    between = last.outline.body[0] - letter.outline.body[1]
    shift = between - gap
    if not wide:
        idle = max(0.0, white - shift - gap)
        shift += min(habits.kern * idle, DEEPEST_NEST if habits.nests else DEEPEST)
    shift = min(shift, white - habits.tightest)
    if fault == "letters_touch":
        return _touching(placed, letter, shift, rng)
    marks = () if fault is None else (DefectMark(fault, between - shift, habits.contrast),)
    return replace(letter, x=last.x + shift, gap_marks=marks)


def _touching(
    placed: list[Placed], letter: Placed, shift: float, rng: np.random.Generator
) -> Placed:
    """`letter` in contact with the last of `placed`, both marked."""
    last = placed[-1]
    bridge: tuple[Outline, ...] = ()
    found = None
    if rng.random() < 0.5:
        found = bridged(last.outline, letter.outline, shift, rng)
    if found is not None:
        bridge, mark = (found[0],), found[1]
    else:
        shift, mark = moved_together(last.outline, letter.outline, rng)
    placed[-1] = replace(last, marks=(*last.marks, mark))
    return replace(
        letter, x=last.x + shift, marks=(*letter.marks, mark), gap_marks=(mark,), extra=bridge
    )


def line_width(placed: list[Placed]) -> float:
    """From the right edge of the first body to the left edge of the last, in q."""
    return placed[0].body[1] - placed[-1].body[0] if placed else 0.0
