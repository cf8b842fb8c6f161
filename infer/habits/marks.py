"""What stands on a page beside its text as a rule of its scribe: one statement for the page.

Marks between words are no letters (`routing/marks.py`). Scribes of codices fill a line whose next
word does not fit with the first letters of that word, and write it whole on the next line: such
fillers are letters that the text does not have, the same at line after line.
"""

from __future__ import annotations

from dataclasses import replace

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.severity import habit_order, severity_of
from crownlet.infer.hand_records import HabitLetter, HabitRecord
from crownlet.infer.limits import limits_of
from crownlet.infer.records import LETTER_EXTRA, GlyphRecord, PageRecord, TextPlace

_LIMITS = limits_of("habits.marks")

MIN_FILLERS = _LIMITS.whole("min_fillers")
"""Lines with fillers from which they are one statement; fewer are letters written twice."""

MIN_SHARE_OF_NEXT_WORD = _LIMITS.number("min_share_of_next_word")
"""Share of a filler's letters that the next word has in their order; many are cut or narrowed."""


def state_marks(record: PageRecord, customs: Customs) -> PageRecord:
    """The record with one statement on marks that routing set aside, and on fillers."""
    marks = [glyph.glyph for glyph in record.glyphs if LETTER_EXTRA in glyph.habits]
    fillers = find_fillers(record)
    filling = [number for place in fillers for number in place.glyphs]
    if not (marks or filling):
        return record
    sentences = []
    if marks:
        sentences.append(
            f"{len(marks)} thin strokes on this page, far narrower than the letters of this hand, "
            "are taken for marks between words; they were not examined as letters."
        )
    if filling:
        sentences.append(
            f"{len(fillers)} lines of this page end with letters that the text does not have there "
            "and that begin the word after them."
        )
    numbers = tuple(sorted({*marks, *filling}))
    count, judged = len(numbers), len(record.glyphs)
    statement = HabitRecord(
        LETTER_EXTRA, None, "habit", (HabitLetter("", count, judged),), count, judged, 0, numbers,
        (), severity_of(LETTER_EXTRA, None, customs).heading, " ".join(sentences),
    )  # fmt: skip
    return replace(
        _without_fillers(record, fillers, frozenset(filling)),
        habits=tuple(sorted([*record.habits, statement], key=habit_order)),
    )


def find_fillers(record: PageRecord) -> tuple[TextPlace, ...]:
    """Extra letters at line ends that begin the word after them; none where they are few."""
    if record.match is None:
        return ()
    glyphs = {glyph.glyph: glyph for glyph in record.glyphs}
    found = tuple(place for place in record.match.places if _is_filler(place, glyphs))
    return found if len(found) >= MIN_FILLERS else ()


def _is_filler(place: TextPlace, glyphs: dict[int, GlyphRecord]) -> bool:
    """Whether a run of extra letters ends its line and begins the word of the next line."""
    if place.defect != LETTER_EXTRA or len(place.glyphs) < 2:
        return False
    after = glyphs.get(place.glyphs[-1] + 1)
    if after is None or after.line == glyphs[place.glyphs[-1]].line or not after.expected:
        return False
    word = [g.expected for g in glyphs.values() if g.word == after.word and g.expected]
    run = [glyphs[number].letter for number in place.glyphs]
    return _letters_in_order(run, word) >= max(2, MIN_SHARE_OF_NEXT_WORD * len(run))


def _letters_in_order(run: list[str], word: list[str]) -> int:
    """Length of the longest common subsequence."""
    row = [0] * (len(word) + 1)
    for letter in run:
        before = row.copy()
        for k, other in enumerate(word, start=1):
            row[k] = before[k - 1] + 1 if letter == other else max(before[k], row[k - 1])
    return row[-1]


def _without_fillers(
    record: PageRecord, fillers: tuple[TextPlace, ...], numbers: frozenset[int]
) -> PageRecord:
    """The record in which fillers are evidence of the statement and no places of their own.

    What their letters should look like is unknown: they are cut and narrowed to fit.
    """
    if record.match is None or not fillers:
        return record
    left = tuple(place for place in record.match.places if place not in fillers)
    glyphs = tuple(
        replace(g, route="clear", reasons=(), sure=(), habits=(*g.habits, LETTER_EXTRA))
        if g.glyph in numbers
        else g
        for g in record.glyphs
    )
    return replace(record, glyphs=glyphs, match=replace(record.match, places=left))
