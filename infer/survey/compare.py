"""A whole survey compared: rates, shares, contrasts and pairs from its tables of letters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crownlet.infer.survey.contrasts import TTestResult, adjust_holm, paired_test, welch_test
from crownlet.infer.survey.data import FACE, REVERSE, SurveyArrays, build_arrays
from crownlet.infer.survey.estimators import (
    AuditedLetters,
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


def compute_scroll_shares(survey: SurveyArrays) -> tuple[ScrollShare, ...]:
    """A row for each defect, then for `any`, by source."""
    scrolls = len(survey.source_of)
    has = np.zeros((len(survey.defects), scrolls), dtype=bool)
    for place, found in enumerate(survey.found):
        has[place, survey.scroll[found & ~np.isnan(survey.predicted[place])]] = True
    has = np.vstack([has, has.any(axis=0)])
    return tuple(
        _scroll_share(defect, code, row[survey.source_of == number])
        for defect, row in zip((*survey.defects, "any"), has, strict=True)
        for number, code in enumerate(survey.sources)
    )


def _scroll_share(defect: str, code: str, has: NDArray[np.bool_]) -> ScrollShare:
    count, of = int(has.sum()), len(has)
    low, high = (
        clopper_pearson_limits(count, of) if of >= MIN_SCROLLS_FOR_INTERVAL else (None, None)
    )
    return ScrollShare(defect, code, of, count, count / of, low, high)


BASES_BY_STRENGTH: tuple[Basis, ...] = ("read", "audited", "unaudited")
"""From the strongest basis to the weakest."""


def compare_arrays(
    defects: Sequence[str], scroll: ArrayLike, source: ArrayLike, predicted: ArrayLike, **more: Any
) -> SurveyComparison:
    """Compare the sources of a survey; the arrays are those of `tables`, which checks them."""
    return compare_sources(build_arrays(defects, scroll, source, predicted, **more))


def compare_sources(survey: SurveyArrays) -> SurveyComparison:
    """All results; a defect that no letter of a source can have has no row for that source."""
    rates: list[DefectRate] = []
    contrasts: list[SourceContrast] = []
    pairs: list[SideContrast] = []
    for place, defect in enumerate(survey.defects):
        letters = survey.letters(place)
        known = _estimate_sources(survey, letters)
        rates += [_defect_rate(defect, *one) for one in known]
        contrasts += [_contrast_sources(defect, *two) for two in combinations(known, 2)]
        pairs += _contrast_sides(defect, survey, letters, ~np.isnan(survey.predicted[place]))
    return SurveyComparison(
        tuple(rates),
        compute_scroll_shares(survey),
        _adjust_by_family(contrasts),
        _adjust_by_family(pairs),
    )


AnyContrast = TypeVar("Test", SourceContrast, SideContrast)


def _adjust_by_family(made: Sequence[AnyContrast]) -> tuple[AnyContrast, ...]:
    """Corrected in two families: what a reader's word stands behind, and the network's alone.

    Defects are chosen for the audit before anything is seen; the others, which nobody checked, are
    looked at by the way and shall not hide what was.
    """
    corrected = list(made)
    for bare in (False, True):
        places = [k for k, test in enumerate(made) if (test.basis == "unaudited") is bare]
        for k, p in zip(places, adjust_holm([made[k].p for k in places]), strict=True):
            corrected[k] = replace(made[k], p_holm=p)
    return tuple(corrected)


SourceEstimate = tuple[str, Basis, RateEstimate, float | None]
"""A source's code, its basis, its estimate and the likeness within its scrolls."""


def estimate_by_letter(survey: SurveyArrays) -> tuple[DefectRate, ...]:
    """Rates of each letter of the alphabet that can have a defect, in the alphabet's order."""
    rates: list[DefectRate] = []
    for place, defect in enumerate(survey.defects):
        letters = survey.letters(place)
        forms = survey.letter[~np.isnan(survey.predicted[place])]
        for form in np.unique(forms):
            known = _estimate_sources(survey, letters.of(np.asarray(forms == form)))
            rates += [_defect_rate(defect, *one, letter=str(form)) for one in known]
    return tuple(rates)


def _estimate_sources(survey: SurveyArrays, letters: AuditedLetters) -> list[SourceEstimate]:
    if not len(letters.scroll):
        return []
    tuning = fit_lambdas(letters)
    known: list[SourceEstimate] = []
    for number, code in enumerate(survey.sources):
        mine = survey.source_of[letters.scroll] == number
        if mine.any():
            known.append((code, *_estimate_scrolls(letters.of(mine), tuning)))
    return known


def _estimate_scrolls(
    letters: AuditedLetters, tuning: Floats
) -> tuple[Basis, RateEstimate, float | None]:
    """Letters of some scrolls, with each scroll's lambda over the whole survey."""
    scrolls, number = np.unique(letters.scroll, return_inverse=True)
    mine = replace(letters, scroll=number)
    basis = _basis_of(mine)
    judged = mine if basis == "unaudited" else mine.of(~np.isnan(mine.label))
    word = judged.predicted if basis == "unaudited" else judged.label
    present = np.unique(judged.scroll)
    counts, sizes = judged.sums(word)[present], judged.sums(np.ones_like(word))[present]
    likeness = estimate_icc(counts, sizes)
    if basis == "audited":
        return basis, estimate_with_audit(mine, tuning[scrolls]), likeness
    return basis, estimate_ratio(counts, sizes), likeness


def _basis_of(letters: AuditedLetters) -> Basis:
    """An audit of fewer scrolls than an interval needs does not count as one."""
    judged = ~np.isnan(letters.label)
    if judged.all():
        return "read"
    return (
        "audited"
        if len(np.unique(letters.scroll[judged])) >= MIN_SCROLLS_FOR_INTERVAL
        else "unaudited"
    )


def _defect_rate(
    defect: str,
    code: str,
    basis: Basis,
    found: RateEstimate,
    likeness: float | None,
    letter: str = "",
) -> DefectRate:
    scrolls, letters = len(found.sizes), int(found.sizes.sum())
    rate = min(max(found.rate, 0.0), 1.0)
    variance = found.variance if scrolls > 1 else None
    low, high = found.limits() if scrolls >= MIN_SCROLLS_FOR_INTERVAL else (None, None)
    unlike = rate * (1 - rate) / found.audited
    return DefectRate(
        defect=defect,
        letter=letter,
        source=code,
        basis=basis,
        scrolls=scrolls,
        letters=letters,
        audited=0 if basis == "unaudited" else found.audited,
        rate=rate,
        se=None if variance is None else variance**0.5,
        low=low,
        high=high,
        design_effect=variance / unlike if variance is not None and unlike > 0 else None,
        likeness=likeness,
        note=_caution(basis, scrolls),
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
    """A corrected rate is not tested against the network's bare word."""
    test = welch_test(first[2].scroll_rates, second[2].scroll_rates)
    basis = max(first[1], second[1], key=BASES_BY_STRENGTH.index)
    if basis == "unaudited" and first[1] != second[1]:
        test = TTestResult(test.difference, None, None, None, None)
    return SourceContrast(defect, first[0], second[0], basis, *test, p_holm=None)


def _contrast_sides(
    defect: str, survey: SurveyArrays, letters: AuditedLetters, applies: NDArray[np.bool_]
) -> list[SideContrast]:
    """The scrolls with letters on both sides, of all sources; nothing where there is none.

    As between sources, a corrected rate is not tested against the network's bare word.
    """
    side: NDArray[np.str_] = survey.side[applies]
    face, reverse = letters.scroll[side == FACE], letters.scroll[side == REVERSE]
    both = np.intersect1d(face, reverse)
    if not len(both):
        return []
    tuning = fit_lambdas(letters)
    kept = np.isin(letters.scroll, both)
    sides = [
        _estimate_scrolls(letters.of(kept & np.asarray(side == name)), tuning)
        for name in (FACE, REVERSE)
    ]
    basis = max((one[0] for one in sides), key=BASES_BY_STRENGTH.index)
    test = paired_test(sides[0][1].scroll_rates, sides[1][1].scroll_rates)
    if basis == "unaudited" and sides[0][0] != sides[1][0]:
        test = TTestResult(test.difference, None, None, None, None)
    return [
        SideContrast(defect, basis, len(both), test.difference, test.low, test.high, test.p, None)
    ]
