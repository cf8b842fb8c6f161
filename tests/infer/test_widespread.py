"""What is seen all over a page, from records made by hand; the rules are those of issue 15."""

from __future__ import annotations

from dataclasses import replace

import made
import pytest

from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.habits.widespread import (
    MIN_WIDESPREAD_LETTERS,
    MIN_WIDESPREAD_SHARE,
    state_widespread,
)
from crownlet.infer.hand_records import HandFamiliarity
from crownlet.infer.records import GlyphRecord, Measurement, PageRecord

CUSTOMS = load_customs("beit_yosef")
KNOWN, UNLIKE = HandFamiliarity(True), HandFamiliarity(False, 0.8)
INSIDE = (50.0, 50.0, 80.0, 80.0)
"""A box that the edge of the picture does not cut."""
UNEVEN = [0.02, 0.1, 0.3, 0.5, 0.7] * 20
"""Probabilities of an uneven page, none of which is a finding."""


def letters(
    letter: str, kind: str, p: list[float], seen: float, start: int = 1
) -> list[GlyphRecord]:
    """Letters of one form, those from `seen` on with a finding."""
    return [
        made.flagged(k, letter, kind, p=value, box=INSIDE) if value >= seen
        else made.glyph(k, letter, p={kind: value}, box=INSIDE)
        for k, value in enumerate(p, start)
    ]  # fmt: skip


def stated(rows: list[GlyphRecord], familiarity: HandFamiliarity = UNLIKE) -> PageRecord:
    return state_widespread(made.record(rows, familiarity=familiarity), CUSTOMS)


def test_a_worn_page_is_one_statement_with_its_share() -> None:
    page = stated(letters("ו", "ink_lost", [*UNEVEN, *[0.9] * 12], 0.8))
    (habit,) = page.habits
    assert (habit.defect, habit.seen, habit.judged) == ("ink_lost", 12, 112)
    assert habit.message == (
        "Often on this page: ink is lost from part of the letter in 12 of 112 letters (vav 12 of "
        "112); none of these stands out from the page's other letters."
    )
    assert page.routed("finding") == ()
    assert page.glyphs[-1].habits == ("ink_lost",)
    (place,) = collect_findings(page, CUSTOMS)
    assert (place.scope, place.message) == ("page", habit.message)


@pytest.mark.parametrize("familiarity", [KNOWN, UNLIKE])
def test_letters_that_lost_ink_on_a_sound_page_are_findings(familiarity: HandFamiliarity) -> None:
    page = stated(letters("ו", "ink_lost", [0.001] * 100 + [0.9] * 12, 0.8), familiarity)
    assert page.habits == ()
    assert len(page.routed("finding")) == 12


def test_a_letter_whose_class_is_in_doubt_stays_to_review_on_a_worn_page() -> None:
    rows = letters("ו", "ink_lost", [*UNEVEN, *[0.9] * 12], 0.8)
    rows[-1] = replace(rows[-1], reasons=("ink_lost", "shape_doubt"))
    page = stated(rows)
    assert [glyph.glyph for glyph in page.routed("review")] == [112]
    assert page.glyphs[-1].reasons == ("shape_doubt",)


def test_few_letters_that_do_not_stand_out_are_doubts() -> None:
    few = MIN_WIDESPREAD_LETTERS - 1
    page = stated(letters("ו", "ink_lost", [*UNEVEN, *[0.9] * few], 0.8))
    assert page.habits == ()
    assert len(page.routed("review")) == few
    many = round(1000 * MIN_WIDESPREAD_SHARE) - 5
    page = stated(letters("ו", "ink_lost", [*UNEVEN * 10, *[0.9] * many], 0.8))
    assert (page.habits, len(page.routed("review"))) == ((), many)


def test_a_form_is_a_finding_where_it_stands_out_or_the_promise_covers_the_hand() -> None:
    """A departure of form is measured against this hand's own way (issue 15)."""
    uneven = letters("ר", "corner_rounded", [*UNEVEN, 0.9], 0.8)
    assert stated(uneven).routed("finding") == ()
    assert [glyph.glyph for glyph in stated(uneven).routed("review")] == [101]
    assert [glyph.glyph for glyph in stated(uneven, KNOWN).routed("finding")] == [101]
    even = letters("ר", "corner_rounded", [*[0.02] * 100, 0.9], 0.8)
    assert [glyph.glyph for glyph in stated(even).routed("finding")] == [101]


@pytest.mark.parametrize("kind", ["leg_touches_roof", "tag_missing", "stroke_broken"])
def test_what_no_hand_excuses_is_a_finding_however_uneven_the_page(kind: str) -> None:
    page = stated(letters("ק", kind, [*UNEVEN, *[0.9] * 12], 0.8))
    assert (page.habits, len(page.routed("finding"))) == ((), 12)


@pytest.mark.parametrize("familiarity", [KNOWN, UNLIKE])
def test_letters_drawn_out_to_fill_lines_are_one_statement(familiarity: HandFamiliarity) -> None:
    few, many = MIN_WIDESPREAD_LETTERS - 1, MIN_WIDESPREAD_LETTERS
    sound = letters("ה", "overstretched", [0.001] * 300, 0.5, start=100)
    page = stated(letters("ה", "overstretched", [0.999] * few, 0.5) + sound, familiarity)
    assert (page.habits, len(page.routed("finding"))) == ((), few)
    page = stated(letters("ה", "overstretched", [0.999] * many, 0.5) + sound, familiarity)
    assert page.routed("finding") == ()
    assert [habit.message for habit in page.habits] == [
        f"Now and then on this page: letters are drawn out, {many} of {300 + many} letters (he "
        f"{many} of {300 + many})."
    ]


def test_a_leg_as_long_as_the_customs_ask_is_no_reason() -> None:
    """Its length is a yud's at least (OC 32:15; MB 32:38-40), and it was measured."""
    row = made.flagged(1, "ה", "leg_short", p=0.5, sure=(), route="review", box=INSIDE)
    ends = (0.0, 0.0), (0.0, 12.0)
    length = Measurement(1, "left_leg_length", 1.2, None, *ends, "leg_short", "not_there")
    page = made.record([row], measurements=(length,), familiarity=KNOWN)
    assert state_widespread(page, CUSTOMS).glyphs[0].route == "clear"
    assert state_widespread(replace(page, measurements=()), CUSTOMS).glyphs[0].route == "review"


def test_a_letter_that_is_none_of_the_text_has_no_finding_of_form() -> None:
    """What it should look like is unknown; that it is there is the finding."""
    p = {"corner_rounded": 0.99, "tag_missing": 0.999}
    rows = letters("ר", "corner_rounded", [0.001] * 30, 0.8)
    extra = made.flagged(31, "ר", "letter_extra", *p, p=p, expected="", box=INSIDE)
    page = stated([*rows, extra])
    assert page.glyphs[-1].sure == ("letter_extra",)
    assert page.glyphs[-1].reasons == ("letter_extra", *p)
    assert stated([*rows, extra], KNOWN).glyphs[-1].sure == ("letter_extra", *p)


def test_a_letter_that_stands_out_on_a_worn_page_is_counted_and_stays() -> None:
    sound = [0.05, 0.1, 0.2, 0.3, 0.4] * 20
    page = stated(letters("ו", "ink_lost", [*sound, *[0.85] * 12, 0.9999], 0.8))
    (habit,) = page.habits
    assert (habit.seen, habit.judged, habit.glyphs[-1]) == (13, 113, 113)
    assert habit.message.endswith("; one of these stands out, and is listed by itself.")
    assert [glyph.glyph for glyph in page.routed("finding")] == [113]


def test_what_is_stated_of_a_letter_that_the_picture_cuts_is_a_doubt() -> None:
    """Its crown may stand beyond the edge; common practice, no source."""
    row = made.flagged(1, "ב", "tag_missing", p=0.999, box=(0.0, 50.0, 30.0, 80.0))
    page = state_widespread(made.record([row], familiarity=KNOWN), CUSTOMS)
    assert [glyph.reasons for glyph in page.routed("review")] == [("tag_missing",)]
    whole = made.record([replace(row, box=INSIDE)], familiarity=KNOWN)
    assert len(state_widespread(whole, CUSTOMS).routed("finding")) == 1
