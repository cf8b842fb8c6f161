"""The questions of a survey's audit: a review of its folder asks these and no others.

They were drawn irrespective of what the networks think, so among them nothing tells. Doubtful
letters are not mixed in: many faults in sight make a reader expect them.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from typing import TYPE_CHECKING

from crownlet.infer.review.entries import StoreError
from crownlet.infer.review.queue import Question
from crownlet.infer.survey.audit import NAME, Pair, read_audit
from crownlet.infer.survey.state import read_survey

if TYPE_CHECKING:
    from crownlet.infer.records import PageRecord
    from crownlet.infer.run import Run


class Surveyed:
    """The audit of a survey, by page."""

    def __init__(self, run: Run, pairs: tuple[Pair, ...]) -> None:
        self._path = run.folder / NAME
        self._pairs: dict[str, list[Pair]] = defaultdict(list)
        for pair in pairs:
            self._pairs[pair.page].append(pair)

    def stamp(self, page: str) -> str:
        """What changes when other letters of a page are drawn, or by other chances."""
        return ";" + hashlib.sha256(repr(self._pairs[page]).encode()).hexdigest()

    def questions(self, record: PageRecord) -> tuple[Question, ...]:
        """What is asked of a page; StoreError if it was inspected anew since."""
        return tuple(self._question(record, pair) for pair in self._pairs[record.name])

    def _question(self, record: PageRecord, pair: Pair) -> Question:
        glyph = record.glyphs[pair.glyph - 1] if 0 < pair.glyph <= len(record.glyphs) else None
        if glyph is None or glyph.letter != pair.letter:
            raise StoreError(self._path, f"does not fit the page {record.name}; run the survey.")
        return Question(
            pair.defect, glyph.letter, (glyph.glyph,), glyph.box, "survey", glyph.p[pair.defect],
            glyph, pair.chance,
        )  # fmt: skip


def surveyed(run: Run) -> Surveyed | None:
    """The audit of a survey's folder; None for any other run.

    StoreError while the survey is not complete, RunError if its files cannot be read.
    """
    survey = read_survey(run.folder)
    if survey is None:
        return None
    if not survey.complete:
        raise StoreError(run.folder, "the survey is not complete; run `crownlet survey run` again.")
    return Surveyed(run, read_audit(run.folder))
