"""What counts as cleared, as a finding, and as neither: on pages drawn up so that it is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crownlet.datasets.coco.truth import DefectMark, LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.records import AbsentLetter, GlyphRecord, PageRecord, TextMatch
from crownlet.train.risk_control.choose import (
    DefectEvidence,
    RiskTargets,
    choose_thresholds,
    measure_load,
)
from crownlet.train.risk_control.evidence import (
    EVIDENCE_DEFECTS,
    Evidence,
    join_evidence,
    load_evidence,
    page_evidence,
    save_evidence,
)

CUSTOMS = load_customs("beit_yosef")
IMAGE = np.zeros((8, 8), np.uint8)


def written(x: int, plainness: float | None = None, **changes: object) -> LetterTruth:
    """A he at `x`, with a leg that touches the roof as plainly as that."""
    marks = () if plainness is None else (DefectMark("leg_touches_roof", 0.2, plainness),)
    truth = LetterTruth(
        "ה", "ה", 0, 0, x, (10.0 * x, 0.0, 10.0 * x + 8, 8.0), (10.0 * x + 4, 0.0, 8.0, 0.0), 1,
        marks,
    )  # fmt: skip
    return replace(truth, **changes)  # type: ignore[arg-type]


def seen(x: int, p: float | None, **changes: object) -> GlyphRecord:
    row = GlyphRecord(
        x + 1, 1, 1, x + 1, "ה", 0.99, "ה", (10.0 * x, 0.0, 10.0 * x + 8, 8.0),
        (10.0 * x + 4, 0.0, 8.0, 0.0), 1, 1, {"leg_touches_roof": p},
    )  # fmt: skip
    return replace(row, **changes)  # type: ignore[arg-type]


def record(*glyphs: GlyphRecord, **changes: object) -> PageRecord:
    page = PageRecord("page", ImageFacts("", 8, 8, "L", ""), glyphs, (), None, 0)
    return replace(page, **changes)  # type: ignore[arg-type]


def gathered(letters: list[LetterTruth], page: PageRecord) -> tuple[Evidence, DefectEvidence]:
    evidence = page_evidence(PageTruth(IMAGE, tuple(letters)), page, CUSTOMS, 1)
    return evidence, DefectEvidence(evidence, "leg_touches_roof")


def test_plain_cases_below_the_border_are_cleared_doubtful_ones_do_not_count() -> None:
    # Issue 3, 3: the doubtful third is kept out of positives and negatives.
    letters = [written(k, plainness) for k, plainness in enumerate((0.9, 0.8, 0.5, 0.1, None))]
    page = record(*(seen(k, p) for k, p in enumerate((0.01, 0.6, 0.01, 0.7, 0.8))))
    _, cases = gathered(letters, page)
    # 0.6 is usual for this hand, so that it is shown as a finding or not at all.
    assert cases.cleared_shares(0.05, finding=0.5).tolist() == [0.5]
    assert cases.cleared_shares(0.05, finding=0.65).tolist() == [1.0]
    assert cases.cleared_shares(0.001, finding=0.001).tolist() == [0.0]
    # From 0.6 on: one plain case, and two letters that are as good as clean; the doubtful is none.
    assert cases.false_shares(0.6, learning=False).tolist() == [pytest.approx(2 / 3)]
    assert (
        cases.false_shares(0.9, learning=False).tolist() == []
    )  # no finding: the scroll does not enter
    assert cases.false_shares(0.6, learning=True).tolist() == []


def crown_cases(letters: list[LetterTruth], page: PageRecord, name: str) -> DefectEvidence:
    truth = PageTruth(IMAGE, tuple(letters))
    return DefectEvidence(page_evidence(truth, page, CUSTOMS, 1), name)


def crowned(x: int, letter: str, tags: int, plainness: float = 1.0) -> LetterTruth:
    asked = CUSTOMS.tags_expected(letter) or 0
    mark = (DefectMark("tag_missing", 1.0, plainness),) if tags < asked else ()
    return written(x, letter=letter, expected=letter, tags=tags, defects=mark)


def tagged(x: int, letter: str, none: float, fewer: float) -> GlyphRecord:
    asked = CUSTOMS.tags_expected(letter)
    p = {"tag_none": none, "tag_missing": fewer}
    return replace(seen(x, None), letter=letter, expected=letter, tags_expected=asked, p=p)


def test_no_crown_and_fewer_tags_have_evidence_of_their_own() -> None:
    # Three tags on shin, one on dalet (Menachot 29b; Mishnat Sofrim).
    letters = [
        crowned(0, "ש", 0), crowned(1, "ש", 2), crowned(2, "ש", 3), crowned(3, "ד", 0),
        crowned(4, "ד", 1), crowned(5, "ד", 0, plainness=0.5),
    ]  # fmt: skip
    p = [(0.9, 0.99), (0.1, 0.6), (0.0, 0.2), (0.3, 0.3), (0.7, 0.7), (0.5, 0.5)]
    page = record(*(tagged(k, x.letter, *p[k]) for k, x in enumerate(letters)))
    none, fewer = (crown_cases(letters, page, name) for name in ("tag_none", "tag_missing"))
    assert none.plain.tolist() == [True, False, False, True, False, False]
    assert none.clean.tolist() == [False, True, True, False, True, False]  # a stump is neither
    assert none.cleared_shares(0.4).tolist() == [0.5]
    # Fewer is asked where several tags are, and one at least stands there.
    assert fewer.plain.tolist() == [False, True, False, False, False, False]
    assert fewer.clean.tolist() == [False, False, True, False, False, False]
    assert np.isnan(fewer.p[3:]).all()  # routed by the other judgement alone


def test_a_letter_taken_for_another_counts_as_cleared_unless_it_is_raised() -> None:
    letters = [written(0, 1.0)]
    as_chet = seen(0, None, letter="ח")
    assert gathered(letters, record(as_chet))[1].cleared_shares(0.001).tolist() == [1.0]
    raised = replace(as_chet, reasons=("letter_swapped",), route="finding")
    assert gathered(letters, record(raised))[1].cleared_shares(0.2).tolist() == [0.0]
    # Another defect's border is no part of this one's promise.
    other = replace(as_chet, reasons=("tag_missing",), route="review")
    assert gathered(letters, record(other))[1].cleared_shares(0.001).tolist() == [1.0]


def test_a_letter_that_was_not_found_counts_as_cleared_unless_it_is_named_absent() -> None:
    letters = [written(0, None), written(1, 1.0)]
    page = record(seen(0, 0.0))
    evidence, cases = gathered(letters, page)
    assert cases.cleared_shares(0.001).tolist() == [1.0]
    assert evidence.read.tolist() == [1, -1]
    absent = AbsentLetter("ה", 1, 1, 2, 1, (0.0, 0.0))
    match = TextMatch("own", 2, 1, 0, 0, (absent,))
    assert gathered(letters, replace(page, match=match))[1].cleared_shares(0.2).tolist() == [0.0]


def test_a_box_around_half_of_a_letter_is_that_letters() -> None:
    # 3 of 8 px of it: an IoU of 0.375, below the 0.5 of the suites, and nothing else stands there.
    half = seen(0, 0.7, box=(0.0, 0.0, 3.0, 8.0))
    evidence, cases = gathered([written(0, 1.0)], record(half))
    assert evidence.read.tolist() == [1]
    assert cases.cleared_shares(0.5).tolist() == [0.0]
    # A speck of it is not the letter: that is not found, and a finding on the speck is false.
    evidence, cases = gathered([written(0, 1.0)], record(seen(0, 0.7, box=(0.0, 0.0, 1.0, 8.0))))
    assert evidence.read.tolist() == [-1, -2]
    assert cases.cleared_shares(0.5).tolist() == [1.0]
    assert cases.false_shares(0.5, learning=False).tolist() == [1.0]


def test_what_is_not_examined_or_doubtful_in_its_class_is_left_out() -> None:
    letters = [
        written(0, 1.0),
        written(1, None, other="ח", share=0.4),
        written(2, 1.0, whole=False),
    ]
    blind = seen(0, 0.0, not_examined=("leg_touches_roof",))
    evidence, cases = gathered(letters, record(blind, seen(1, 0.9, letter="ח")))
    assert evidence.read.tolist() == [1, 1]  # either of the two letters is read rightly
    assert cases.cleared_shares(0.2).tolist() == []
    assert cases.false_shares(0.5, learning=False).tolist() == []
    # A fault that makes the class doubtful is a case all the same.
    letters[1] = written(1, 1.0, other="ח", share=0.4)
    page = record(blind, seen(1, 0.9))
    assert gathered(letters, page)[1].cleared_shares(0.95).tolist() == [1.0]
    assert not len(
        gathered(letters, record(seen(0, 0.0), unresolved=("leg_touches_roof",)))[1].scrolls
    )


def test_a_finding_where_nothing_is_written_is_false() -> None:
    _, cases = gathered([written(0, 1.0)], record(seen(0, 0.9), seen(5, 0.9)))
    assert cases.false_shares(0.6, learning=False).tolist() == [0.5]


def invented(scrolls: int = 800) -> Evidence:
    """Each scroll has four clean letters at 0.001 and two plain cases at 0.9."""
    rows = 6 * scrolls
    p, plainness = (
        np.full((rows, len(EVIDENCE_DEFECTS)), np.nan),
        np.full((rows, len(EVIDENCE_DEFECTS)), np.nan),
    )
    k = EVIDENCE_DEFECTS.index("leg_touches_roof")
    p[:, k] = np.tile([0.001] * 4 + [0.9] * 2, scrolls)
    plainness[:, k] = np.tile([0.0] * 4 + [1.0] * 2, scrolls)
    return Evidence(
        EVIDENCE_DEFECTS, np.repeat(np.arange(scrolls), 6), p.astype(np.float32),
        plainness.astype(np.float32), np.zeros(p.shape, np.bool_),
        np.zeros(rows, np.bool_), np.ones(rows, np.float32), np.ones(rows, np.int8),
        {"source": "renders"},
    )  # fmt: skip


def test_borders_and_what_they_send_to_review() -> None:
    evidence = invented()
    choices = choose_thresholds(evidence, RiskTargets())
    choice = choices["leg_touches_roof"]
    assert choice.cleared is not None
    assert choice.false is not None
    assert (choice.clear, choice.cleared.risk, choice.cases, choice.scrolls) == (
        0.2,
        0.01,
        1600,
        800,
    )
    assert (choice.finding, choice.false.risk, choice.false.scrolls) == (0.5, 0.05, 640)
    assert choices["foot_level"].cleared is None
    assert choices["foot_level"].clear == RiskTargets().unpromised[0]
    load_ = measure_load(evidence, choices)
    assert (load_.review, load_.finding, load_.finding_of_clean) == (0.0, pytest.approx(1 / 3), 0.0)
    # For all 2 x D promises together each is tested at 0.05 / 2D (Bonferroni): 299 scrolls are then
    # too few for 1%, while alone they carry it.
    few = invented(299)
    assert _risk(choose_thresholds(few, RiskTargets())) == 0.01
    assert _risk(choose_thresholds(few, RiskTargets(together=True))) == 0.03


def _risk(choices):  # type: ignore[no-untyped-def]
    return choices["leg_touches_roof"].cleared.risk


def test_evidence_is_kept(tmp_path: Path) -> None:
    evidence = invented(3)
    turned = join_evidence([evidence], {"pages": 3})
    save_evidence(turned, tmp_path / "sub" / "evidence.npz")
    back = load_evidence(tmp_path / "sub" / "evidence.npz")
    assert back.names == EVIDENCE_DEFECTS
    assert back.facts == {"pages": 3}
    for key in ("scroll", "p", "plainness", "raised", "letter_p", "read"):
        np.testing.assert_array_equal(getattr(back, key), getattr(evidence, key))
    with pytest.raises(ValueError, match="evidence"):
        join_evidence([], {})
