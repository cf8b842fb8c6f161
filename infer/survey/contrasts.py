"""Differences between sources and between sides, tested on scrolls, never on letters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from scipy import stats

from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.records import CONFIDENCE_LEVEL, MIN_SCROLLS_FOR_INTERVAL


class TTestResult(NamedTuple):
    """A t test of a mean difference, with its limits at `CONFIDENCE_LEVEL`; None if not tested."""

    difference: float
    ci_low: float | None
    ci_high: float | None
    df: float | None
    p_value: float | None


def welch_test(first: Floats, second: Floats) -> TTestResult:
    """Mean of `first` less mean of `second`, rates of scrolls, (scrolls,) each.

    Unequal variances (Welch 1947). Each scroll counts once, however many letters it has. Nothing
    is tested with fewer than `MIN_SCROLLS_FOR_INTERVAL` on a side, or where the scrolls of neither
    side vary.
    """
    difference = float(first.mean() - second.mean())
    if min(len(first), len(second)) < MIN_SCROLLS_FOR_INTERVAL:
        return TTestResult(difference, None, None, None, None)
    variances = [float(rates.var(ddof=1)) / len(rates) for rates in (first, second)]
    # Welch and Satterthwaite: degrees of freedom are the squared sum over this.
    denominator = sum(
        variance**2 / (len(rates) - 1)
        for variance, rates in zip(variances, (first, second), strict=True)
    )
    if denominator == 0:
        return TTestResult(difference, None, None, None, None)
    df = sum(variances) ** 2 / denominator
    return _t_test(difference, math.sqrt(sum(variances)), df)


def paired_test(face: Floats, reverse: Floats) -> TTestResult:
    """Mean over scrolls of `face` less `reverse`, rates of the two sides, (scrolls,) each."""
    differences = face - reverse
    scrolls, mean = len(differences), float(differences.mean())
    if scrolls < MIN_SCROLLS_FOR_INTERVAL or not differences.var() > 0:
        return TTestResult(mean, None, None, None, None)
    return _t_test(mean, float(differences.std(ddof=1)) / math.sqrt(scrolls), scrolls - 1)


def _t_test(difference: float, std_error: float, df: float) -> TTestResult:
    margin = float(stats.t.ppf((1 + CONFIDENCE_LEVEL) / 2, df)) * std_error
    p_value = 2 * float(stats.t.sf(abs(difference) / std_error, df))
    return TTestResult(difference, difference - margin, difference + margin, df, p_value)


def adjust_holm(p_values: Sequence[float | None]) -> list[float | None]:
    """p values corrected for their number (Holm 1979), in the same order.

    None, where there was no test, stays None and is not counted.
    """
    tested = sorted((value, place) for place, value in enumerate(p_values) if value is not None)
    adjusted: list[float | None] = [None] * len(p_values)
    highest = 0.0
    for rank, (value, place) in enumerate(tested):
        highest = max(highest, min(1.0, value * (len(tested) - rank)))
        adjusted[place] = highest
    return adjusted
