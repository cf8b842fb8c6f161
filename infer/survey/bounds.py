"""How far rates and contrasts depend on the questions of the audit that have no label.

The bounds take every letter drawn without a label to have the defect, or none of them (Manski
1989); of a contrast, those of one source to have it and those of the other not. What the truth is,
no draw decides. Answers of "cannot tell" count as without label.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from crownlet.infer.survey.contrasts import compare_estimates
from crownlet.infer.survey.data import SurveyArrays
from crownlet.infer.survey.permutation import TestResult
from crownlet.infer.survey.records import OTHERS, DefectRate, SourceContrast
from crownlet.infer.survey.response import (
    AuditArrays,
    Bools,
    Floats,
    Ints,
    fill_labels,
    find_usable,
)
from crownlet.infer.survey.source_rates import estimate_rates, estimate_sources, pool_estimates


@dataclass(frozen=True)
class UnansweredQuestions:
    """The questions about one defect in one source: one row of unanswered.csv."""

    defect: str
    source: str
    n_drawn: int
    n_labelled: int
    n_cannot_tell: int
    n_unanswered: int
    labels_used: bool
    """Whether enough are labelled for the labels to count (`MIN_LABELLED_SHARE`), on enough units
    of the source (`MIN_UNITS_FOR_INTERVAL`)."""
    estimate: float | None
    """The rate under the assumption; None where no label counts."""
    estimate_if_absent: float | None
    """The rate if every letter drawn without a label lacked the defect."""
    estimate_if_present: float | None
    """The rate if every one of them had it."""
    ci_low_if_absent: float | None
    """The lower limit in the first case, and the upper in the second: between them lies the true
    rate, by this method, whatever the missing answers would have been."""
    ci_high_if_present: float | None


@dataclass(frozen=True)
class BoundedContrast:
    """A tested contrast with questions that have no label: one row of unanswered_contrasts.csv."""

    defect: str
    first: str
    second: str
    n_without_first: int
    n_without_second: int
    """Letters drawn without a label, of each source."""
    difference: float
    """Under the assumption, as in contrasts.csv."""
    difference_lowest: float
    """If none of the first's letters without a label had the defect, and all of the second's."""
    difference_highest: float
    """The other way round."""
    ci_low_lowest: float | None
    """The lower limit in the first case, and the upper in the second: between them lies the true
    difference, by this method, whatever the missing answers would have been. None where that case
    allows no test."""
    ci_high_highest: float | None
    stands: bool
    """Whether both lie on one side of 0: no missing answers would undo the difference. For this
    contrast by itself, not corrected for the number of contrasts."""


def bound_contrasts(
    survey: SurveyArrays, audit: AuditArrays, contrasts: Sequence[SourceContrast]
) -> tuple[BoundedContrast, ...]:
    """A row for each of `contrasts` that was tested and has such questions, in their order."""
    source = survey.source_of[survey.scroll]
    rows = []
    for contrast in contrasts:
        row = survey.defects.index(contrast.defect)
        is_first = source == survey.sources.index(contrast.first)
        is_second = ~is_first
        if contrast.second != OTHERS:
            is_second = source == survey.sources.index(contrast.second)
        without = audit.drawn[row] & np.isnan(audit.label[row])
        missing = int((without & is_first).sum()), int((without & is_second).sum())
        if contrast.p_value is None or not any(missing):
            continue
        lowest, highest = (_contrast_filled(survey, audit, contrast, value) for value in (0.0, 1.0))
        low, high = lowest.ci_low, highest.ci_high
        stands = (low is not None and low > 0) or (high is not None and high < 0)
        rows.append(
            BoundedContrast(
                contrast.defect, contrast.first, contrast.second, *missing, contrast.difference,
                lowest.difference, highest.difference, low, high, stands,
            )
        )  # fmt: skip
    return tuple(rows)


def _contrast_filled(
    survey: SurveyArrays, audit: AuditArrays, contrast: SourceContrast, value: float
) -> TestResult:
    """The contrast if questions without a label were answered by `value` in the first source, and
    by the opposite in all others."""
    values = np.full(len(survey.sources), 1 - value)
    values[survey.sources.index(contrast.first)] = value
    row = survey.defects.index(contrast.defect)
    own = AuditArrays(
        audit.drawn[row : row + 1], audit.chance[row : row + 1], audit.label[row : row + 1],
        audit.cannot_tell[row : row + 1],
    )  # fmt: skip
    label = fill_labels(own, survey.source_of[survey.scroll], values)
    part = _select_defects(
        survey, np.array([row]), label, np.where(np.isnan(own.chance), 1.0, own.chance)
    )
    estimates = estimate_sources(part, part.letters(0), ~np.isnan(part.predicted[0]))
    rate_of = {estimate.source: estimate.rate for estimate in estimates}
    if contrast.second == OTHERS:
        basis = next(e.basis for e in estimates if e.source == contrast.first)
        others = [e.rate for e in estimates if e.source != contrast.first and e.basis == basis]
        return compare_estimates(rate_of[contrast.first], pool_estimates(others))
    return compare_estimates(rate_of[contrast.first], rate_of[contrast.second])


def bound_rates(survey: SurveyArrays, audit: AuditArrays) -> tuple[UnansweredQuestions, ...]:
    """A row for each defect and source of which letters were drawn, in their order."""
    source = survey.source_of[survey.scroll]
    missing = np.asarray((audit.drawn & np.isnan(audit.label)).any(axis=1))
    asked = np.asarray(audit.drawn.any(axis=1))
    now = _rates(survey, survey.label, survey.inclusion_probability, asked)
    probability = np.where(np.isnan(audit.chance), 1.0, audit.chance)
    absent, present = (
        _rates(survey, fill_labels(audit, source, values), probability, missing)
        for values in (np.zeros(len(survey.sources)), np.ones(len(survey.sources)))
    )
    usable = find_usable(audit, source)
    rows = []
    for row, defect in enumerate(survey.defects):
        for number, code in enumerate(survey.sources):
            own = audit.drawn[row] & (source == number)
            if not own.any():
                continue
            labelled = int(np.isfinite(audit.label[row, own]).sum())
            unsure = int(audit.cannot_tell[row, own].sum())
            place = defect, code
            middle = now[place]
            used = bool(usable[row, number]) and middle.basis != "unaudited"
            counts = int(own.sum()), labelled, unsure, int(own.sum()) - labelled - unsure
            rates: tuple[float | None, ...] = (None,) * 5
            if used:
                lowest, highest = absent.get(place, middle), present.get(place, middle)
                rates = (
                    middle.estimate, lowest.estimate, highest.estimate,
                    lowest.ci_low, highest.ci_high,
                )  # fmt: skip
            rows.append(UnansweredQuestions(defect, code, *counts, used, *rates))
    return tuple(rows)


def _rates(
    survey: SurveyArrays, label: Floats, probability: Floats, kept: Bools
) -> dict[tuple[str, str], DefectRate]:
    """Rates by defect and source, of the defects in the mask `kept`."""
    rows = np.flatnonzero(kept)
    if not len(rows):
        return {}
    part = _select_defects(survey, rows, label[rows], probability[rows])
    return {(rate.defect, rate.source): rate for rate in estimate_rates(part)}


def _select_defects(
    survey: SurveyArrays, rows: Ints, label: Floats, probability: Floats
) -> SurveyArrays:
    """Some defects by their numbers, (rows,), with other labels and probabilities of the draw."""
    return replace(
        survey,
        defects=tuple(survey.defects[row] for row in rows),
        predicted=survey.predicted[rows],
        label=label,
        inclusion_probability=probability,
        found=survey.found[rows],
    )
