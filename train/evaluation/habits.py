"""Statements on hands against what was planted: drawn scrolls, each by one hand with its habits.

Per page and defect. Planted is a defect that the truth has on at least three tenths of the letters
that can have it, plain cases only; statements on other defects than these are false unless the
truth has the defect on at least a fifth of the letters they name. How far the stated share is from
the true one is counted beside it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import cycle

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import Customs
from crownlet.train.evaluation.defect_scores import (
    DOUBTFUL_PLAINNESS,
    TAG_COUNT_DEFECTS,
    plainness_of,
    was_looked_for,
)
from crownlet.train.evaluation.workers import OWN_TEXT, ReadingJob, ReadPage

HABITS_FIRST_SEED, FAULTLESS_SEED_OFFSET = 960_000_000, 500_000

BODIES_PX = (40.0, 48.0, 56.0, 68.0)

MIN_PLANTED_SHARE = 0.3
"""Share of its letters from which a planted defect asks for a statement (issue 15)."""

MIN_TRUE_SHARE = 0.2
"""Share of the letters that a statement names from which it is true of the hand."""

MAX_SHARE_ERROR = 0.1
"""Difference of stated and true share up to which the counts are true."""

MIN_PLANTED_LETTERS = 8
"""Fewer letters that can have a defect show no habit of it."""


@dataclass
class HabitTally:
    """Counts over pages, added one by one; by defect."""

    customs: Customs
    pages: int = 0
    planted: Counter[str] = field(default_factory=Counter)
    stated: Counter[str] = field(default_factory=Counter)
    """Planted defects that have a statement."""
    twice: int = 0
    """Planted defects with more than one statement."""
    true: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    far: int = 0
    """True statements whose share is off by more than `MAX_SHARE_ERROR`."""

    def add(self, page: ReadPage) -> None:
        """Count a page by its first record; a refused page states nothing."""
        record = page.records[0] if page.records else None
        habits = () if record is None else record.habits
        self.pages += 1
        for defect in CATALOGUE:
            share, letters = planted_share(page.truth, defect, self.customs)
            own = [habit for habit in habits if habit.defect == defect]
            asked = defect not in ("tag_bare",) or self.customs.tag_form == "zayin"
            if asked and share >= MIN_PLANTED_SHARE and letters >= MIN_PLANTED_LETTERS:
                self.planted[defect] += 1
                self.stated[defect] += bool(own)
                self.twice += len(own) > 1 and defect not in ("tag_missing", "tag_excess")
            for habit in own:
                named = "".join(row.letter for row in habit.letters)
                here, _ = planted_share(page.truth, defect, self.customs, named)
                (self.true if here >= MIN_TRUE_SHARE else self.false)[defect] += 1
                self.far += here >= MIN_TRUE_SHARE and abs(here - habit.share) > MAX_SHARE_ERROR

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        planted, stated = self.planted.total(), self.stated.total()
        true, false = self.true.total(), self.false.total()
        return {
            "pages": self.pages,
            "planted": planted,
            "recall": stated / planted if planted else None,
            "statements": true + false,
            "precision": true / (true + false) if true + false else None,
            "stated_twice": self.twice,
            "share_off_by_more_than_a_tenth": self.far,
            "by_defect": {
                name: {
                    "planted": self.planted[name], "stated": self.stated[name],
                    "true": self.true[name], "false": self.false[name],
                }
                for name in CATALOGUE
                if self.planted[name] or self.true[name] or self.false[name]
            },
        }  # fmt: skip


def planted_share(
    truth: PageTruth, defect: str, customs: Customs, named: str = ""
) -> tuple[float, int]:
    """Share of the letters with a case of a defect, and how many letters can have it.

    Crowns are counted against the customs. `named`: only letters of these forms count.
    """
    able = [
        letter
        for letter in truth.letters
        if letter.whole
        and CATALOGUE[defect].applies_to(letter.letter)
        and was_looked_for(letter, defect)
        and (not named or letter.letter in named)
    ]
    cases = sum(_has_case(letter, defect, customs) for letter in able)
    return cases / max(len(able), 1), len(able)


def _has_case(letter: LetterTruth, defect: str, customs: Customs) -> bool:
    expected = customs.tags_expected(letter.letter)
    if defect in TAG_COUNT_DEFECTS and expected is not None:
        few = letter.tags < expected
        return few if defect == "tag_missing" else letter.tags > expected
    return plainness_of(letter, defect) > DOUBTFUL_PLAINNESS[0]


def habit_pages(count: int, *, planted: bool = True) -> list[ReadingJob]:
    """Mezuzot by hands that training never saw, with planted habits or faultless."""
    spec = mezuzah(
        split="heldout", own_forms=True, defect_rate=0.0, second_rate=0.0,
        habit_rate=float(planted), gap_rate=0.0, text_rate=0.0, morph_rate=0.0, oddity_rate=0.0,
        crowned=1.0, generous=0.0, plainness=(0.7, 1.0),
    )  # fmt: skip
    first = HABITS_FIRST_SEED + (0 if planted else FAULTLESS_SEED_OFFSET)
    return [
        ReadingJob(replace(spec, body=(body, body)), first + k, (OWN_TEXT,))
        for k, body in zip(range(count), cycle(BODIES_PX))
    ]


def measure_habits(pages: Iterable[ReadPage], customs: Customs) -> dict[str, object]:
    """The card of the suite."""
    tally = HabitTally(customs)
    for page in pages:
        tally.add(page)
    return tally.card()
