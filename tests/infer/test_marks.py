"""Thin strokes, holes and fillers beside a text, from records made by hand.

That a scroll's verses are not divided by strokes, and that one divided so is in question, is
Shulchan Aruch, Yoreh De'ah 274:7; that scribes of codices fill lines with the first letters of the
next word is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import made
import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.habits.marks import MIN_FILLERS, find_fillers, state_marks
from crownlet.infer.quality.familiarity import is_thin, stroke_shares
from crownlet.infer.records import GlyphRecord, Located, PageRecord, TextMatch, TextPlace
from crownlet.infer.routing.marks import (
    MIN_MARKS_OF_STATEMENT,
    MIN_MARKS_WITHOUT_TEXT,
    doubt_extras,
    ink_areas,
    set_marks_aside,
)
from crownlet.infer.scrolls.habits import scroll_habits
from crownlet.infer.scrolls.sketch import sketch_page
from crownlet.infer.text.alignment import align

CUSTOMS = load_customs("beit_yosef")
EXTRA = {"expected": "", "box": (100.0, 100.0, 120.0, 130.0)}


def boxes(widths: list[float]) -> Located:
    """Vavs of these widths in q, in a line, 10 px a q."""
    left = 50.0 * np.arange(len(widths))
    box = np.column_stack([left, 0 * left, left + 10 * np.array(widths), 0 * left + 30])
    body = np.column_stack([(box[:, 0] + box[:, 2]) / 2, 0 * left, 0 * left + 30, 0 * left])
    return Located(body, box, np.ones(len(left)), np.full((len(left), 27), 1 / 27))


def test_a_stroke_is_far_narrower_than_the_vavs_of_its_hand_however_wide_these_are() -> None:
    for usual in (0.9, 1.4):
        widths = [usual] * 12 + [0.45 * usual] * 4
        vavs = np.full(16, index_of("ו"))
        assert is_thin(stroke_shares(boxes(widths), vavs)).tolist() == [False] * 12 + [True] * 4
        assert not is_thin(stroke_shares(boxes(widths), np.full(16, index_of("ד")))).any()


def test_ink_is_counted_in_square_pens() -> None:
    flat = np.full((40, 140), 224, np.uint8)
    flat[0:30, 0:10] = 0  # three square q of black in the first box, none in the others
    assert ink_areas(flat, boxes([2.0, 2.0])).tolist() == pytest.approx([3.0, 0.0], abs=0.01)


def page(rows: list[GlyphRecord], places: tuple[TextPlace, ...] = ()) -> PageRecord:
    extra = sum(row.expected == "" for row in rows)
    return made.record(rows, match=TextMatch("text", 10, 10, 0, extra, places=places))


def extra(number: int, letter: str = "ו", **more: object) -> GlyphRecord:
    p = {"letter_extra": 0.99}
    return made.flagged(number, letter, "letter_extra", p=p, **EXTRA | more)


def set_aside(strokes: int, *, known: bool = True) -> PageRecord:
    """Ten letters and some strokes among them."""
    changes = {} if known else {"expected": None}
    rows = [made.glyph(k, "ו", **changes) for k in range(1, 11)]
    rows += [extra(k, **changes) for k in range(11, 11 + strokes)]
    share = np.array([1.0] * 10 + [0.4] * strokes)
    record = page(rows) if known else made.record(rows)
    return state_marks(set_marks_aside(record, share), CUSTOMS)


def test_strokes_at_which_the_text_has_no_letter_are_one_statement() -> None:
    record = set_aside(MIN_MARKS_OF_STATEMENT)
    assert record.routed("finding") == record.routed("review") == ()
    (habit,) = record.habits
    assert (habit.defect, habit.glyphs) == ("letter_extra", (11, 12, 13))
    assert habit.message.startswith("3 thin strokes on this page, far narrower than the letters")
    assert record.match is not None and record.match.extra == 0
    assert set(record.glyphs[-1].p.values()) == {None}
    (place,) = collect_findings(record, CUSTOMS)
    assert (place.scope, place.kind) == ("page", "letter_extra")


def test_of_a_run_of_a_mark_and_a_letter_the_letter_is_left() -> None:
    """The run reaches from one end of a blank to the other, and its picture would show neither."""
    rows = [made.glyph(k, "ו") for k in range(1, 11)] + [extra(11), extra(12, "י")]
    run = TextPlace(
        "words_extra", "letter_extra", "ו י", (11, 12), 10, 1, 1, (0.0, 0.0), False, True, "two"
    )
    share = np.array([1.0] * 10 + [0.4, 1.0])
    record = set_marks_aside(page(rows, (run,)), share)
    assert record.match is not None
    assert [place.glyphs for place in record.match.places] == [(12,)]
    assert {(f.scope, f.glyphs) for f in collect_findings(record, CUSTOMS)} == {
        ("glyph", (11,)), ("glyph", (12,)),
    }  # fmt: skip


def test_marks_of_all_pages_are_counted_together() -> None:
    pages = [sketch_page(set_aside(strokes)) for strokes in (3, 4)]
    (habit,) = scroll_habits(pages, ())
    assert habit.message == "Marks and fillers beside the letters: on the face 7 of 27."


def test_a_single_stroke_goes_to_review() -> None:
    record = set_aside(1)
    assert record.habits == ()
    assert [glyph.glyph for glyph in record.routed("review")] == [11]


def test_a_stroke_that_the_text_has_as_a_letter_is_one() -> None:
    rows = [made.glyph(k, "ו") for k in range(1, 11)]
    assert set_marks_aside(page(rows), np.full(10, 0.4)).glyphs == tuple(rows)


@pytest.mark.parametrize("strokes", [MIN_MARKS_WITHOUT_TEXT - 1, MIN_MARKS_WITHOUT_TEXT])
def test_without_a_text_only_what_comes_again_and_again_is_a_mark(strokes: int) -> None:
    record = set_aside(strokes, known=False)
    assert bool(record.habits) == (strokes >= MIN_MARKS_WITHOUT_TEXT)
    assert bool(record.routed("finding")) == (strokes < MIN_MARKS_WITHOUT_TEXT)


@pytest.mark.parametrize(("ink", "route"), [(1.9, "finding"), (0.5, "review")])
def test_an_extra_letter_of_little_ink_is_a_doubt(ink: float, route: str) -> None:
    rows = [made.glyph(k, "ו") for k in range(1, 11)] + [extra(11)]
    record = doubt_extras(page(rows), np.array([2.0] * 10 + [ink]))
    assert (record.glyphs[-1].route, record.glyphs[-1].reasons) == (route, ("letter_extra",))


def filled(lines: int, run: str = "מש") -> PageRecord:
    """Lines that end with the first letters of the word of the next one."""
    rows: list[GlyphRecord] = []
    places = []
    for line in range(1, lines + 1):
        start = len(rows) + 1
        rows += [made.glyph(start, "ל", line=line, word=2 * line)]
        numbers = tuple(range(start + 1, start + 1 + len(run)))
        rows += [
            extra(n, letter, line=line, word=2 * line)
            for n, letter in zip(numbers, run, strict=True)
        ]
        rows += [
            made.glyph(numbers[-1] + 1 + k, letter, line=line + 1, word=2 * line + 1)
            for k, letter in enumerate("משה")
        ]
        places.append(
            TextPlace(
                "letters_extra",
                "letter_extra",
                run,
                numbers,
                start,
                line,
                line,
                (0.0, 0.0),
                False,
                True,
                "two letters that the text does not have here",
            )
        )
    return page(rows, tuple(places))


def test_lines_filled_with_the_next_word_are_one_statement() -> None:
    record = state_marks(filled(MIN_FILLERS), CUSTOMS)
    assert record.routed("finding") == ()
    (habit,) = record.habits
    assert habit.message == (
        f"{MIN_FILLERS} lines of this page end with letters that the text does not have there and "
        "that begin the word after them."
    )
    assert len(habit.glyphs) == 2 * MIN_FILLERS
    assert [place.scope for place in collect_findings(record, CUSTOMS)] == ["page"]


def test_a_few_lines_or_other_letters_are_findings() -> None:
    few, other = filled(MIN_FILLERS - 1), filled(MIN_FILLERS, "דת")
    for record in (few, other):
        assert find_fillers(record) == ()
        assert state_marks(record, CUSTOMS) == record


def test_of_a_stroke_and_a_vav_the_vav_is_the_letter_of_the_text() -> None:
    text = np.array([index_of(c) for c in "אובד"])
    read = np.array([index_of(c) for c in "אוובד"])
    odds = np.full((5, 27), 0.001)
    odds[np.arange(5), read] = 0.974
    thin = np.array([False, True, False, False, False])
    assert align(odds, text, thin=thin).expected.tolist() == [0, -1, 1, 2, 3]
    thin = thin[[0, 2, 1, 3, 4]]
    assert align(odds, text, thin=thin).expected.tolist() == [0, 1, -1, 2, 3]
    alone = replace_row(odds)
    assert align(alone, text, thin=np.array([0, 1, 0, 0], bool)).expected.tolist() == [0, 1, 2, 3]


def replace_row(odds: np.ndarray) -> np.ndarray:
    """The odds without the second vav."""
    return np.delete(odds, 2, axis=0)


def test_other_gaps_and_letters_are_left_as_they_are() -> None:
    rows = [made.glyph(1, "ו"), *(extra(k) for k in (2, 3, 4)), made.glyph(5, "ו")]
    gaps = [made.gap(1, 2, p_words_joined=0.9, reasons=("words_joined",)), made.gap(5, 6)]
    record = replace(page(rows), gaps=tuple(gaps))
    aside = set_marks_aside(record, np.array([1.0, 0.4, 0.4, 0.4, 1.0]))
    assert aside.gaps[0].reasons == () and aside.gaps[0].p_words_joined is None
    assert aside.gaps[1] == gaps[1]
    assert (aside.glyphs[0], aside.glyphs[4]) == (rows[0], rows[4])
