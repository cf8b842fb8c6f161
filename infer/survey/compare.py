"""A whole survey compared: rates, shares of scrolls, contrasts of sources and of sides."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crownlet.infer.survey.contrasts import (
    adjust_holm,
    adjust_tests,
    compare_estimates,
    describe_no_test,
)
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.design import SurveyDesign
from crownlet.infer.survey.estimators import LetterSample, fit_lambdas
from crownlet.infer.survey.permutation import TestResult, compare_many, compare_pairs
from crownlet.infer.survey.records import (
    OTHERS,
    Basis,
    DefectRate,
    OmnibusTest,
    ScrollShare,
    ShrunkenRate,
    SideContrast,
    SourceContrast,
    SurveyComparison,
)
from crownlet.infer.survey.scroll_counts import FACE, REVERSE
from crownlet.infer.survey.shrinkage import (
    MIN_SOURCES_TO_SHRINK,
    estimate_between_variance,
    pool_variance,
    shrink_rates,
)
from crownlet.infer.survey.source_rates import (
    SourceEstimate,
    estimate_sources,
    estimate_units,
    make_defect_rate,
    pool_estimates,
)

BASES_BY_STRENGTH: tuple[Basis, ...] = ("read", "audited", "unaudited")
"""From the strongest basis to the weakest."""

MAX_SOURCES_FOR_PAIRS = 6
"""More sources (15 pairs) are each compared with all the others together."""

MIN_SOURCES_FOR_OMNIBUS = 3

Barriers = Mapping[frozenset[str], str]
"""Pairs of sources that may not be compared, with the reason."""

AnyContrast = TypeVar("AnyContrast", SourceContrast, SideContrast)


def compare_arrays(
    defects: Sequence[str], scroll: ArrayLike, source: ArrayLike, predicted: ArrayLike, **more: Any
) -> SurveyComparison:
    """Compare the sources of a survey; the arrays are those of `build_arrays`, which checks them.

    SurveyTableError if they do not fit together.
    """
    return compare_sources(build_arrays(defects, scroll, source, predicted, **more))


def compare_sources(
    survey: SurveyArrays, design: SurveyDesign | None = None, barriers: Barriers | None = None
) -> SurveyComparison:
    """All results; a defect that no letter of a source can have has no row for that source.

    Comparisons that a `design` does not declare are exploratory; without one all are. `barriers`
    names the pairs that are confounded.
    """
    rates: list[DefectRate] = []
    contrasts: list[SourceContrast] = []
    side_contrasts: list[SideContrast] = []
    omnibus: list[OmnibusTest] = []
    shrunken: list[ShrunkenRate] = []
    for row, defect in enumerate(survey.defects):
        letters = survey.letters(row)
        examined = ~np.isnan(survey.predicted[row])
        estimates = estimate_sources(survey, letters, examined)
        rates += [make_defect_rate(defect, estimate, survey.unit_word) for estimate in estimates]
        contrasts += _contrast_all(defect, estimates, survey.unit_word, design, barriers or {})
        side_contrasts += _contrast_sides(defect, letters, survey.side[examined])
        checked = [e for e in estimates if e.basis != "unaudited"]
        omnibus += _test_all(defect, checked) if not barriers else []
        shrunken += _shrink(defect, checked)
    adjusted = adjust_holm([test.p_value for test in omnibus])
    return SurveyComparison(
        tuple(rates),
        compute_scroll_shares(survey),
        _adjust_by_family(contrasts),
        _adjust(side_contrasts),
        tuple(replace(t, p_value_holm=p) for t, p in zip(omnibus, adjusted, strict=True)),
        tuple(shrunken),
    )


def compute_scroll_shares(survey: SurveyArrays) -> tuple[ScrollShare, ...]:
    """Of each source's scrolls, the share with at least one finding, by the tool's answers alone.

    A row for each defect, then for `any`, by source.
    """
    scrolls = len(survey.source_of)
    has = np.zeros((len(survey.defects), scrolls), dtype=bool)
    for row, found in enumerate(survey.found):
        has[row, survey.scroll[found & ~np.isnan(survey.predicted[row])]] = True
    has = np.vstack([has, has.any(axis=0)])
    return tuple(
        ScrollShare(defect, source, len(own), int(own.sum()), float(own.mean()))
        for defect, row in zip((*survey.defects, "any"), has, strict=True)
        for number, source in enumerate(survey.sources)
        for own in (row[survey.source_of == number],)
    )


def _contrast_all(
    defect: str,
    estimates: Sequence[SourceEstimate],
    word: str,
    design: SurveyDesign | None,
    barriers: Barriers,
) -> list[SourceContrast]:
    """Every pair of few sources; of many, the declared pairs, and each against the others."""
    declared = {frozenset(pair) for pair in design.comparisons} if design else set()
    few = len(estimates) <= MAX_SOURCES_FOR_PAIRS
    rows = []
    for first, second in combinations(estimates, 2):
        if few or frozenset((first.source, second.source)) in declared:
            barrier = barriers.get(frozenset((first.source, second.source)), "")
            covered = design is not None and design.covers(defect, first.source, second.source)
            rows.append(_contrast_sources(defect, first, second, word, barrier, not covered))
    if not few:
        covered = design is not None and defect in design.defects and not design.comparisons
        for own in estimates:
            others = [e for e in estimates if e.source != own.source and e.basis == own.basis]
            barrier = next((why for pair, why in barriers.items() if own.source in pair), "")
            if others:
                rest = others[0]._replace(
                    source=OTHERS, rate=pool_estimates([e.rate for e in others])
                )
                rows.append(_contrast_sources(defect, own, rest, word, barrier, not covered))
    return rows


def _contrast_sources(
    defect: str,
    first: SourceEstimate,
    second: SourceEstimate,
    word: str,
    barrier: str,
    exploratory: bool,
) -> SourceContrast:
    basis = _weaker(first.basis, second.basis)
    rates = first.rate.unit_rates, second.rate.unit_rates
    difference = float(rates[0].mean() - rates[1].mean())
    if barrier or basis == "unaudited":
        test = TestResult(difference, reason="unaudited")
        reason = "little_read" if min(first.answered, second.answered) else "unaudited"
        note = barrier or describe_no_test(reason, word, len(rates[0]), len(rates[1]))
    else:
        test = compare_estimates(first.rate, second.rate)
        note = describe_no_test(test.reason, word, len(rates[0]), len(rates[1]))
    return SourceContrast(
        defect, first.source, second.source, basis, len(rates[0]), len(rates[1]),
        test.difference, test.ci_low, test.ci_high, test.p_value, test.p_exact,
        p_value_holm=None, exploratory=exploratory, note=note,
    )  # fmt: skip


def _contrast_sides(
    defect: str, letters: LetterSample, side: NDArray[np.str_]
) -> list[SideContrast]:
    """The units with letters on both sides, of all sources; nothing where there is none.

    `side`, (letters,), names the side of each letter.
    """
    both = np.intersect1d(letters.unit[side == FACE], letters.unit[side == REVERSE])
    if not len(both):
        return []
    lambdas = fit_lambdas(letters)
    kept = np.isin(letters.unit, both)
    face, reverse = (
        estimate_units("", letters.select(kept & np.asarray(side == name)), lambdas)
        for name in (FACE, REVERSE)
    )
    basis = _weaker(face.basis, reverse.basis)
    both = np.intersect1d(face.units, reverse.units)
    differences = (
        face.rate.unit_rates[np.isin(face.units, both)]
        - reverse.rate.unit_rates[np.isin(reverse.units, both)]
    )
    if not len(both):
        return []
    test = TestResult(float(differences.mean()))
    if basis != "unaudited":
        test = compare_pairs(differences)
    return [
        SideContrast(
            defect, basis, len(both), test.difference, test.ci_low, test.ci_high, test.p_value,
            test.p_exact, p_value_holm=None,
        )
    ]  # fmt: skip


def _weaker(first: Basis, second: Basis) -> Basis:
    return max(first, second, key=BASES_BY_STRENGTH.index)


def _test_all(defect: str, checked: Sequence[SourceEstimate]) -> list[OmnibusTest]:
    if len(checked) < MIN_SOURCES_FOR_OMNIBUS:
        return []
    basis: Basis = "audited" if any(e.basis == "audited" for e in checked) else "read"
    units = np.array([len(e.rate.unit_rates) for e in checked], dtype=np.float64)
    variances = pool_variance([e.rate for e in checked]) / units
    between = estimate_between_variance(np.array([e.rate.rate for e in checked]), variances)
    p_value = compare_many([e.rate.unit_rates for e in checked])
    return [OmnibusTest(defect, basis, len(checked), int(units.sum()), between**0.5, p_value, None)]


def _shrink(defect: str, checked: Sequence[SourceEstimate]) -> list[ShrunkenRate]:
    if len(checked) < MIN_SOURCES_TO_SHRINK:
        return []
    units = np.array([len(e.rate.unit_rates) for e in checked], dtype=np.float64)
    rates = np.array([e.rate.rate for e in checked])
    shrunken, weight = shrink_rates(rates, pool_variance([e.rate for e in checked]) / units)
    return [
        ShrunkenRate(defect, e.source, len(e.rate.unit_rates), float(r), float(s), float(w))
        for e, r, s, w in zip(checked, rates, shrunken, weight, strict=True)
    ]


def _adjust_by_family(contrasts: Sequence[SourceContrast]) -> tuple[SourceContrast, ...]:
    """p values corrected in two families: what was declared, and what is exploratory."""
    adjusted = list(contrasts)
    for exploratory in (False, True):
        family = [k for k, c in enumerate(contrasts) if c.exploratory is exploratory]
        for k, contrast in zip(family, _adjust(contrasts[k] for k in family), strict=True):
            adjusted[k] = contrast
    return tuple(adjusted)


def _adjust(contrasts: Iterable[AnyContrast]) -> tuple[AnyContrast, ...]:
    held = tuple(contrasts)
    values = adjust_tests([c.p_value for c in held], [c.p_value_exact for c in held])
    return tuple(replace(c, p_value_holm=p) for c, p in zip(held, values, strict=True))
