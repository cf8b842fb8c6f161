"""Marks between words, which are no letters: one statement for the page."""

from __future__ import annotations

from dataclasses import replace

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.severity import habit_order, severity_of
from crownlet.infer.hand_records import HabitLetter, HabitRecord
from crownlet.infer.records import LETTER_EXTRA, PageRecord


def state_marks(record: PageRecord, customs: Customs) -> PageRecord:
    """The record with a statement on the thin strokes that routing set aside, if there are some."""
    marks = tuple(glyph.glyph for glyph in record.glyphs if LETTER_EXTRA in glyph.habits)
    if not marks:
        return record
    count = len(marks)
    says = (
        f"{count} thin strokes on this page, far narrower than the letters of this hand, are taken "
        "for marks between words; they were not examined as letters."
    )
    statement = HabitRecord(
        LETTER_EXTRA, None, "habit", (HabitLetter("", count, count),), count, count, 0, marks, (),
        severity_of(LETTER_EXTRA, None, customs).heading, says,
    )  # fmt: skip
    return replace(record, habits=tuple(sorted([*record.habits, statement], key=habit_order)))
