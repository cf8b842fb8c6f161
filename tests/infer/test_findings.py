"""Findings of a page as one list: what stands under which heading, in what order, once each."""

from __future__ import annotations

from dataclasses import replace

import made
import pytest
from made import gap

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import Customs, load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.finding import HEADINGS, Finding
from crownlet.infer.records import AbsentLetter, Measurement, PageRecord, TextMatch, TextPlace

DEFAULT = load_customs()


def customs(**settings: object) -> Customs:
    return replace(DEFAULT, **settings)  # type: ignore[arg-type]


def only(record: PageRecord, by: Customs = DEFAULT) -> Finding:
    (finding,) = collect_findings(record, by)
    return finding


# Headings by the sources' gravity as the catalogue of the trade has it (scribal-rules.md, 4.1-4.4:
# P, P+, D and the child question are commonly asked about, L is required at the outset, C is
# custom).
@pytest.mark.parametrize(
    ("letter", "kind", "heading"),
    [
        ("ה", "leg_touches_roof", "question"),  # OC 32:18: a contact counts even by a hair
        ("ש", "tag_loose", "question"),  # MB 36:13: graver than no tag
        ("ס", "ring_open", "question"),  # Keset 5:3
        ("ג", "foot_level", "outset"),  # MS gimel
        ("ד", "heel_missing", "outset"),  # MS dalet
        ("מ", "corner_rounded", "outset"),  # MS mem, where the same in bet reads kaf
        ("ב", "corner_rounded", "question"),  # MS bet; Rambam Tef 1:19
        ("א", "yud_misplaced", "outset"),  # MS alef
        ("צ", "yud_misplaced", "question"),  # MS tsadi: joined low it is like an ayin
        ("ר", "overstretched", "outset"),  # YD 273:3
        ("ך", "overstretched", "question"),  # Keset 5:2: never stretched
        ("ש", "tag_excess", "information"),  # MB 36:13
        ("ו", "tag_excess", "question"),  # MB 36:14: it changes the letter
    ],
)
def test_heading_is_that_of_the_sources_on_this_letter(
    letter: str, kind: str, heading: str
) -> None:
    finding = only(made.record([made.flagged(1, letter, kind)]))
    assert (finding.kind, finding.heading) == (kind, heading)
    assert finding.opinions == CATALOGUE[kind].opinions_on(letter)
    assert all(letter in opinion.letters for opinion in finding.opinions)


def test_headings_are_plain_words_and_no_decision() -> None:
    assert list(HEADINGS.values()) == [
        "Commonly held to need a ruling", "Required at the outset", "By custom", "For information",
    ]  # fmt: skip


def test_no_tags_at_all_weighs_more_than_some() -> None:
    # OC 36:3 lets the letter stand; MB 36:15 tells of those who are strict where there are none.
    none = made.flagged(1, "ש", "tag_missing", tags_seen=0, tags_expected=3)
    some = made.flagged(1, "ש", "tag_missing", tags_seen=2, tags_expected=3)
    assert only(made.record([none])).heading == "question"
    assert only(made.record([some])).heading == "outset"
    for heading in ("question", "outset", "information"):
        by = customs(tags_absent=heading)
        assert only(made.record([none]), by).heading == heading
        assert only(made.record([some]), by).heading == "outset"


def test_one_letter_is_one_place_and_its_gravest_matter_leads() -> None:
    glyph = made.flagged(
        7, "ש", "tag_missing", "heads_touch", tags_seen=2, tags_expected=3,
        p={"tag_missing": 0.99, "heads_touch": 0.97}, sure=("tag_missing", "heads_touch"),
    )  # fmt: skip
    finding = only(made.record([glyph]))
    assert (finding.kind, finding.others) == ("heads_touch", ("tag_missing",))
    assert (finding.route, finding.sure, finding.p) == ("finding", True, 0.97)


def test_a_graver_doubt_is_a_place_to_review_and_no_finding() -> None:
    glyph = made.flagged(
        7, "ש", "tag_missing", "heads_touch", tags_seen=2, tags_expected=3,
        p={"tag_missing": 0.99, "heads_touch": 0.3}, sure=("tag_missing",),
    )  # fmt: skip
    doubt, found = collect_findings(made.record([glyph]), DEFAULT)
    assert (doubt.kind, doubt.route, doubt.heading) == ("heads_touch", "review", "question")
    assert (found.kind, found.route, found.heading) == ("tag_missing", "finding", "outset")
    assert "perhaps" in doubt.message and not doubt.others and not found.others


def test_one_contact_of_two_letters_is_one_place() -> None:
    pair = [made.flagged(k, "ש", "letters_touch") for k in (1, 2)]
    joined = gap(1, 2, route="finding", reasons=("letters_touch",), sure=("letters_touch",))
    finding = only(replace(made.record(pair), gaps=(joined,)))
    assert (finding.scope, finding.glyphs, finding.others) == ("gap", (1, 2), ())
    doubtful = replace(joined, route="review", sure=())
    found = collect_findings(replace(made.record(pair), gaps=(doubtful,)), DEFAULT)
    assert [finding.scope for finding in found].count("glyph") == 2


def test_order_is_heading_then_certainty_then_reading() -> None:
    page = made.record(
        [
            made.flagged(1, "ג", "foot_level", p=0.99),
            made.flagged(2, "ה", "leg_touches_roof", p=0.9),
            made.flagged(3, "ס", "ring_open", p=0.95),
            made.flagged(4, "ס", "ring_open", p=0.99, sure=(), route="review"),
            made.flagged(5, "ה", "leg_touches_roof", p=0.9),
            made.glyph(6, "ש"),
        ]
    )
    found = collect_findings(page, DEFAULT)
    assert [finding.glyphs[0] for finding in found] == [3, 2, 5, 4, 1]
    assert [finding.number for finding in found] == [1, 2, 3, 4, 5]


def test_a_measure_that_speaks_of_the_kind_stays_with_it() -> None:
    foot = Measurement(1, "foot_drop", 0.02, 0.01, (1.0, 2.0), (3.0, 4.0), "foot_level", "there")
    tag = replace(foot, name="tag_height", defect="tag_missing")
    page = made.record([made.flagged(1, "ג", "foot_level")], measurements=(foot, tag))
    assert only(page).measurements == (foot,)


def test_a_finding_that_a_measure_sent_to_review_is_not_sure() -> None:
    page = made.record([made.flagged(1, "ג", "foot_level", route="review")])
    assert (only(page).route, only(page).sure) == ("review", False)


def test_what_is_unfamiliar_has_no_source_and_is_for_information() -> None:
    finding = only(made.record([made.flagged(1, "ש", "unfamiliar", sure=(), route="review")]))
    assert (finding.heading, finding.opinions) == ("information", ())


def test_an_unfamiliar_page_is_stated_once_and_not_letter_by_letter() -> None:
    strange = [made.flagged(k, "ש", "unfamiliar", sure=(), route="review") for k in range(1, 9)]
    also = made.flagged(9, "ה", "leg_touches_roof", "unfamiliar", sure=(), route="review")
    fine = made.glyph(10, "ש")
    touching, page = collect_findings(made.record([*strange, also, fine]), DEFAULT)
    assert (touching.kind, touching.others) == ("leg_touches_roof", ())
    assert (page.kind, page.scope, page.heading) == ("unfamiliar", "page", "information")
    assert page.glyphs == tuple(range(1, 10))
    assert (page.route, page.sure) == ("review", False)
    assert "9 of 10 letters" in page.message
    few = made.record([strange[0], *(made.glyph(k) for k in range(2, 9))])
    assert [f.scope for f in collect_findings(few, DEFAULT)] == ["glyph"]


def test_gaps_and_absent_letters_are_places_too() -> None:
    glyphs = [made.glyph(k, c, box=(200.0 - 40 * k, 0.0, 230.0 - 40 * k, 30.0))
              for k, c in enumerate("שמע", start=1)]  # fmt: skip
    joined = gap(1, 2, reasons=("words_joined",), route="finding", p_words_joined=0.9)
    absent = tuple(
        AbsentLetter(c, 1, 2, k, 3, (50.0, 60.0), in_name=True) for k, c in enumerate("יה", 1)
    )
    match = TextMatch("mezuzah", 713, 3, 0, 0, absent)
    text, words = collect_findings(made.record(glyphs, [joined], match), DEFAULT)
    assert (text.kind, text.scope, text.expected, text.in_name) == (
        "letter_absent", "text", "יה", True,
    )  # fmt: skip
    assert (words.kind, words.scope, words.glyphs) == ("words_joined", "gap", (1, 2))
    assert words.box == (150.0, 0.0, 160.0, 30.0)  # between the boxes of 160 to 190, 120 to 150
    # An absent letter beside a gap is one place, its own.
    lost = gap(2, 3, reasons=("letter_absent",), route="finding")
    assert len(collect_findings(made.record(glyphs, [joined, lost], match), DEFAULT)) == 2


def test_a_run_of_extra_letters_is_one_place_and_its_letters_none() -> None:
    glyphs = [made.flagged(k, "ש", "letter_extra", expected="") for k in (1, 2)]
    glyphs.append(made.flagged(3, "ש", "letter_extra", "tag_loose", expected=""))
    place = TextPlace("words_doubled", "letter_extra", "ששש", (1, 2, 3), (1, 2, 3)[0] - 1, 1, 1,
                      (10.0, 10.0), False, True, "A word is written twice.")  # fmt: skip
    match = TextMatch("mezuzah", 713, 0, 0, 3, places=(place,))
    found = collect_findings(made.record(glyphs, match=match), DEFAULT)
    assert [(f.kind, f.glyphs) for f in found] == [
        ("letter_extra", (1, 2, 3)), ("tag_loose", (3,)),
    ]  # fmt: skip
    assert found[0].message == "A word is written twice."


def test_a_single_extra_letter_is_listed_with_all_that_is_stated_of_it() -> None:
    glyph = made.flagged(1, "ש", "letter_extra", "tag_bare", expected="")
    place = TextPlace("letter_extra", "letter_extra", "ש", (1,), 0, 1, 1, (1.0, 1.0), False, True,
                      "An extra shin.")  # fmt: skip
    match = TextMatch("mezuzah", 713, 0, 0, 1, places=(place,))
    finding = only(made.record([glyph], match=match), customs(tag_form="zayin"))
    assert (finding.kind, finding.others) == ("letter_extra", ("tag_bare",))
