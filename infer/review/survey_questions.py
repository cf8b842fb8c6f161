"""The questions of a survey's audit: a review of its folder asks these and no others.

Every letter of a scroll can be drawn; those that the networks doubt have a higher chance, so that a
question says a little of their doubt. Which letters they are is not shown, and none is asked beyond
the draw: many faults in sight make a reader expect them.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.datasets.files.atomic import atomic_write, write_csv
from crownlet.infer.review.models import ReviewStoreError
from crownlet.infer.review.queue import Question
from crownlet.infer.run.survey_state import read_survey
from crownlet.infer.run.tables import RunError, read_table

if TYPE_CHECKING:
    from crownlet.infer.records import PageRecord
    from crownlet.infer.run.run import Run

AUDIT_FILE = "audit.csv"

AUDIT_COLUMNS = ("page", "glyph", "letter", "defect", "inclusion_probability")


@dataclass(frozen=True)
class AuditedLetter:
    """A letter, a defect to be judged on it, and the probability with which the pair was drawn."""

    page: str
    glyph: int
    letter: str
    defect: str
    inclusion_probability: float


class SurveyQuestions:
    """The audit of a survey, by page."""

    def __init__(self, run: Run, pairs: tuple[AuditedLetter, ...]) -> None:
        self._path = run.folder / AUDIT_FILE
        self._pairs: dict[str, list[AuditedLetter]] = defaultdict(list)
        for pair in pairs:
            self._pairs[pair.page].append(pair)
        if unknown := self._pairs.keys() - run.pages.keys():
            raise ReviewStoreError(self._path, f"asks about {min(unknown)!r}, which is no page.")

    def stamp(self, page: str) -> str:
        """A digest that changes when other letters of a page are drawn, or with other chances."""
        rows = [astuple(pair) for pair in self._pairs[page]]
        return ";" + hashlib.sha256(repr(rows).encode()).hexdigest()

    def questions(self, record: PageRecord) -> tuple[Question, ...]:
        """The questions of a page; ReviewStoreError if it was inspected again since."""
        return tuple(self._question(record, pair) for pair in self._pairs[record.name])

    def _question(self, record: PageRecord, pair: AuditedLetter) -> Question:
        glyph = record.glyphs[pair.glyph - 1] if 0 < pair.glyph <= len(record.glyphs) else None
        if glyph is None or glyph.letter != pair.letter or pair.defect not in glyph.p:
            raise ReviewStoreError(
                self._path, f"does not fit the page {record.name}; run the survey."
            )
        return Question(
            pair.defect, glyph.letter, (glyph.glyph,), glyph.box, "survey", glyph.p[pair.defect],
            glyph, pair.inclusion_probability,
        )  # fmt: skip


def write_audit(folder: Path, pairs: Iterable[AuditedLetter]) -> None:
    """Write the folder's audit.csv whole or not at all; OSError if it cannot be written."""
    with atomic_write(folder / AUDIT_FILE) as draft:
        write_csv(
            draft, AUDIT_COLUMNS,
            ((p.page, str(p.glyph), p.letter, p.defect, repr(p.inclusion_probability))
             for p in pairs),
        )  # fmt: skip


def read_audit(folder: Path) -> tuple[AuditedLetter, ...]:
    """The drawn pairs; RunError if they cannot be read."""
    path = folder / AUDIT_FILE
    table = read_table(path)
    try:
        rows = zip(
            table.text("page"), table.whole("glyph"), table.text("letter"), table.text("defect"),
            table.number("inclusion_probability"), strict=True,
        )  # fmt: skip
        pairs = tuple(AuditedLetter(*row) for row in rows)
    except (KeyError, ValueError) as error:
        raise RunError(path, f"is no audit of a survey ({error}).") from None
    if any(not 0 < pair.inclusion_probability <= 1 for pair in pairs):
        raise RunError(path, "has an inclusion_probability outside 0 to 1.")
    return pairs


def read_survey_questions(run: Run) -> SurveyQuestions | None:
    """The audit of a survey's folder; None for any other run.

    ReviewStoreError while the survey is not complete, RunError if its files cannot be read.
    """
    survey = read_survey(run.folder)
    if survey is None:
        return None
    if not survey.complete:
        raise ReviewStoreError(
            run.folder, "the survey is not complete; run `crownlet survey run` again."
        )
    return SurveyQuestions(run, read_audit(run.folder))
