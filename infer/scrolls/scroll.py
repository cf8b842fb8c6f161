"""One scroll: its sides, the notes on them, the comparison of crowns, and the evenness of its
hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from crownlet.infer.text.side import Side

SIDES: tuple[Side, ...] = ("face", "reverse")

CrownedSides = Literal["reverse_only", "face_only", "both", "neither", "mixed"]
"""On which side a letter form is crowned."""


@dataclass(frozen=True)
class CrownCounts:
    """Counts over the letters of one form on one side whose crowns the picture shows."""

    letters: int
    """Letters of which it is seen whether they are crowned."""
    crowned: int
    """Of these, letters with as many tags as the form has by class (1 for a form that has none, and
    where tags are not counted)."""
    some: int
    """Of these, letters with fewer tags than that, at least one."""
    doubted: int
    """Further letters, of which it is in doubt."""
    bare: int
    """Letters whose tags are seen to be plain lines."""
    bare_doubted: int
    """Further letters, of which that is in doubt."""
    p_missing: float | None
    """Mean probability that tags are missing; None where the customs expect nothing."""
    p_bare: float | None
    """Mean probability that tags are plain lines; None where that does not apply."""


@dataclass(frozen=True)
class FormCrowns:
    """One letter form on the face and on the reverse."""

    letter: str
    wanted: int
    """Tags of the form by class: 3, 1 or 0."""
    face: CrownCounts
    reverse: CrownCounts
    sides: CrownedSides
    message: str
    counted: bool = True
    """Whether the pictures show how many tags there are; if not, any tag counts as a crown."""


@dataclass(frozen=True)
class CrownComparison:
    """Crowns of the face compared with those of the reverse."""

    forms: tuple[FormCrowns, ...]
    reverse_letters: int
    """Letters of the reverse that could be compared."""
    chance: float | None
    """Probability of a difference at least as great if the hand crowned both sides alike: exact,
    two-sided, over all forms; None where nothing can be compared."""
    messages: tuple[str, ...]


@dataclass(frozen=True)
class FormInThird:
    """A form in the first or the last third of the lines; lengths in q."""

    letters: int
    crowned: int | None
    """None for a form without crowns."""
    width: float
    height: float
    findings: int


@dataclass(frozen=True)
class FormEvenness:
    """Evenness of one form."""

    letter: str
    letters: int
    judged: int
    """Letters of which it is seen whether they are crowned."""
    crowned: int | None
    width: float
    """Median width of the box in q."""
    width_spread: float
    """Dispersion of the widths about it: 1.4826 times the median deviation, over the median."""
    height: float
    height_spread: float
    findings: int
    first: FormInThird | None
    last: FormInThird | None
    uneven: tuple[str, ...]
    """What is uneven about it, with numbers; empty where nothing is."""


@dataclass(frozen=True)
class Consistency:
    """Evenness of a scroll's face, form by form."""

    lines: int
    forms: tuple[FormEvenness, ...]
    size_first: float | None
    """Kulmus of the first third of the lines over that of all lines; None with too few lines."""
    size_last: float | None
    messages: tuple[str, ...]
    """The uneven forms, the plainest first, each in one sentence."""


@dataclass(frozen=True)
class ScrollHabit:
    """A habit of the hand over all pages of a scroll, side by side."""

    defect: str
    tags_expected: int | None
    """Of crowns, how many the letters ask for."""
    letters: str
    """The forms concerned; "" for all letters."""
    face: tuple[int, int]
    """Letters that show it and letters judged, on the faces."""
    reverse: tuple[int, int]
    """The same on the reverses."""
    message: str
    heading: str = ""
    """The gravest heading of the letters concerned, as in a finding."""
    glyphs: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """By page, the letters that show a habit that no page has letters enough to state; else they
    stand in the statements of the pages."""


@dataclass(frozen=True)
class Scroll:
    """Pictures that belong to one object; pages by their names."""

    name: str
    faces: tuple[str, ...]
    reverses: tuple[str, ...]
    source: str | None
    notes: tuple[str, ...]
    """Mix-ups and other notes, one sentence each."""
    comparison: CrownComparison | None
    """None unless both sides are there."""
    consistency: Consistency | None
    """None without a face."""
    habits: tuple[ScrollHabit, ...] = ()
    """Statements on the hand with the counts of all pages, first those that its pages make."""

    @property
    def pages(self) -> tuple[str, ...]:
        """Faces, then reverses."""
        return (*self.faces, *self.reverses)
