"""The rates of a survey's sources, each the mean over its independent units, with their basis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.data import SurveyArrays
from crownlet.infer.survey.estimators import (
    Ints,
    LetterSample,
    RateEstimate,
    are_surely_drawn,
    estimate_read,
    estimate_with_audit,
    fit_lambdas,
)
from crownlet.infer.survey.intervals import Floats, estimate_icc
from crownlet.infer.survey.letter_mix import compute_mix_factors
from crownlet.infer.survey.records import (
    MIN_UNITS_FOR_INTERVAL,
    MIN_UNITS_WITHOUT_WARNING,
    Basis,
    DefectRate,
)


class SourceEstimate(NamedTuple):
    """The rate of some units, with what it rests on."""

    source: str
    """The source's code."""
    basis: Basis
    rate: RateEstimate
    icc: float | None
    """Correlation of two letters of one unit; None where it is not defined."""
    units: Ints
    """Numbers of the units in the survey, (units,)."""
    scrolls: int
    answered: int
    """Units of which a reader judged a letter."""
    standardised: bool
    """Whether its rates are those of another mix of letters than its own."""


def estimate_rates(survey: SurveyArrays) -> tuple[DefectRate, ...]:
    """The rates alone, without any test."""
    return tuple(
        make_defect_rate(defect, estimate, survey.unit_word)
        for row, defect in enumerate(survey.defects)
        for estimate in estimate_sources(
            survey, survey.letters(row), ~np.isnan(survey.predicted[row])
        )
    )


def estimate_by_letter(survey: SurveyArrays) -> tuple[DefectRate, ...]:
    """Rates of each letter of the alphabet that can have a defect, in the alphabet's order."""
    rates: list[DefectRate] = []
    for row, defect in enumerate(survey.defects):
        letters, examined = survey.letters(row), ~np.isnan(survey.predicted[row])
        forms = survey.letter[examined]
        for form in np.unique(forms):
            own = examined & (survey.letter == form)
            part = letters.select(np.asarray(forms == form))
            estimates = estimate_sources(survey, part, own)
            rates += [make_defect_rate(defect, e, survey.unit_word, str(form)) for e in estimates]
    return tuple(rates)


def estimate_sources(
    survey: SurveyArrays, letters: LetterSample, examined: NDArray[np.bool_]
) -> list[SourceEstimate]:
    """One estimate per source; `examined` masks the letters of the survey that `letters` are."""
    if not len(letters.unit):
        return []
    lambdas = fit_lambdas(letters)
    unit_of = survey.unit_of
    source_of = np.zeros(int(unit_of.max()) + 1, dtype=np.int64)
    source_of[unit_of] = survey.source_of
    factors = compute_mix_factors(letters, survey.letter[examined], source_of)
    scrolls = survey.scroll[examined]
    estimates: list[SourceEstimate] = []
    for number, source in enumerate(survey.sources):
        own = source_of[letters.unit] == number
        if own.any():
            found = estimate_units(source, letters.select(own), lambdas, factors)
            estimates.append(found._replace(scrolls=len(np.unique(scrolls[own]))))
    return estimates


def estimate_units(
    source: str, letters: LetterSample, lambdas: Floats, factors: Floats | None = None
) -> SourceEstimate:
    """Letters of some units; `lambdas`, `factors` have an entry for each unit of the survey."""
    units, number = np.unique(letters.unit, return_inverse=True)
    own = replace(letters, unit=number)
    judged = ~np.isnan(own.label)
    answered = len(np.unique(own.unit[judged]))
    basis = _basis_of(judged, answered)
    if basis == "audited":
        # Of a unit without any answer nothing is known but what the others show.
        kept = (own.sum_by_unit(judged.astype(np.float64)) > 0) | ~are_surely_drawn(own)
        own = own.select(kept[own.unit])
        units, own = units[kept], replace(own, unit=np.unique(own.unit, return_inverse=True)[1])
    sizes = own.sum_by_unit(np.ones_like(own.predicted))
    icc = None
    if basis == "audited":
        found = estimate_with_audit(own, lambdas[units])
        icc = _estimate_audited_icc(found)
    else:
        answer = own.predicted if basis == "unaudited" else own.label
        counts = own.sum_by_unit(answer)
        found = estimate_read(counts, sizes)
        icc = estimate_icc(counts, sizes) if basis == "read" else None
    standardised = False
    if factors is not None:
        found = found.scaled(factors[units])
        standardised = bool(np.any(factors[units] != 1))
    return SourceEstimate(source, basis, found, icc, units, 0, answered, standardised)


def pool_estimates(rates: Sequence[RateEstimate]) -> RateEstimate:
    """The units of several sources as those of one."""
    return RateEstimate(
        np.concatenate([rate.unit_rates for rate in rates]),
        np.concatenate([rate.unit_letters for rate in rates]),
        np.concatenate([rate.audit_variances for rate in rates]),
        sum(rate.n_judged for rate in rates),
        sum(rate.n_met for rate in rates),
    )


def make_defect_rate(defect: str, found: SourceEstimate, word: str, letter: str = "") -> DefectRate:
    """The row of one source; `word` names the units."""
    units = len(found.rate.unit_rates)
    rate = min(max(found.rate.rate, 0.0), 1.0)
    checked = found.basis != "unaudited"
    variance = found.rate.variance if units > 1 and checked else None
    low, high = None, None
    if units >= MIN_UNITS_FOR_INTERVAL and checked:
        low, high = found.rate.confidence_limits()
    independent = rate * (1 - rate) / found.rate.n_judged
    return DefectRate(
        defect=defect,
        letter=letter,
        source=found.source,
        basis=found.basis,
        n_clusters=units,
        n_scrolls=found.scrolls,
        n_letters=int(found.rate.unit_letters.sum()),
        n_audited=found.rate.n_judged if checked else 0,
        estimate=rate,
        std_error=None if variance is None else variance**0.5,
        ci_low=low,
        ci_high=high,
        design_effect=variance / independent if variance is not None and independent > 0 else None,
        icc=found.icc,
        note=_caution(found, units, word),
    )


def _estimate_audited_icc(found: RateEstimate) -> float | None:
    """The spread between units less that of sampling, over p (1 - p), at least 0."""
    rate = min(max(found.rate, 0.0), 1.0)
    binomial = rate * (1 - rate)
    if len(found.unit_rates) < 2 or binomial == 0:
        return None
    noise = float((binomial / found.unit_letters + found.audit_variances).mean())
    return min(1.0, max(0.0, (float(found.unit_rates.var(ddof=1)) - noise) / binomial))


def _basis_of(judged: NDArray[np.bool_], answered: int) -> Basis:
    """By the mask of letters judged, (letters,), and the number of their units.

    An audit of fewer units than an interval needs does not count as one.
    """
    if judged.all():
        return "read"
    return "audited" if answered >= MIN_UNITS_FOR_INTERVAL else "unaudited"


def _caution(found: SourceEstimate, units: int, word: str) -> str:
    notes = []
    if found.basis == "unaudited":
        why = ""
        if found.answered:
            of = f"{found.answered} {word}{'s' if found.answered > 1 else ''}"
            why = f"readers' answers of {of} do not count, {MIN_UNITS_FOR_INTERVAL} are needed; "
        notes.append(f"Unaudited: {why}the network's word alone, without interval or test.")
    elif units < MIN_UNITS_FOR_INTERVAL:
        notes.append(f"No interval: fewer than {MIN_UNITS_FOR_INTERVAL} {word}s.")
    elif units < MIN_UNITS_WITHOUT_WARNING:
        notes.append(f"Few {word}s: {units}.")
    if found.standardised:
        notes.append("Standardised to one mix of letters.")
    return " ".join(notes)
