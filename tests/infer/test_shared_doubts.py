"""Doubts that an unlike hand raises on many letters are asked once, from records made by hand; the
rules are this project's own (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import made
import pytest

from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.habits.apply import INK_LOST, OVERSTRETCHED
from crownlet.infer.habits.doubts import set_accepted_aside, share_doubts
from crownlet.infer.habits.widespread import MIN_WIDESPREAD_LETTERS, state_widespread
from crownlet.infer.hand_records import HandFamiliarity
from crownlet.infer.networks import weights_folder
from crownlet.infer.records import GlyphRecord, Measurement, PageRecord
from crownlet.infer.review.habit_questions import raised_questions
from crownlet.infer.routing.judgement import judgement_of, tally_of
from crownlet.infer.run.run import open_run
from crownlet.infer.run.write import count_judgements, write_page
from crownlet.infer.thresholds import load_thresholds

CUSTOMS = load_customs("unspecified")
THRESHOLDS = load_thresholds(weights_folder())
UNLIKE = HandFamiliarity(False, 0.8)
INSIDE = (50.0, 50.0, 80.0, 80.0)
FEW, MANY = MIN_WIDESPREAD_LETTERS - 1, MIN_WIDESPREAD_LETTERS
KIND = "head_melted"
DOUBT = (THRESHOLDS.of(KIND).clear + THRESHOLDS.of(KIND).finding) / 2


def doubted(number: int, p: float = DOUBT, kind: str = KIND, *more: str) -> GlyphRecord:
    reasons = (kind, *more)
    return made.flagged(number, "א", *reasons, p={kind: p}, sure=(), route="review", box=INSIDE)


def page_of(rows: list[GlyphRecord], others: int = 60, **changes: object) -> PageRecord:
    sound = [
        made.glyph(k, "א", p={KIND: 0.001}, box=INSIDE)
        for k in range(len(rows) + 1, len(rows) + others + 1)
    ]
    return made.record([*rows, *sound], familiarity=UNLIKE, **changes)


def shared(record: PageRecord) -> PageRecord:
    return share_doubts(record, THRESHOLDS, CUSTOMS)


def test_many_doubts_are_one_question_and_stay_doubts() -> None:
    page = shared(page_of([doubted(k) for k in range(1, MANY + 1)]))
    (asked,) = page.habits
    assert (asked.kind, asked.sure, asked.seen, asked.doubted) == ("doubted", False, 0, MANY)
    assert asked.glyphs == tuple(range(1, MANY + 1))
    assert asked.message == (
        "In doubt in this hand: a head runs into the body without a thin joint in 5 of 65 letters "
        "(alef 5 of 65)."
    )
    assert page.routed("review") == ()
    assert {g.shared_doubts for g in page.glyphs[:MANY]} == {(KIND,)}
    assert judgement_of(page.glyphs[0], KIND) == "doubted"
    assert tally_of(page.glyphs, KIND).doubted == MANY
    assert count_judgements(page)[KIND]["doubted"] == MANY
    (place,) = collect_findings(page, CUSTOMS)
    assert (place.scope, place.route, place.sure) == ("page", "review", False)


def test_few_doubts_are_places_of_their_own() -> None:
    page = page_of([doubted(k) for k in range(1, FEW + 1)])
    assert shared(page) == page


def test_five_doubts_among_a_thousand_letters_are_not_the_hand() -> None:
    page = page_of([doubted(k) for k in range(1, MANY + 1)], 1000)
    assert shared(page) == page


def test_a_letter_that_stands_out_with_a_finding_s_probability_stays_a_place() -> None:
    rows = [doubted(k) for k in range(1, MANY + 1)] + [doubted(MANY + 1, 0.89)]
    page = shared(page_of(rows))
    assert [glyph.glyph for glyph in page.routed("review")] == [MANY + 1]


def test_a_doubt_that_the_ink_confirms_stays_a_place() -> None:
    ends = (0.0, 0.0), (0.0, 12.0)
    taken = tuple(
        Measurement(k, "head_gap", 0.0, None, *ends, KIND, says)
        for k, says in ((1, "there"), (2, "unclear"), (3, "not_there"))
    )
    rows = [doubted(k) for k in range(1, MANY + 2)]
    page = shared(page_of(rows, measurements=taken))
    assert [glyph.glyph for glyph in page.routed("review")] == [1]


def test_another_reason_of_a_letter_stays() -> None:
    rows = [doubted(k) for k in range(1, MANY)] + [doubted(MANY, DOUBT, KIND, "shape_doubt")]
    page = shared(page_of(rows))
    last = page.glyphs[MANY - 1]
    assert (last.route, last.reasons, last.shared_doubts) == ("review", ("shape_doubt",), (KIND,))


def test_what_the_customs_accept_and_letters_read_against_the_text_are_not_asked_together() -> None:
    bare = [doubted(k, 0.5, "tag_bare") for k in range(1, MANY + 1)]
    assert shared(page_of(bare)).habits == ()
    other = [replace(doubted(k), expected="ב") for k in range(1, MANY + 1)]
    assert shared(page_of(other)).habits == ()


def test_of_a_page_that_may_hold_no_square_script_nothing_is_asked_together() -> None:
    rows = [doubted(k, DOUBT, KIND, "unfamiliar") for k in range(1, MANY + 1)]
    assert shared(page_of(rows)).habits == ()


@pytest.mark.parametrize("kind", [INK_LOST, OVERSTRETCHED])
def test_doubts_about_what_is_stated_of_the_page_go_with_the_statement(kind: str) -> None:
    """A letter that is drawn out less than those stated is no place of its own."""
    seen = [made.flagged(k, "ה", kind, p=0.96, box=INSIDE) for k in range(1, MANY + 4)]
    doubt = [
        made.flagged(k, "ה", kind, p=0.8, sure=(), route="review", box=INSIDE)
        for k in range(MANY + 4, MANY + 6)
    ]
    uneven = [
        made.glyph(k, "ה", p={kind: (0.02, 0.1, 0.3, 0.5, 0.7)[k % 5]}, box=INSIDE)
        for k in range(MANY + 6, MANY + 66)
    ]
    page = made.record([*seen, *doubt, *uneven], familiarity=UNLIKE)
    after = state_widespread(page, CUSTOMS)
    assert after.routed("review") == ()
    assert [g.glyph for g in after.glyphs if g.shared_doubts] == [g.glyph for g in doubt]
    asked = raised_questions(after, collect_findings(after, CUSTOMS))
    origins = {q.glyphs[0]: q.origin for q in asked if len(q.glyphs) == 1}
    assert {origins[g.glyph] for g in doubt} == {"habit_doubt"}
    known = state_widespread(replace(page, familiarity=HandFamiliarity(True)), CUSTOMS)
    assert [g.glyph for g in known.routed("review")] == [g.glyph for g in doubt]


def test_each_letter_of_a_question_is_asked_about_once_as_a_doubt(tmp_path: Path) -> None:
    page = shared(page_of([doubted(k) for k in range(1, MANY + 1)]))
    write_page(page, tmp_path, collect_findings(page, CUSTOMS))
    stored = open_run(tmp_path).pages["page"]
    assert [g.shared_doubts for g in stored.record.glyphs] == [g.shared_doubts for g in page.glyphs]
    asked = raised_questions(stored.record, stored.findings)
    letters = [q for q in asked if len(q.glyphs) == 1]
    assert [q.glyphs[0] for q in letters] == list(range(1, MANY + 1))
    assert {(q.origin, q.habit) for q in letters} == {("review", f"{KIND}:")}
    (whole,) = [q for q in asked if len(q.glyphs) > 1]
    assert (whole.origin, whole.habit) == ("statement", f"{KIND}:")


def test_a_doubt_about_what_the_customs_accept_sends_nobody_to_look() -> None:
    """Either top of a final kaf is accepted, some asking for a round one (Mishnat Sofrim, final
    kaf; MB 32:73); a bare crown is one (MB 36:12). What is surely seen is counted all the same."""
    other = doubted(3, 0.5, "tag_bare", "ring_open")
    kaf = replace(doubted(2, 0.5, "corner_squared"), letter="ך", expected="ך")
    seen = made.flagged(4, "א", "tag_bare", p=0.99, box=INSIDE)
    rows = [doubted(1, 0.5, "tag_bare"), kaf, other, seen, doubted(5, 0.5, "corner_squared")]
    page = made.record(rows, familiarity=HandFamiliarity(True))
    after = set_accepted_aside(page, CUSTOMS)
    assert [g.route for g in after.glyphs] == ["clear", "clear", "review", "finding", "review"]
    assert [g.accepted_doubts for g in after.glyphs] == [
        ("tag_bare",), ("corner_squared",), ("tag_bare",), (), (),
    ]  # fmt: skip
    assert after.glyphs[2].reasons == ("ring_open",)
    assert tally_of(after.glyphs, "tag_bare") == tally_of(rows, "tag_bare")
    assert collect_findings(after, CUSTOMS) == collect_findings(page, CUSTOMS)
    zayins = replace(CUSTOMS, tag_form="zayin")
    assert set_accepted_aside(page, zayins).glyphs[0].route == "review"
    asked = {f.glyphs for f in collect_findings(after, zayins)}
    assert asked == {f.glyphs for f in collect_findings(page, zayins)} and (1,) in asked
