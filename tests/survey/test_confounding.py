"""What differs between sources beside the hands: what is refused, and what is stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.conditions import PageConditions
from crownlet.infer.survey.confounding import find_confounding
from crownlet.infer.survey.data import SurveyData, build_arrays
from crownlet.infer.survey.labels import AuditCounts
from crownlet.infer.survey.letter_mix import compute_mix_factors
from crownlet.infer.survey.scroll_counts import ScrollCounts
from crownlet.infer.survey.verdicts import describe_units, list_verdicts

PAGE = PageConditions("A", "beit_yosef 1", "0.5.0 abcd", "mezuzah", 14.0, frozenset())


def survey(
    *conditions: PageConditions, values: tuple[str, ...] = (), scribes: tuple[str, ...] = ()
) -> SurveyData:
    """Two sources of six scrolls, all letters read; B has more. `values` are covariates `date`."""
    rng = np.random.default_rng(0)
    scroll = np.repeat(np.arange(12), 50)
    source = np.array(["A", "B"])[scroll // 6]
    label = (rng.random((1, 600)) < np.where(scroll < 6, 0.05, 0.3)).astype(float)
    arrays = build_arrays(
        ["heel_missing"], scroll, source, label, label=label,
        scribe=np.array(scribes)[scroll] if scribes else None,
    )  # fmt: skip
    scrolls = tuple(
        ScrollCounts(
            f"S{k:03d}", "AB"[k // 6], 1, 0, 50, 0, scribe=scribes[k] if scribes else "",
            covariates=(("date", values[k]),) if values else (),
        )
        for k in range(12)
    )  # fmt: skip
    return SurveyData(
        arrays, np.repeat([f"S{k:03d}-face" for k in range(12)], 50), np.tile(np.arange(1, 51), 12),
        {"x": "A", "y": "B"}, scrolls, AuditCounts(600, 600, 0), {"package": ("1",)}, (),
        conditions=conditions,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"customs": "arizal 1"}, "judged by different customs"),
        ({"networks": "0.4.0 ffff"}, "judged by different networks"),
    ],
)
def test_other_customs_or_networks_are_not_compared(change: dict[str, str], message: str) -> None:
    mixed = survey(PAGE, replace(PAGE, source="B", **change))
    confounding = find_confounding(mixed)
    results = compare_sources(mixed.arrays, None, confounding.barriers)
    assert [c.note for c in results.contrasts] == [message]
    assert results.contrasts[0].p_value is None and results.omnibus == ()
    assert message in list_verdicts(mixed, results, confounding)[0]


def test_the_same_conditions_are_compared_without_a_warning() -> None:
    plain = survey(PAGE, replace(PAGE, source="B"))
    confounding = find_confounding(plain)
    assert confounding.warnings == () and confounding.barriers == {}
    results = compare_sources(plain.arrays, None, confounding.barriers)
    verdicts = list_verdicts(plain, results, confounding)
    assert verdicts[0].startswith("No heel: more on B than on A") or "more on B" in verdicts[0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"portion": "shema"}, "Sources hold different texts (A: mezuzah; B: shema)"),
        ({"q_px": 22.0}, "Pictures differ in resolution (width of the pen; A: 14 pixels; B: 22"),
        ({"not_resolved": frozenset({"tag_missing"})}, "unevenly many (A: 0%; B: 100%)"),
    ],
)
def test_other_texts_and_pictures_are_stated(change: dict[str, object], message: str) -> None:
    found = find_confounding(survey(PAGE, replace(PAGE, source="B", **change)))  # type: ignore[arg-type]
    assert len(found.warnings) == 1 and message in found.warnings[0] and found.barriers == {}


@pytest.mark.parametrize(
    ("values", "warns"),
    [
        (("2020-01",) * 6 + ("2024-05",) * 6, True),
        (("2020-01", "2024-06") * 3 + ("2024-05",) * 6, False),
        (("120",) * 6 + ("95", "130") * 3, False),
        (("9",) * 6 + ("10",) * 6, True),
        (tuple("abcdefghijkl"), False),
        (("deer",) * 6 + ("calf",) * 6, True),
    ],
)
def test_covariates_without_overlap_are_stated(values: tuple[str, ...], warns: bool) -> None:
    found = find_confounding(survey(values=values)).warnings
    assert bool(found) is warns
    assert not warns or found[0].startswith("date: A and B have no value in common")


def test_scribes_are_the_units_and_shared_ones_are_named() -> None:
    """Six scrolls of A by two scribes: no interval of A and no test, whatever the letters say."""
    few = survey(scribes=("H1", "H1", "H1", "H2", "H2", "H2", "H2", "H3", "H4", "H5", "H6", "H7"))
    results = compare_sources(few.arrays)
    assert [r.n_clusters for r in results.rates] == [2, 6]
    assert results.rates[0].ci_low is None and results.rates[0].note.startswith("No interval")
    assert "too few scribes: one source has 2" in results.contrasts[0].note
    assert "12 scrolls by 8 scribes" in describe_units(few)
    assert find_confounding(few).warnings[0].startswith("One scribe writes for more than one")


def test_letters_are_standardised_to_one_mix() -> None:
    """By hand: shin goes wrong on 40%, beth on 10% in both sources; A has three times as many
    shins. Standardised, both have one rate."""
    rng = np.random.default_rng(5)
    scroll = np.repeat(np.arange(12), 400)
    share = np.where(scroll < 6, 0.6, 0.2)
    form = np.where(rng.random(4800) < share, "ש", "ב")
    label = (rng.random((1, 4800)) < np.where(form == "ש", 0.4, 0.1)).astype(float)
    source = np.array(["A", "B"])[scroll // 6]
    results = compare_sources(
        build_arrays(["tag_bare"], scroll, source, label, label=label, letter=form)
    )
    a, b = (rate.estimate for rate in results.rates)
    crude = [label[0, source == code].mean() for code in "AB"]
    assert crude[0] - crude[1] > 0.1 and abs(a - b) < 0.02
    assert all("Standardised to one mix of letters" in rate.note for rate in results.rates)
    even = build_arrays(["tag_bare"], scroll, source, label, label=label)
    factors = compute_mix_factors(even.letters(0), even.letter, even.source_of)
    assert np.all(factors == 1)
