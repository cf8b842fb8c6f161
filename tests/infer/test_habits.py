"""Statements on a hand, from records made by hand.

The shares are those of the issue that asked for statements (0.3 and 0.7), no outside source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import made
import numpy as np
from scipy.special import expit, logit

from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.finding import HEADINGS
from crownlet.infer.habits.apply import find_habits
from crownlet.infer.habits.judge import (
    stands_out,
)
from crownlet.infer.networks import weights_folder
from crownlet.infer.records import GlyphRecord, Measurement, PageRecord, TextMatch
from crownlet.infer.run.read import read_record
from crownlet.infer.run.write import write_page
from crownlet.infer.scrolls.habits import scroll_habits
from crownlet.infer.scrolls.sketch import sketch_page
from crownlet.infer.thresholds import load_thresholds

THRESHOLDS = load_thresholds(weights_folder())
CUSTOMS = load_customs("beit_yosef")
SOFT = THRESHOLDS.of("corner_rounded")
DOUBT = (SOFT.clear + SOFT.finding) / 2
SOFT_HAND = list(expit(np.linspace(logit(SOFT.clear) + 0.1, logit(SOFT.finding) - 0.1, 30)))
"""Letters by a hand with soft corners: all of them in doubt, one more than another."""
SEEN = SOFT.finding + 0.02
"""Hardly a finding."""


def letters(
    letter: str, defect: str, p: list[float], start: int = 1, **changes: object
) -> list[GlyphRecord]:
    """Letters of one form, routed by the thresholds as a page's letters are."""
    rows = []
    limits = THRESHOLDS.of(defect)
    for k, value in enumerate(p, start):
        if value >= limits.clear:
            sure = (defect,) if value >= limits.finding else ()
            route = "finding" if sure else "review"
            row = made.flagged(k, letter, defect, p=value, sure=sure, route=route, **changes)
        else:
            row = made.glyph(k, letter, p={defect: value}, **changes)
        rows.append(row)
    return rows


def judged(*rows: GlyphRecord) -> PageRecord:
    return find_habits(made.record(rows), THRESHOLDS, CUSTOMS)


def test_a_habit_takes_the_place_of_its_letters() -> None:
    page = judged(*letters("ר", "corner_rounded", [0.99] * 20 + [0.001]))
    (habit,) = page.habits
    assert (habit.kind, habit.seen, habit.judged, habit.exceptions) == ("habit", 20, 21, (21,))
    assert habit.glyphs == tuple(range(1, 21))
    assert {glyph.route for glyph in page.glyphs} == {"clear"}
    assert page.glyphs[0].habits == ("corner_rounded",)
    assert page.glyphs[20].habits == ()
    assert "20 of 21 letters resh; not so in 1." in habit.message
    (place,) = collect_findings(page, CUSTOMS)
    assert (place.scope, place.message, place.heading) == ("page", habit.message, habit.heading)


def test_a_hand_that_is_unsteady_in_a_form_is_one_statement() -> None:
    """Only a departure from the hand's own way is a letter's finding (issue 15)."""
    page = judged(*letters("ר", "corner_rounded", [0.99] * 10 + [0.001] * 10))
    (habit,) = page.habits
    assert (habit.kind, habit.seen, habit.judged) == ("unsteady", 10, 20)
    assert habit.message == "This hand is unsteady: a corner is rounded in 10 of 20 letters resh."
    assert page.routed("finding") == ()
    assert page.glyphs[0].habits == ("corner_rounded",)
    assert len(collect_findings(page, CUSTOMS)) == 1


def test_few_letters_without_crowns_of_an_unsteady_hand_stay_as_the_others_do() -> None:
    """Most of few tets lack theirs by chance, and each of them would get them."""
    shins = letters("ש", "tag_missing", [0.9999] * 20 + [0.001] * 20, tags_expected=3)
    tets = letters("ט", "tag_missing", [0.9999] * 6 + [0.001], 50, tags_expected=3)
    page = judged(*shins, *tets)
    assert [(h.kind, h.seen, h.judged) for h in page.habits] == [("unsteady", 26, 47)]
    assert len(page.routed("finding")) == 26


def test_letters_without_crowns_of_an_unsteady_hand_stay() -> None:
    """Each of them lacks its crown, and each would get one."""
    page = judged(*letters("ב", "tag_missing", [0.999] * 10 + [0.001] * 10, tags_expected=1))
    assert [(h.kind, h.seen, h.judged) for h in page.habits] == [("unsteady", 10, 20)]
    assert len(page.routed("finding")) == 10
    assert page.habits[0].message.endswith("each of them is listed by itself.")


def test_a_contact_that_repeats_is_stated_and_its_letters_stay() -> None:
    page = judged(*letters("ה", "leg_touches_roof", [0.99] * 20))
    assert [habit.kind for habit in page.habits] == ["repeated"]
    assert len(page.routed("finding")) == 20


def test_single_faults_are_no_habit() -> None:
    page = judged(*letters("ר", "corner_rounded", [0.99] * 2 + [0.001] * 40))
    assert page.habits == ()
    assert len(page.routed("finding")) == 2


def test_other_faults_of_a_letter_stay() -> None:
    rows = letters("ר", "corner_rounded", [0.99] * 20)
    both = {"corner_rounded": 0.99, "stroke_broken": 0.99}
    rows[3] = made.flagged(4, "ר", "stroke_broken", "corner_rounded", p=both)
    page = judged(*rows)
    assert (page.glyphs[3].route, page.glyphs[3].reasons) == ("finding", ("stroke_broken",))


def test_a_soft_corner_among_soft_corners_is_clear_and_one_among_sharp_ones_is_not() -> None:
    doubt = (THRESHOLDS.of("corner_rounded").clear + THRESHOLDS.of("corner_rounded").finding) / 2
    soft = judged(*letters("ר", "corner_rounded", [doubt] * 20))
    assert {glyph.route for glyph in soft.glyphs} == {"clear"}
    sharp = judged(*letters("ר", "corner_rounded", [0.0005] * 20 + [doubt]))
    assert [glyph.glyph for glyph in sharp.routed("review")] == [21]


def test_few_sisters_clear_no_doubt() -> None:
    assert stands_out([0.2, 0.2, 0.2], ["ר"] * 3).all()
    rng = np.random.default_rng(1)
    assert not stands_out(list(rng.uniform(0.1, 0.3, 30)), ["ר"] * 30).any()


def test_of_a_soft_hand_a_letter_that_stands_out_is_a_finding_and_no_other() -> None:
    """Nearly no letter is clear of it: soft corners are the way of the hand (issue 15)."""
    page = judged(*letters("ר", "corner_rounded", [*SOFT_HAND, SEEN, SEEN]))
    assert page.habits == ()
    assert page.routed("finding") == ()
    assert [glyph.glyph for glyph in page.routed("review")] == [31, 32]
    assert {glyph.reasons for glyph in page.routed("review")} == {("corner_rounded",)}
    plain = judged(*letters("ר", "corner_rounded", [*SOFT_HAND, 0.9999]))
    assert [glyph.glyph for glyph in plain.routed("finding")] == [31]


def test_the_same_letters_among_sharp_ones_are_findings() -> None:
    page = judged(*letters("ר", "corner_rounded", [0.0005] * 30 + [SEEN] * 2))
    assert [glyph.glyph for glyph in page.routed("finding")] == [31, 32]


def test_a_soft_hand_that_is_often_seen_at_fault_is_one_statement() -> None:
    """Likelier than not on 28 of 40 letters, seen on 12, and clear on none."""
    low, likely = [DOUBT * 0.5] * 12, [max(DOUBT, 0.55)] * 16
    page = judged(*letters("ר", "corner_rounded", low + likely + [SEEN] * 12))
    (habit,) = page.habits
    assert (habit.kind, habit.seen, habit.judged, habit.doubted) == ("habit", 12, 40, 28)
    assert habit.share == 28 / 40
    assert habit.message == (
        "Often in this hand: a corner is rounded in 12 of 40 letters resh, in doubt in 28 more."
    )
    assert {glyph.route for glyph in page.glyphs} == {"clear"}
    few = judged(*letters("ר", "corner_rounded", low + likely * 2 + [SEEN] * 3))
    assert few.habits == ()


def test_a_contact_is_no_way_of_writing_however_often_it_is_in_doubt() -> None:
    limits = THRESHOLDS.of("leg_touches_roof")
    doubt = (limits.clear + limits.finding) / 2
    page = judged(*letters("ה", "leg_touches_roof", [doubt] * 20 + [limits.finding + 0.01]))
    assert [glyph.glyph for glyph in page.routed("finding")] == [21]


def test_doubts_that_are_likelier_than_not_count_for_the_share() -> None:
    """Seen on 8 of 20, and on 12 of them likelier than not: unsteady, not a few single faults."""
    limits = THRESHOLDS.of("part_loose")
    likely = (max(0.5, limits.clear) + limits.finding) / 2
    page = judged(*letters("א", "part_loose", [0.999] * 8 + [likely] * 4 + [0.001] * 8))
    assert [(h.seen, h.likely, h.judged, h.share) for h in page.habits] == [(8, 12, 20, 0.6)]


def test_forms_that_differ_are_still_one_statement() -> None:
    always = letters("ק", "tag_missing", [0.999] * 20, tags_expected=1)
    at_times = letters("ב", "tag_missing", [0.999] * 28 + [0.001] * 32, 21, tags_expected=1)
    page = judged(*always, *at_times)
    (habit,) = page.habits
    assert (habit.kind, habit.seen, habit.judged) == ("unsteady", 48, 80)
    assert habit.message.endswith(
        "(bet 28 of 60, kuf 20 of 20); those of bet are listed one by one."
    )
    assert {glyph.letter for glyph in page.routed("finding")} == {"ב"}


def test_letters_of_other_pages_count_for_forms_of_which_a_page_has_few() -> None:
    """Four of four show no habit; sixteen of sixteen on four pages of one scroll do."""
    pages = [made.record(letters("ר", "corner_rounded", [0.99] * 4)) for _ in range(4)]
    alone = find_habits(pages[0], THRESHOLDS, CUSTOMS)
    assert (alone.habits, len(alone.routed("finding"))) == ((), 4)
    together = find_habits(pages[0], THRESHOLDS, CUSTOMS, pages[1:])
    (habit,) = together.habits
    assert (habit.kind, habit.seen, habit.judged, habit.glyphs) == ("habit", 4, 4, (1, 2, 3, 4))
    assert together.routed("finding") == ()
    assert len(together.glyphs) == 4
    sound = made.record(letters("ר", "corner_rounded", [0.001] * 4))
    assert find_habits(sound, THRESHOLDS, CUSTOMS, pages[1:]).habits == ()


def test_many_letters_of_a_page_are_judged_by_themselves() -> None:
    """Pages of one scroll may be by two hands."""
    others = [made.record(letters("ר", "corner_rounded", [0.001] * 60))]
    page = made.record(letters("ר", "corner_rounded", [0.99] * 20))
    (habit,) = find_habits(page, THRESHOLDS, CUSTOMS, others).habits
    assert (habit.kind, habit.seen, habit.judged) == ("habit", 20, 20)


def test_a_doubt_on_a_short_page_stands_beside_the_letters_of_the_others() -> None:
    face = made.record(letters("ר", "corner_rounded", [0.0005] * 30))
    reverse = made.record(letters("ר", "corner_rounded", [DOUBT]))
    alone = find_habits(reverse, THRESHOLDS, CUSTOMS)
    assert len(alone.routed("review")) == 1
    soft = made.record(letters("ר", "corner_rounded", SOFT_HAND))
    assert find_habits(reverse, THRESHOLDS, CUSTOMS, [soft]).routed("review") == ()
    assert len(find_habits(reverse, THRESHOLDS, CUSTOMS, [face]).routed("review")) == 1


def test_crowns_are_counted_by_how_many_the_letters_ask_for() -> None:
    single = letters("ב", "tag_missing", [0.999] * 12, tags_expected=1)
    triple = letters("ש", "tag_missing", [0.001] * 12, 13, tags_expected=3, tags_seen=3)
    page = judged(*single, *triple)
    (habit,) = page.habits
    assert habit.message == (
        "As a rule of this hand: no crown at all (1 crown expected) in 12 of 12 letters bet."
    )


def test_where_tags_cannot_be_counted_no_crown_at_all_is_still_stated() -> None:
    """The picture shows whether there is any, and the count of three is not examined."""
    pair = THRESHOLDS.of("tag_none")
    rows = [
        made.flagged(
            k, "ש", "tag_missing", p={"tag_missing": 0.9999, "tag_none": 0.9999}, tags_expected=3,
            not_examined=("tag_missing",),
        )
        for k in range(1, 13)
    ]  # fmt: skip
    crowned = [
        made.glyph(
            k, "ש", p={"tag_missing": 0.9, "tag_none": pair.clear / 2}, tags_expected=3,
            tags_seen=3, not_examined=("tag_missing",),
        )
        for k in range(13, 15)
    ]  # fmt: skip
    (habit,) = judged(*rows, *crowned).habits
    assert (habit.seen, habit.judged, habit.exceptions) == (12, 14, (13, 14))
    assert "no crown at all (3 crowns expected) in 12 of 14 letters shin" in habit.message


def test_a_page_on_which_nothing_is_more_than_a_review_states_a_doubt() -> None:
    rows = letters("ר", "corner_rounded", [0.99] * 9)
    page = made.record([replace(row, sure=(), route="review") for row in rows])
    found = find_habits(page, THRESHOLDS, CUSTOMS)
    (habit,) = found.habits
    assert (habit.kind, habit.seen, habit.judged, habit.sure) == ("habit", 9, 9, False)
    assert habit.message == (
        "Perhaps as a rule of this hand: a corner is rounded in 9 of 9 letters resh; each of them "
        "is listed by itself."
    )
    assert found.glyphs == page.glyphs
    assert {place.route for place in collect_findings(found, CUSTOMS)} == {"review"}
    assert scroll_habits([sketch_page(found)], []) == ()


def test_a_page_that_may_hold_no_square_script_states_nothing() -> None:
    rows = [
        made.flagged(
            k, "ר", "corner_rounded", "unfamiliar", p={"corner_rounded": 0.99}, sure=(),
            route="review",
        )
        for k in range(1, 10)
    ]  # fmt: skip
    page = made.record(rows)
    assert find_habits(page, THRESHOLDS, CUSTOMS) == page


def test_on_a_page_of_reviews_doubts_that_do_not_stand_out_go() -> None:
    high = made.flagged(1, "ב", "part_loose", p=0.999, sure=(), route="review")
    doubts = letters("ר", "corner_rounded", [DOUBT] * 9, start=2)
    page = judged(high, *doubts)
    assert [glyph.glyph for glyph in page.routed("review")] == [1]


def test_statements_are_written_and_read_back(tmp_path: Path) -> None:
    page = judged(*letters("ר", "corner_rounded", [0.99] * 20 + [0.001]))
    again = read_record(write_page(page, tmp_path))
    assert again.habits == page.habits
    assert [g.habits for g in again.glyphs] == [g.habits for g in page.glyphs]


def test_a_scroll_states_both_sides() -> None:
    uncrowned = letters("ב", "tag_missing", [0.999] * 12, tags_expected=1)
    crowned = letters("ב", "tag_missing", [0.001] * 3, tags_expected=1, tags_seen=1)
    (habit,) = scroll_habits([sketch_page(judged(*uncrowned))], [sketch_page(judged(*crowned))])
    assert (habit.face, habit.reverse, habit.letters) == ((12, 12), (0, 3), "ב")
    assert habit.message.endswith("(bet): on the face 12 of 12, on the reverse 0 of 3.")


def test_scroll_and_page_name_the_same_numbers() -> None:
    """Left legs of a yud's length are accepted (Orach Chayim 32:15), and count on neither."""
    rows = letters("ה", "leg_short", [0.999] * 6 + [0.001] * 10)
    length = Measurement(
        1, "left_leg_length", 1.2, None, (0.0, 0.0), (0.0, 1.0), "leg_short", "not_there"
    )
    taken = tuple(replace(length, glyph=k) for k in range(7, 17))
    record = made.record(rows, measurements=taken)
    page = find_habits(record, THRESHOLDS, load_customs("unspecified"))
    (own,) = page.habits
    (habit,) = scroll_habits([sketch_page(page)], [])
    assert habit.face == (own.seen, own.judged) == (6, 6)


def test_a_habit_that_the_ink_denies_is_not_stated() -> None:
    """Measures of 12 of 20 heels find them there, and none finds one missing."""
    rows = letters("ד", "heel_missing", [0.999] * 20)
    length = Measurement(1, "heel", 0.25, None, (0.0, 0.0), (0.0, 1.0), "heel_missing", "not_there")
    taken = [replace(length, glyph=k, claim="not_there" if k < 13 else "unclear")
             for k in range(1, 21)]  # fmt: skip
    denied = find_habits(made.record(rows, measurements=tuple(taken)), THRESHOLDS, CUSTOMS)
    assert denied.habits == ()
    one_missing = (*taken[:-1], replace(taken[-1], claim="there"))
    page = made.record(rows, measurements=one_missing)
    assert [h.seen for h in find_habits(page, THRESHOLDS, CUSTOMS).habits] == [20]


def test_letters_of_all_pages_show_what_no_page_can() -> None:
    """Four of four on each of four pages, inspected one by one: the scroll states it, and no page.

    Of what the customs accept there is no finding, and nothing is stated.
    """
    sides = []
    for number in range(4):
        page = replace(judged(*letters("ר", "corner_rounded", [0.99] * 4)), name=f"column-{number}")
        assert page.habits == ()
        sides.append(sketch_page(page, collect_findings(page, CUSTOMS)))
    (habit,) = scroll_habits(sides[:3], sides[3:])
    assert (habit.defect, habit.letters, habit.face, habit.reverse) == (
        "corner_rounded", "ר", (12, 12), (4, 4),
    )  # fmt: skip
    assert habit.glyphs == {f"column-{number}": (1, 2, 3, 4) for number in range(4)}
    assert habit.heading in HEADINGS
    assert habit.message == (
        "All pages together: a corner is rounded (resh): on the face 12 of 12, on the reverse 4 of "
        "4."
    )
    accepted = [replace(side, headings={}) for side in sides]
    assert scroll_habits(accepted, []) == ()
    assert scroll_habits(sides[:1], []) == ()


def test_a_measure_that_denies_one_letter_hides_no_habit() -> None:
    """Its probability is high and it is not sure: the page is still one whose findings are sure."""
    denied = made.flagged(99, "ר", "corner_rounded", p=0.99, sure=(), route="review")
    page = judged(*letters("ר", "corner_rounded", [0.99] * 20), denied)
    assert [habit.kind for habit in page.habits] == ["habit"]


def test_a_packed_hand_is_one_statement() -> None:
    few = judged(*letters("ב", "letters_touch", [0.99] * 9 + [0.001] * 91))
    assert few.habits == ()
    assert len(few.routed("finding")) == 9
    page = judged(*letters("ב", "letters_touch", [0.99] * 14 + [0.001] * 86))
    (habit,) = page.habits
    assert (habit.defect, habit.kind, habit.seen, habit.judged) == (
        "letters_touch",
        "habit",
        14,
        100,
    )
    assert page.routed("finding") == ()
    assert habit.exceptions == ()
    assert habit.message.startswith("Often in this hand: touches a neighbour in 14 of 100 letters")


def test_the_gravest_is_first_within_a_heading() -> None:
    """Missing crowns are disputed (MB 36:15), a leg that touches is not (OC 32:18)."""
    crowns = letters("ש", "tag_missing", [0.9999] * 12, tags_expected=3)
    legs = letters("ק", "leg_touches_roof", [0.99] * 12, 20)
    sound = letters("ה", "leg_touches_roof", [0.0001] * 2, 40)
    page = judged(*crowns, *legs, *sound)
    assert [habit.defect for habit in page.habits] == ["leg_touches_roof", "tag_missing"]
    places = collect_findings(page, CUSTOMS)
    assert {place.heading for place in places} == {"question"}
    assert [place.kind for place in places] == ["leg_touches_roof"] * 13 + ["tag_missing"]


def test_a_statement_cites_what_is_stated_of_its_letters() -> None:
    """Nothing of the tags of lamed (Keset 5:2), nor of single tags (MS under each letter)."""
    page = judged(*letters("ש", "tag_missing", [0.9999] * 12, tags_expected=3))
    (place,) = collect_findings(page, CUSTOMS)
    assert place.opinions
    assert {"MB 36:15; Keset 5:4", "OC 36:3"} <= {opinion.source for opinion in place.opinions}
    assert not [
        o for o in place.opinions if o.source in ("MS lamed; Keset 5:2", "MS under each letter")
    ]


def test_a_letter_of_the_old_list_with_its_own_crowns_counts_as_the_others_do() -> None:
    """The first shin of the mezuzah is on the list (Mishneh Torah, Tefillin 5:3), with the three
    crowns that its class has: page, scroll and sheet count it alike."""
    crowned = letters("ש", "tag_missing", [0.0001] * 10, tags_seen=3, tags_expected=3)
    bare = letters("ש", "tag_missing", [0.9999] * 10, 11, tags_expected=3)
    match = TextMatch("mezuzah", 20, 20, 0, 0)
    page = find_habits(
        made.record([*crowned, *bare], match=match), THRESHOLDS, load_customs("unspecified")
    )
    (habit,) = page.habits
    assert (habit.seen, habit.judged) == (10, 20)
