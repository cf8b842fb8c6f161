"""The suite of habits counts statements against what was planted, and leaves out what is unknown.

Counted by hand; no outside source but the shares of issue 15.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.hand_records import HabitLetter, HabitRecord
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.train.evaluation.habits import DAMAGE, groups_of, habit_pages, measure_habits
from crownlet.train.evaluation.workers import ReadingJob, ReadPage

CUSTOMS = load_customs("beit_yosef")
PLAIN = DefectMark("corner_rounded", 0.8, 1.0)
DOUBTFUL = DefectMark("corner_rounded", 0.3, 0.5)
SOFT_HAND = tuple(name for name in CATALOGUE if name != "corner_rounded")
"""Faults that were looked for where the hand's corners are as soft as a fault makes them."""


def written(*marks: DefectMark, known: tuple[str, ...] | None = None) -> LetterTruth:
    return LetterTruth(
        "ה", "ה", 0, 0, 0, (0, 0, 16, 24), (8, 0, 24, 0), 1, marks, known=known
    )  # fmt: skip


def read(letters: list[LetterTruth], stated: int = 0, *not_examined: str) -> ReadPage:
    """A page whose record states rounded corners of so many of its letters; 0 states nothing."""
    glyph = GlyphRecord(
        1, 1, 1, 1, "ה", 0.99, "ה", (0, 0, 16, 24), (8, 0, 24, 0), 1, 1, {},
        not_examined=not_examined,
    )  # fmt: skip
    many = len(letters)
    habit = HabitRecord(
        "corner_rounded", None, "habit", (HabitLetter("ה", stated, many),), stated, many, 0, (), (),
        "question", "", stated,
    )  # fmt: skip
    facts = ImageFacts("p", 500, 40, "L", "PNG")
    glyphs = tuple(replace(glyph, glyph=k + 1) for k in range(many))
    record = PageRecord("p", facts, glyphs, (), None, 0, habits=(habit,) * bool(stated))
    truth = PageTruth(np.zeros((0, 0), np.uint8), tuple(letters), meta={})
    return ReadPage(ReadingJob(truth, 0), truth, (record,))


def card(page: ReadPage) -> dict[str, object]:
    return measure_habits([page], CUSTOMS)


def test_a_planted_habit_is_stated_or_missed() -> None:
    planted = [written(PLAIN)] * 8 + [written()] * 2
    stated, missed = card(read(planted, 8)), card(read(planted))
    assert (stated["planted"], stated["recall"], stated["precision"]) == (1, 1.0, 1.0)
    assert stated["share_off_by_more_than_a_tenth"] == 0
    assert (missed["planted"], missed["recall"], missed["precision"]) == (1, 0.0, None)


def test_a_question_about_letters_in_doubt_states_nothing() -> None:
    page = read([written(PLAIN)] * 10, 8)
    assert page.records is not None
    (record,) = page.records
    asked = tuple(replace(habit, kind="doubted", sure=False) for habit in record.habits)
    found = card(replace(page, records=(replace(record, habits=asked),)))
    assert (found["planted"], found["recall"], found["statements"]) == (1, 0.0, 0)
    assert found["by_defect"]["corner_rounded"]["doubted"] == 1  # type: ignore[index]


def test_a_share_that_is_far_from_the_truth_is_counted() -> None:
    assert card(read([written(PLAIN)] * 10, 8))["share_off_by_more_than_a_tenth"] == 1


def test_a_statement_on_a_faultless_hand_is_false() -> None:
    assert card(read([written()] * 10, 5))["precision"] == 0.0


def test_a_statement_on_few_letters_is_true_where_half_of_them_are() -> None:
    letters = [written(PLAIN)] * 4 + [written()] * 36
    assert card(read(letters, 6))["precision"] == 1.0
    assert card(read(letters, 12))["precision"] == 0.0


def test_doubtful_cases_are_no_habit_and_make_no_statement_false() -> None:
    found = card(read([written(DOUBTFUL)] * 10, 5))
    assert (found["planted"], found["statements"], found["statements_on_own_forms"]) == (0, 0, 1)


def test_what_the_hand_writes_as_a_fault_would_is_unknown() -> None:
    found = card(read([written(known=SOFT_HAND)] * 10, 5))
    assert (found["planted"], found["statements"], found["statements_on_own_forms"]) == (0, 0, 1)


def test_what_the_picture_does_not_show_is_counted_apart() -> None:
    found = card(read([written(PLAIN)] * 10, 0, "corner_rounded"))
    assert (found["planted"], found["planted_not_examined"]) == (0, 1)


def test_crowns_are_planted_by_the_number_that_their_letters_ask_for() -> None:
    numbers = [tags for name, tags in groups_of(CUSTOMS) if name == "tag_missing"]
    assert numbers == [1, 2, 3]  # bedek chaya with he; lamed; shatnez getz


def test_wear_of_the_ink_is_not_planted_as_a_habit() -> None:
    (job,) = habit_pages(1)
    assert isinstance(job.spec, PageSpec)
    assert job.spec.defects is not None
    assert "corner_rounded" in job.spec.defects
    assert not {*DAMAGE} & {*job.spec.defects}
