"""Findings by a hand that the promise does not cover, from records made by hand; the rules are
those of issue 15, no outside source."""

from __future__ import annotations

from dataclasses import replace

import made
import pytest

from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.habits.apply import find_habits, is_unlike
from crownlet.infer.habits.judge import MIN_SEEN_OF_OFTEN, forms_often
from crownlet.infer.habits.unlike import MIN_SEEN_P, doubt_single_findings
from crownlet.infer.hand_records import HandFamiliarity
from crownlet.infer.networks import weights_folder
from crownlet.infer.records import AbsentLetter, GlyphRecord, PageRecord, TextMatch, TextPlace
from crownlet.infer.thresholds import load_thresholds

CUSTOMS = load_customs("beit_yosef")
THRESHOLDS = load_thresholds(weights_folder())
KNOWN, UNLIKE = HandFamiliarity(True), HandFamiliarity(False, 0.8)


def letters(letter: str, kind: str, p: list[float], start: int = 1) -> list[GlyphRecord]:
    return [
        made.flagged(k, letter, kind, p=value)
        if value >= THRESHOLDS.of(kind).finding
        else made.glyph(k, letter, p={kind: value})
        for k, value in enumerate(p, start)
    ]


def judged(rows: list[GlyphRecord], familiarity: HandFamiliarity = UNLIKE) -> PageRecord:
    page = find_habits(made.record(rows, familiarity=familiarity), THRESHOLDS, CUSTOMS)
    return doubt_single_findings(page) if is_unlike(page) else page


def test_a_contact_that_an_unlike_hand_repeats_is_one_statement() -> None:
    rows = letters("ה", "leg_touches_roof", [0.99] * 20)
    page = judged(rows)
    (habit,) = page.habits
    assert (habit.kind, habit.seen, habit.judged) == ("habit", 20, 20)
    assert page.routed("finding") == ()
    assert page.glyphs[0].habits == ("leg_touches_roof",)
    known = judged(rows, KNOWN)
    assert (known.habits[0].kind, len(known.routed("finding"))) == ("repeated", 20)


def test_crowns_that_an_unsteady_unlike_hand_leaves_out_stay_findings() -> None:
    """Each of them lacks its crown, whoever wrote it."""
    rows = [
        replace(row, tags_expected=1)
        for row in letters("ב", "tag_missing", [0.9999] * 10 + [0.001] * 10)
    ]
    assert len(judged(rows).routed("finding")) == 10


@pytest.mark.parametrize("seen", [MIN_SEEN_OF_OFTEN - 1, MIN_SEEN_OF_OFTEN])
def test_what_an_unlike_hand_does_again_and_again_is_stated(seen: int) -> None:
    rows = letters("א", "part_loose", [0.99] * seen + [0.001] * 40)
    page = judged(rows)
    stated = seen >= MIN_SEEN_OF_OFTEN
    assert len(page.habits) == stated
    for habit in page.habits:
        assert habit.message.startswith("Often in this hand: a gap between a part")
        assert habit.share == seen / (seen + 40)
    assert len(page.routed("finding")) == (0 if stated else seen)
    assert judged(rows, KNOWN).habits == ()


def test_what_fewer_than_a_tenth_of_the_letters_show_is_not_called_often() -> None:
    (habit,) = judged(letters("א", "part_loose", [0.99] * 6 + [0.001] * 60)).habits
    assert habit.message.startswith("Now and then in this hand: a gap between a part")


def test_often_is_counted_over_the_forms_that_show_it() -> None:
    assert forms_often({"א": 3, "ש": 2, "ע": 0}, {"א": 40, "ש": 40, "ע": 900}) == {"א", "ש"}
    assert forms_often({"א": 3, "ש": 2}, {"א": 90, "ש": 90}) == frozenset()
    assert forms_often({}, {}) == frozenset()


@pytest.mark.parametrize("kind", ["stroke_broken", "heads_touch", "corner_rounded"])
def test_a_single_finding_by_an_unlike_hand_is_surer_than_by_a_known_one(kind: str) -> None:
    letter = "ש" if kind == "heads_touch" else "ר"
    p = max(THRESHOLDS.of(kind).finding, MIN_SEEN_P - 0.05)
    sound = letters(letter, kind, [0.001] * 40)
    for value, route in ((p, "review"), (0.999, "finding")):
        page = judged([*sound, *letters(letter, kind, [value], 41)])
        assert (page.glyphs[-1].route, page.glyphs[-1].reasons) == (route, (kind,))
    assert judged([*sound, *letters(letter, kind, [p], 41)], KNOWN).glyphs[-1].route == "finding"


def test_a_letter_in_question_has_no_finding_of_form_without_a_text() -> None:
    row = made.flagged(
        41, "ר", "stroke_broken", p=0.999, expected=None, reasons=("stroke_broken", "shape_doubt")
    )
    page = judged([*letters("ר", "stroke_broken", [0.001] * 40), row])
    assert (page.glyphs[-1].route, page.glyphs[-1].sure) == ("review", ())
    assert judged([row], KNOWN).glyphs[-1].route == "finding"


@pytest.mark.parametrize(("expected", "route"), [("ש", "finding"), ("ע", "review"), ("", "review")])
def test_a_letter_that_the_text_denies_has_no_finding_of_form(expected: str, route: str) -> None:
    """Two heads touch on what is read as shin and may be another letter, or a part of one."""
    row = made.flagged(41, "ש", "heads_touch", p=0.999, expected=expected)
    page = judged([*letters("ש", "heads_touch", [0.001] * 40), row])
    assert (page.glyphs[-1].route, page.glyphs[-1].reasons) == (route, ("heads_touch",))


def test_what_the_text_denies_stays_a_finding_of_the_text() -> None:
    row = made.flagged(41, "ש", "letter_swapped", p={}, expected="ע")
    page = judged([*letters("ש", "heads_touch", [0.001] * 40), row])
    assert page.glyphs[-1].route == "finding"


@pytest.mark.parametrize(("expected", "route"), [("ב", "finding"), ("כ", "review"), ("", "review")])
def test_words_are_not_joined_surely_beside_a_letter_that_the_text_denies(
    expected: str, route: str
) -> None:
    rows = [made.glyph(1, "ב", expected=expected), made.glyph(2, "ר")]
    kinds = ("words_joined",)
    gap = made.gap(1, 2, p_words_joined=0.95, reasons=kinds, sure=kinds, route="finding")
    record = made.record(rows, [gap], familiarity=UNLIKE)
    (found,) = doubt_single_findings(record).gaps
    assert (found.route, found.reasons) == (route, kinds)


def test_letters_read_in_place_of_others_are_a_doubt_of_reading() -> None:
    rows = [made.glyph(1, "א"), made.flagged(2, "ב", "letter_extra", p={}, expected="")]
    rows.append(made.glyph(3, "ג"))
    at = (0.0, 0.0)
    absent = TextPlace(
        "letter_absent", "letter_absent", "ד", (), 1, 1, 1, at, False, True, "dalet absent"
    )
    extra = TextPlace("letter_extra", "letter_extra", "ב", (2,), 1, 1, 1, at, False, True, "bet")
    letter = AbsentLetter("ד", 1, 1, 1, 1, at)
    match = TextMatch("text", 3, 2, 0, 1, (letter,), places=(absent, extra))
    gap = made.gap(1, 2, reasons=("letter_absent",), sure=("letter_absent",), route="finding")
    record = replace(made.record(rows, match=match, familiarity=UNLIKE), gaps=(gap,))
    page = doubt_single_findings(record)
    assert page.routed("finding") == ()
    assert page.match is not None
    assert [place.sure for place in page.match.places] == [False, False]
    assert page.match.absent[0].route == page.gaps[0].route == "review"
    apart = replace(record, match=replace(match, places=(replace(absent, after=3), extra)))
    assert [g.glyph for g in doubt_single_findings(apart).routed("finding")] == [2]
