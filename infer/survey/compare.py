"""A whole survey compared: rates, shares of scrolls, contrasts of sources and of sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crownlet.infer.survey.contrasts import TTestResult, adjust_holm, paired_test, welch_test
from crownlet.infer.survey.data import FACE, REVERSE, SurveyArrays, build_arrays
from crownlet.infer.survey.estimators import (
    LetterSample,
    RateEstimate,
    estimate_ratio,
    estimate_with_audit,
    fit_lambdas,
)
from crownlet.infer.survey.intervals import Floats, clopper_pearson_limits, estimate_icc
from crownlet.infer.survey.records import (
    MIN_SCROLLS_FOR_INTERVAL,
    MIN_SCROLLS_WITHOUT_WARNING,
    Basis,
    DefectRate,
    ScrollShare,
    SideContrast,
    SourceContrast,
    SurveyComparison,
)

BASES_BY_STRENGTH: tuple[Basis, ...] = ("read", "audited", "unaudited")
"""From the strongest basis to the weakest."""

AnyContrast = TypeVar("AnyContrast", SourceContrast, SideContrast)


class SourceEstimate(NamedTuple):
    """The rate of some scrolls, with what it rests on."""

    source: str
    """The source's code."""
    basis: Basis
    rate: RateEstimate
    icc: float | None
    """Correlation of two letters of one scroll; None where it is not defined."""


def compare_arrays(
    defects: Sequence[str], scroll: ArrayLike, source: ArrayLike, predicted: ArrayLike, **more: Any
) -> SurveyComparison:
    """Compare the sources of a survey; the arrays are those of `build_arrays`, which checks them.

    SurveyTableError if they do not fit together.
    """
    return compare_sources(build_arrays(defects, scroll, source, predicted, **more))


def compare_sources(survey: SurveyArrays) -> SurveyComparison:
    """All results; a defect that no letter of a source can have has no row for that source."""
    rates: list[DefectRate] = []
    contrasts: list[SourceContrast] = []
    side_contrasts: list[SideContrast] = []
    for row, defect in enumerate(survey.defects):
        letters = survey.letters(row)
        estimates = _estimate_sources(survey, letters)
        rates += [_defect_rate(defect, estimate) for estimate in estimates]
        contrasts += [_contrast_sources(defect, *two) for two in combinations(estimates, 2)]
        examined = ~np.isnan(survey.predicted[row])
        side_contrasts += _contrast_sides(defect, letters, survey.side[examined])
    return SurveyComparison(
        tuple(rates),
        compute_scroll_shares(survey),
        _adjust_by_family(contrasts),
        _adjust_by_family(side_contrasts),
    )


def estimate_by_letter(survey: SurveyArrays) -> tuple[DefectRate, ...]:
    """Rates of each letter of the alphabet that can have a defect, in the alphabet's order."""
    rates: list[DefectRate] = []
    for row, defect in enumerate(survey.defects):
        letters = survey.letters(row)
        forms = survey.letter[~np.isnan(survey.predicted[row])]
        for form in np.unique(forms):
            estimates = _estimate_sources(survey, letters.select(np.asarray(forms == form)))
            rates += [_defect_rate(defect, estimate, str(form)) for estimate in estimates]
    return tuple(rates)


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
        _scroll_share(defect, source, row[survey.source_of == number])
        for defect, row in zip((*survey.defects, "any"), has, strict=True)
        for number, source in enumerate(survey.sources)
    )


def _scroll_share(defect: str, source: str, has: NDArray[np.bool_]) -> ScrollShare:
    count, scrolls = int(has.sum()), len(has)
    low, high = None, None
    if scrolls >= MIN_SCROLLS_FOR_INTERVAL:
        low, high = clopper_pearson_limits(count, scrolls)
    return ScrollShare(defect, source, scrolls, count, count / scrolls, low, high)


def _adjust_by_family(contrasts: Sequence[AnyContrast]) -> tuple[AnyContrast, ...]:
    """p values corrected in two families: what a reader checked, and the network's answers alone.

    Defects are chosen for the audit before anything is seen; the others, which nobody checked, are
    compared as well, and their number shall not hide what was checked.
    """
    adjusted = list(contrasts)
    for unaudited in (False, True):
        family = [k for k, c in enumerate(contrasts) if (c.basis == "unaudited") is unaudited]
        values = adjust_holm([contrasts[k].p_value for k in family])
        for k, value in zip(family, values, strict=True):
            adjusted[k] = replace(contrasts[k], p_value_holm=value)
    return tuple(adjusted)


def _estimate_sources(survey: SurveyArrays, letters: LetterSample) -> list[SourceEstimate]:
    if not len(letters.scroll):
        return []
    lambdas = fit_lambdas(letters)
    estimates: list[SourceEstimate] = []
    for number, source in enumerate(survey.sources):
        own = survey.source_of[letters.scroll] == number
        if own.any():
            estimates.append(_estimate_scrolls(source, letters.select(own), lambdas))
    return estimates


def _estimate_scrolls(source: str, letters: LetterSample, lambdas: Floats) -> SourceEstimate:
    """Letters of some scrolls; `lambdas` has an entry for each scroll of the whole survey."""
    scrolls, number = np.unique(letters.scroll, return_inverse=True)
    own = replace(letters, scroll=number)
    basis = _basis_of(own)
    judged = own if basis == "unaudited" else own.select(~np.isnan(own.label))
    answer = judged.predicted if basis == "unaudited" else judged.label
    present = np.unique(judged.scroll)
    counts = judged.sum_by_scroll(answer)[present]
    sizes = judged.sum_by_scroll(np.ones_like(answer))[present]
    icc = estimate_icc(counts, sizes)
    if basis == "audited":
        return SourceEstimate(source, basis, estimate_with_audit(own, lambdas[scrolls]), icc)
    return SourceEstimate(source, basis, estimate_ratio(counts, sizes), icc)


def _basis_of(letters: LetterSample) -> Basis:
    """An audit of fewer scrolls than an interval needs does not count as one."""
    judged = ~np.isnan(letters.label)
    if judged.all():
        return "read"
    scrolls = len(np.unique(letters.scroll[judged]))
    return "audited" if scrolls >= MIN_SCROLLS_FOR_INTERVAL else "unaudited"


def _defect_rate(defect: str, found: SourceEstimate, letter: str = "") -> DefectRate:
    sizes = found.rate.sizes
    scrolls = len(sizes)
    rate = min(max(found.rate.rate, 0.0), 1.0)
    variance = found.rate.variance if scrolls > 1 else None
    low, high = None, None
    if scrolls >= MIN_SCROLLS_FOR_INTERVAL:
        low, high = found.rate.confidence_limits()
    independent = rate * (1 - rate) / found.rate.n_judged
    return DefectRate(
        defect=defect,
        letter=letter,
        source=found.source,
        basis=found.basis,
        n_clusters=scrolls,
        n_letters=int(sizes.sum()),
        n_audited=0 if found.basis == "unaudited" else found.rate.n_judged,
        estimate=rate,
        std_error=None if variance is None else variance**0.5,
        ci_low=low,
        ci_high=high,
        design_effect=variance / independent if variance is not None and independent > 0 else None,
        icc=found.icc,
        note=_caution(found.basis, scrolls),
    )


def _caution(basis: Basis, scrolls: int) -> str:
    notes = []
    if basis == "unaudited":
        notes.append("Unaudited: the network's word alone.")
    if scrolls < MIN_SCROLLS_FOR_INTERVAL:
        notes.append(f"No interval: fewer than {MIN_SCROLLS_FOR_INTERVAL} scrolls.")
    elif scrolls < MIN_SCROLLS_WITHOUT_WARNING:
        notes.append(f"Few scrolls: {scrolls}.")
    return " ".join(notes)


def _contrast_sources(defect: str, first: SourceEstimate, second: SourceEstimate) -> SourceContrast:
    test = welch_test(first.rate.scroll_rates, second.rate.scroll_rates)
    basis, test = _restrict(first.basis, second.basis, test)
    return SourceContrast(defect, first.source, second.source, basis, *test, p_value_holm=None)


def _contrast_sides(
    defect: str, letters: LetterSample, side: NDArray[np.str_]
) -> list[SideContrast]:
    """The scrolls with letters on both sides, of all sources; nothing where there is none.

    `side`, (letters,), names the side of each letter.
    """
    both = np.intersect1d(letters.scroll[side == FACE], letters.scroll[side == REVERSE])
    if not len(both):
        return []
    lambdas = fit_lambdas(letters)
    kept = np.isin(letters.scroll, both)
    face, reverse = (
        _estimate_scrolls("", letters.select(kept & np.asarray(side == name)), lambdas)
        for name in (FACE, REVERSE)
    )
    test = paired_test(face.rate.scroll_rates, reverse.rate.scroll_rates)
    basis, test = _restrict(face.basis, reverse.basis, test)
    return [
        SideContrast(
            defect, basis, len(both), test.difference, test.ci_low, test.ci_high, test.p_value,
            p_value_holm=None,
        )
    ]  # fmt: skip


def _restrict(first: Basis, second: Basis, test: TTestResult) -> tuple[Basis, TTestResult]:
    """The weaker basis; a corrected rate is not tested against an unaudited one."""
    basis = max(first, second, key=BASES_BY_STRENGTH.index)
    if basis == "unaudited" and first != second:
        test = TTestResult(test.difference, None, None, None, None)
    return basis, test
