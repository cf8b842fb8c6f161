"""How far each rate depends on the questions of the audit that have no label.

The bounds take every letter drawn without a label to have the defect, or none of them (Manski
1989); what the truth is, no draw decides. Answers of "cannot tell" count as without label.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.infer.survey.data import SurveyArrays
from crownlet.infer.survey.response import AuditArrays, Bools, Floats, fill_labels, find_usable
from crownlet.infer.survey.source_rates import estimate_rates


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
    """Whether enough are labelled for the labels to count (`MIN_LABELLED_SHARE`)."""
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


def bound_rates(survey: SurveyArrays, audit: AuditArrays) -> tuple[UnansweredQuestions, ...]:
    """A row for each defect and source of which letters were drawn, in their order."""
    source = survey.source_of[survey.scroll]
    missing = np.asarray((audit.drawn & np.isnan(audit.label)).any(axis=1))
    asked = np.asarray(audit.drawn.any(axis=1))
    now = _rates(survey, survey.label, survey.inclusion_probability, asked)
    probability = np.where(np.isnan(audit.chance), 1.0, audit.chance)
    absent, present = (
        _rates(survey, fill_labels(audit, source, value), probability, missing)
        for value in (0.0, 1.0)
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
            place, used = (defect, code), bool(usable[row, number])
            middle = now[place] if used else (None, None, None)
            lowest = absent.get(place, middle) if used else (None, None, None)
            highest = present.get(place, middle) if used else (None, None, None)
            rows.append(
                UnansweredQuestions(
                    defect, code, int(own.sum()), labelled, unsure,
                    int(own.sum()) - labelled - unsure, used,
                    middle[0], lowest[0], highest[0], lowest[1], highest[2],
                )
            )  # fmt: skip
    return tuple(rows)


RateWithLimits = tuple[float | None, float | None, float | None]


def _rates(
    survey: SurveyArrays, label: Floats, probability: Floats, kept: Bools
) -> dict[tuple[str, str], RateWithLimits]:
    """Estimate and limits by defect and source, of the defects in the mask `kept`."""
    rows = np.flatnonzero(kept)
    if not len(rows):
        return {}
    part = replace(
        survey,
        defects=tuple(survey.defects[row] for row in rows),
        predicted=survey.predicted[rows],
        label=label[rows],
        inclusion_probability=probability[rows],
        found=survey.found[rows],
    )
    return {
        (rate.defect, rate.source): (rate.estimate, rate.ci_low, rate.ci_high)
        for rate in estimate_rates(part)
    }
