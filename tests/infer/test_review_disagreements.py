"""Network against measure: which letters go to review, and that nothing else changes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.networks import weights_folder
from crownlet.infer.records import GlyphRecord, MeasureClaim, Measurement, Route
from crownlet.infer.routing.reasons import MEASURED_DEFECTS, review_disagreements
from crownlet.infer.thresholds import load_thresholds

LIMITS = load_thresholds(weights_folder())
LEG = LIMITS.of("leg_touches_roof")
CLEAR, FINDING = LEG.clear / 2, (1 + LEG.finding) / 2
REVIEW = (LEG.clear + LEG.finding) / 2


def he(p: float, route: Route, reasons: tuple[str, ...] = ()) -> GlyphRecord:
    return GlyphRecord(
        glyph=5, line=1, word=1, place=2, letter="ה", letter_p=0.99, expected=None,
        box=(0.0, 0.0, 60.0, 70.0), body=(30.0, 0.0, 60.0, 0.0), tags_seen=1, tags_expected=None,
        p={"leg_touches_roof": p, "leg_short": 0.99, "part_loose": None}, route=route,
        reasons=reasons,
    )  # fmt: skip


def opinion(claim: MeasureClaim, of: str = "leg_touches_roof", glyph: int = 5) -> Measurement:
    return Measurement(glyph, "leg_gap", 0.0, None, (1.0, 1.0), (1.0, 1.0), of, claim)


def after(row: GlyphRecord, *measurements: Measurement) -> tuple[Route, tuple[str, ...]]:
    (result,) = review_disagreements((row,), measurements, LIMITS)
    assert replace(result, route=row.route, reasons=row.reasons) == row
    return result.route, result.reasons


# The rule is the issue's: "where they disagree the letter goes to review".
def test_a_contact_that_the_networks_clear_is_looked_at() -> None:
    assert after(he(CLEAR, "clear"), opinion("there")) == ("review", ("leg_touches_roof",))


def test_a_finding_that_the_measure_denies_is_looked_at() -> None:
    row = he(FINDING, "finding", ("leg_touches_roof",))
    assert after(row, opinion("not_there")) == ("review", ("leg_touches_roof",))


@pytest.mark.parametrize("claim", ["there", "not_there", "unclear"])
def test_what_goes_to_review_stays_there(claim: MeasureClaim) -> None:
    row = he(REVIEW, "review", ("leg_touches_roof",))
    assert after(row, opinion(claim)) == ("review", ("leg_touches_roof",))


def test_agreement_changes_nothing() -> None:
    assert after(he(CLEAR, "clear"), opinion("not_there")) == ("clear", ())
    found = he(FINDING, "finding", ("leg_touches_roof",))
    assert after(found, opinion("there")) == ("finding", ("leg_touches_roof",))
    assert after(found, opinion("unclear")) == ("finding", ("leg_touches_roof",))
    assert after(he(CLEAR, "clear"), opinion("unclear")) == ("clear", ())


def test_another_finding_of_the_letter_stands() -> None:
    row = he(FINDING, "finding", ("leg_touches_roof", "leg_short"))
    assert after(row, opinion("not_there"))[0] == "finding"
    swapped = he(FINDING, "finding", ("letter_swapped", "leg_touches_roof"))
    assert after(swapped, opinion("not_there"))[0] == "finding"
    assert after(he(CLEAR, "finding", ("leg_short",)), opinion("there")) == (
        "finding", ("leg_short", "leg_touches_roof"),
    )  # fmt: skip


def test_two_measures_of_one_defect_that_differ_deny_nothing() -> None:
    row = he(FINDING, "finding", ("leg_touches_roof",))
    assert after(row, opinion("not_there"), opinion("there"))[0] == "finding"
    assert after(row, opinion("not_there"), opinion("unclear"))[0] == "finding"


def test_who_is_not_heard() -> None:
    clear = he(CLEAR, "clear")
    assert after(clear, opinion("there", "leg_short")) == ("clear", ())
    assert after(clear, opinion("there", "part_loose")) == ("clear", ())  # no such fault of he
    assert after(clear, opinion("there", glyph=6)) == ("clear", ())
    blind = replace(clear, not_examined=("leg_touches_roof",))
    assert after(blind, opinion("there")) == ("clear", ())
    assert set(CATALOGUE) >= MEASURED_DEFECTS
