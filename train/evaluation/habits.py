"""Statements on hands against what was planted: drawn scrolls, each by one hand with its habits.

Per page and defect, of crowns per number that the letters ask for. Planted is a defect that the
truth has, as a plain case, on at least three tenths of the letters that can have it. Wear of the
ink is no habit of a hand and is not planted. Left out of the counts, each with its number, are
planted defects that the picture does not show (the record says that they were not examined), and
statements on letters of which the truth is unknown, the hand's own form being what the fault would
be (`LetterTruth.known`). How far the stated share is from the true one is counted beside it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import cycle
from typing import NamedTuple

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.habits.apply import Group
from crownlet.infer.hand_records import DOUBTED, HabitRecord
from crownlet.infer.records import TAG_MISSING, TAG_NONE, PageRecord
from crownlet.train.evaluation.defect_scores import (
    DOUBTFUL_PLAINNESS,
    TAG_COUNT_DEFECTS,
    plainness_of,
    was_looked_for,
)
from crownlet.train.evaluation.workers import OWN_TEXT, ReadingJob, ReadPage

HABITS_FIRST_SEED, FAULTLESS_SEED_OFFSET = 960_000_000, 500_000

BODIES_PX = (40.0, 48.0, 56.0, 68.0)

DAMAGE = ("ink_lost", "stroke_broken")
"""Wear of the ink, which is no way of writing. Flakes also leave doubts of other faults behind."""

HABIT_DEFECTS = tuple(name for name in GLYPH_DEFECTS if name not in DAMAGE)

MIN_PLANTED_SHARE = 0.3
"""Share of its letters from which a planted defect asks for a statement (issue 15)."""

MIN_TRUE_SHARE, MIN_TRUE_SHARE_OF_SEEN = 0.2, 0.5
"""Share of the letters that a statement names from which it is true of the hand; where it is seen
on few of them, the share of what is seen."""

MAX_SHARE_ERROR = 0.1
"""Difference of stated and true share up to which the counts are true."""

MIN_PLANTED_LETTERS = 8
"""Fewer letters that can have a defect show no habit of it."""

MIN_KNOWN_SHARE = 0.5
"""Share of a statement's letters whose truth is known from which it is counted."""

MIN_EXAMINED_SHARE = 0.5
"""Share of the letters of a planted defect that the picture must show for it."""


class PlantedShare(NamedTuple):
    """How many letters have a plain case of a defect."""

    cases: int
    known: int
    """Letters that can have it and of which the truth is known."""
    letters: int
    """All letters that can have it."""

    @property
    def share(self) -> float:
        """Share of the letters of which the truth is known."""
        return self.cases / max(self.known, 1)


@dataclass
class HabitTally:
    """Counts over pages, added one by one; by defect."""

    customs: Customs
    pages: int = 0
    planted: Counter[str] = field(default_factory=Counter)
    stated: Counter[str] = field(default_factory=Counter)
    """Planted defects that have a statement."""
    not_examined: Counter[str] = field(default_factory=Counter)
    """Defects planted where the picture does not show them."""
    twice: int = 0
    """Planted defects with more than one statement."""
    true: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    own_way: Counter[str] = field(default_factory=Counter)
    """Statements on the hand's own form, of which the truth is unknown."""
    doubted: Counter[str] = field(default_factory=Counter)
    """Questions about many letters in doubt, which state nothing."""
    far: int = 0
    """True statements whose share is off by more than `MAX_SHARE_ERROR`."""

    def add(self, page: ReadPage) -> None:
        """Count a page by its first record; a refused page states nothing."""
        record = page.records[0] if page.records else None
        self.pages += 1
        for group in groups_of(self.customs):
            self._count_planted(group, page.truth, record)
        for habit in () if record is None else record.habits:
            if habit.kind == DOUBTED:
                self.doubted[habit.defect] += 1
            else:
                self._count_statement(habit, page.truth)

    def _count_planted(self, group: Group, truth: PageTruth, record: PageRecord | None) -> None:
        only_none = record is not None and shows_only_none(record, group, self.customs)
        planted = planted_share(truth, group, self.customs, only_none=only_none)
        if planted.share < MIN_PLANTED_SHARE or planted.known < MIN_PLANTED_LETTERS:
            return
        if record is None or not (only_none or is_examined(record, group, self.customs)):
            self.not_examined[group[0]] += 1
            return
        own = [
            habit
            for habit in record.habits
            if habit.kind != DOUBTED and (habit.defect, habit.tags_expected) == group
        ]
        self.planted[group[0]] += 1
        self.stated[group[0]] += bool(own)
        self.twice += len(own) > 1

    def _count_statement(self, habit: HabitRecord, truth: PageTruth) -> None:
        group = habit.defect, habit.tags_expected
        named = "".join(row.letter for row in habit.letters)
        here = planted_share(truth, group, self.customs, named)
        if here.known < MIN_KNOWN_SHARE * here.letters:
            self.own_way[habit.defect] += 1
        elif here.share < min(MIN_TRUE_SHARE, MIN_TRUE_SHARE_OF_SEEN * habit.seen / habit.judged):
            self.false[habit.defect] += 1
        else:
            self.true[habit.defect] += 1
            self.far += abs(here.share - habit.share) > MAX_SHARE_ERROR

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        planted, stated = self.planted.total(), self.stated.total()
        true, false = self.true.total(), self.false.total()
        columns = {
            "planted": self.planted, "stated": self.stated, "not_examined": self.not_examined,
            "true": self.true, "false": self.false, "own_way": self.own_way,
            "doubted": self.doubted,
        }  # fmt: skip
        return {
            "pages": self.pages,
            "planted": planted,
            "recall": stated / planted if planted else None,
            "planted_not_examined": self.not_examined.total(),
            "statements": true + false,
            "precision": true / (true + false) if true + false else None,
            "statements_on_own_forms": self.own_way.total(),
            "stated_twice": self.twice,
            "share_off_by_more_than_a_tenth": self.far,
            "by_defect": {
                name: {column: counts[name] for column, counts in columns.items()}
                for name in CATALOGUE
                if any(counts[name] for counts in columns.values())
            },
        }


def groups_of(customs: Customs) -> list[Group]:
    """Defects that can be a habit, of crowns by the number that their letters ask for."""
    groups: list[Group] = []
    for name in HABIT_DEFECTS:
        if name == "tag_bare" and customs.tag_form != "zayin":
            continue
        if name in TAG_COUNT_DEFECTS:
            numbers = {customs.tags_expected(letter) for letter in CATALOGUE[name].letters}
            groups += [(name, number) for number in sorted(numbers - {None})]  # type: ignore[type-var]
        else:
            groups.append((name, None))
    return groups


def planted_share(
    truth: PageTruth, group: Group, customs: Customs, named: str = "", *, only_none: bool = False
) -> PlantedShare:
    """How many letters have a plain case of a defect; `named`: only letters of these forms count.

    Doubtful cases are unknown, as are those that look the same as the hand's own form. Crowns are
    counted against the customs; with `only_none` letters that have some crown are no case.
    """
    defect, _ = group
    able = [x for x in truth.letters if x.whole and _is_asked(x.letter, group, customs)]
    able = [letter for letter in able if not named or letter.letter in named]
    cases = [_has_case(letter, defect, customs) for letter in able]
    if only_none:
        cases = [case and letter.tags == 0 for case, letter in zip(cases, able, strict=True)]
    return PlantedShare(cases.count(True), len(cases) - cases.count(None), len(cases))


def shows_only_none(record: PageRecord, group: Group, customs: Customs) -> bool:
    """Whether the picture shows if there is a crown, and not how many tags it has."""
    if group[0] != TAG_MISSING or is_examined(record, group, customs):
        return False
    return is_examined(record, group, customs, TAG_NONE)


def is_examined(record: PageRecord, group: Group, customs: Customs, judgement: str = "") -> bool:
    """Whether the picture shows enough of the letters that can have a defect.

    `judgement` is the one that it has to carry, by default that of the defect.
    """
    able = [glyph for glyph in record.glyphs if _is_asked(glyph.letter, group, customs)]
    left_out = sum((judgement or group[0]) in glyph.not_examined for glyph in able)
    return len(able) - left_out >= max(MIN_PLANTED_LETTERS, MIN_EXAMINED_SHARE * len(able))


def _is_asked(letter: str, group: Group, customs: Customs) -> bool:
    """Whether a letter belongs to a group."""
    defect, tags = group
    number = customs.tags_expected(letter) if defect in TAG_COUNT_DEFECTS else None
    return CATALOGUE[defect].applies_to(letter) and number == tags


def _has_case(letter: LetterTruth, defect: str, customs: Customs) -> bool | None:
    """Whether a letter has a plain case; None where that is unknown."""
    if not was_looked_for(letter, defect):
        return None
    expected = customs.tags_expected(letter.letter)
    if defect in TAG_COUNT_DEFECTS and expected is not None:
        few = letter.tags < expected
        return few if defect == "tag_missing" else letter.tags > expected
    plainness = plainness_of(letter, defect)
    low, high = DOUBTFUL_PLAINNESS
    return plainness > high if not low <= plainness <= high else None


def habit_pages(count: int, *, planted: bool = True) -> list[ReadingJob]:
    """Mezuzot by hands that training never saw, with planted habits or faultless."""
    spec = mezuzah(
        split="heldout", own_forms=True, defect_rate=0.0, second_rate=0.0,
        habit_rate=float(planted), gap_rate=0.0, text_rate=0.0, morph_rate=0.0, oddity_rate=0.0,
        crowned=1.0, generous=0.0, plainness=(0.7, 1.0), defects=HABIT_DEFECTS,
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
