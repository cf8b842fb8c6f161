"""What a page's record holds of the hand that wrote it.

How its letters were learned (`HandRecord`), what it does as a rule (`HabitRecord`), and whether the
promise covers it (`HandFamiliarity`). Glyphs are numbered from 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class HandForm:
    """How the letters of one class by one hand are read."""

    letter: str
    letters: int
    """Letters that the text has as this one."""
    misread: int
    """How many of them the networks alone read as another letter."""
    taken_for: str
    """The letter as which they read most of these; "" for none."""
    still_misread: int
    """How many of these are read as another letter with the hand known as well: look at them."""


@dataclass(frozen=True)
class HandRecord:
    """Whether the scroll's own letters helped to read it, and what that changed."""

    learned: bool
    """Whether from letters that its text confirms."""
    why: str
    """One sentence: from how many letters, or why not."""
    letters: int = 0
    """Letters that the text confirms, of all pages together."""
    pages: int = 0
    weight_networks: float = 1.0
    weight_hand: float = 0.0
    gain: float = 0.0
    """Mean gain of the confirmed letters' log likelihood, each left out of its own form; nats."""
    changed: tuple[tuple[int, str, str], ...] = ()
    """Letters read otherwise: number from 1, letter by the networks alone, letter now. Without a
    text by the letters of the page that are surely read or that the language makes likely."""
    forms: tuple[HandForm, ...] = ()


HabitKind = Literal["habit", "unsteady", "repeated", "doubted"]
"""`habit`: the hand's own way, its letters are evidence. `unsteady`: often and often not.
`repeated`: often or as a rule, and each letter stays a place of its own, the defect being no way of
writing. `doubted`: in doubt on many letters of a hand that the promise does not cover, and asked
once; its letters are those in doubt."""


DOUBTED: HabitKind = "doubted"


@dataclass(frozen=True)
class HabitLetter:
    """How often the letters of one form show a defect."""

    letter: str
    seen: int
    judged: int


@dataclass(frozen=True)
class HabitRecord:
    """One statement on a hand: a defect that it has as a rule, or now and then."""

    defect: str
    tags_expected: int | None
    """Of crowns, how many the letters ask for; None for other defects."""
    kind: HabitKind
    letters: tuple[HabitLetter, ...]
    """The forms concerned, in the order of the alphabet."""
    seen: int
    """Letters that show it, by the same threshold as a finding."""
    judged: int
    doubted: int
    """Of those judged, letters in doubt."""
    glyphs: tuple[int, ...]
    """Numbers of the letters that show it: the evidence."""
    exceptions: tuple[int, ...]
    """Numbers of the letters that do not, where that is the rule."""
    heading: str
    """The gravest heading of the letters concerned, as in a finding."""
    message: str
    """One plain sentence."""
    likely: int | None = None
    """Letters that are likelier than not to show it, those seen among them; None in older runs."""
    sure: bool = True
    """Whether it is a finding; on a page of which nothing is more than a review it is a review."""

    @property
    def share(self) -> float:
        """Estimated share of the judged letters that show it.

        At least `seen` of them do, as surely as a finding, and at most `doubted` more.
        """
        return (self.seen if self.likely is None else self.likely) / max(self.judged, 1)


@dataclass(frozen=True)
class HandFamiliarity:
    """Whether the writing of a page is like the hands over which the promise was made."""

    known: bool
    distance: float | None = None
    """Distance of a letter to the usual form of the letter read, as a share of the distance to the
    nearest other form; the median over the page. None where the networks do not give it."""
    unevenness: float | None = None
    """How far letters of one kind differ, as a share of the usual distance between two letters;
    None as before, or with too few letters of one kind."""
    message: str = ""
    """One sentence on what that means for the promise; "" for a known hand."""
