"""Differences between sources and between sides, tested on scrolls, never on letters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from scipy import stats

from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.records import CONFIDENCE_LEVEL, MIN_SCROLLS_FOR_INTERVAL


class TTestResult(NamedTuple):
    """A t test of a mean difference, with its limits at `LEVEL`; None where it says nothing."""

    difference: float
    low: float | None
    high: float | None
    df: float | None
    p: float | None


def welch_test(first: Floats, second: Floats) -> TTestResult:
    """Mean of `first` less mean of `second`, rates of scrolls, (scrolls,) each.

    Unequal variances (Welch 1947). Each scroll counts once, however many letters it has. Nothing
    is tested with fewer than `MIN_SCROLLS` on a side, or where no scroll differs from its fellows.
    """
    difference = float(first.mean() - second.mean())
    if min(len(first), len(second)) < MIN_SCROLLS_FOR_INTERVAL:
        return TTestResult(difference, None, None, None, None)
    parts = [float(side.var(ddof=1)) / len(side) for side in (first, second)]
    below = sum(
        part**2 / (len(side) - 1) for part, side in zip(parts, (first, second), strict=True)
    )
    if below == 0:
        return TTestResult(difference, None, None, None, None)
    return _t_test(difference, math.sqrt(sum(parts)), sum(parts) ** 2 / below)


def paired_test(face: Floats, reverse: Floats) -> TTestResult:
    """Mean over scrolls of `face` less `reverse`, rates of the two sides, (scrolls,) each."""
    gaps = face - reverse
    difference = float(gaps.mean())
    if len(gaps) < MIN_SCROLLS_FOR_INTERVAL or not gaps.var() > 0:
        return TTestResult(difference, None, None, None, None)
    return _t_test(difference, float(gaps.std(ddof=1)) / math.sqrt(len(gaps)), len(gaps) - 1)


def _t_test(difference: float, se: float, df: float) -> TTestResult:
    reach = float(stats.t.ppf((1 + CONFIDENCE_LEVEL) / 2, df)) * se
    p = 2 * float(stats.t.sf(abs(difference) / se, df))
    return TTestResult(difference, difference - reach, difference + reach, df, p)


def adjust_holm(values: Sequence[float | None]) -> list[float | None]:
    """p values corrected for their number (Holm 1979); None, no test, stays None, uncounted."""
    tested = sorted((value, place) for place, value in enumerate(values) if value is not None)
    corrected: list[float | None] = [None] * len(values)
    so_far = 0.0
    for rank, (value, place) in enumerate(tested):
        so_far = max(so_far, min(1.0, value * (len(tested) - rank)))
        corrected[place] = so_far
    return corrected
