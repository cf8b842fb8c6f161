"""Two shares of few units compared exactly: a test, and the limits of the difference.

Both are of one statistic, the difference less d over its standard error where the shares differ by
d and are otherwise as likely as can be (Farrington and Manning 1990). Its p value is the largest
that any pair of shares which differ by d gives: at d = 0 this is Barnard's test (1945). The limits
enclose every d that is not refuted (Agresti and Min 2001), so that they hold the truth in at least
95% whatever the shares are.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy import stats

from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.records import CONFIDENCE_LEVEL

NUISANCE_POINTS = 129
"""Values of the second share among which the largest p is sought."""

SCAN_POINTS = 65
"""Differences tried on each side, from the outermost inwards; bisection refines the limit."""

_BISECTIONS = 12

_TIE = 1e-9


class ShareDifference(NamedTuple):
    """The first share less the second; limits at `CONFIDENCE_LEVEL`."""

    difference: float
    ci_low: float
    ci_high: float
    p_value: float
    """Two-sided."""


def compare_shares(first: int, n_first: int, second: int, n_second: int) -> ShareDifference:
    """`first` of `n_first` units against `second` of `n_second`; at least one unit each.

    A p value below 0.05 and limits on one side of 0 are the same statement.
    """
    observed = first / n_first - second / n_second

    def is_held(d: float) -> bool:
        return _largest_p(first, n_first, second, n_second, d) >= 1 - CONFIDENCE_LEVEL

    limits = []
    for side in (-1.0, 1.0):
        tried = np.linspace(side, observed, SCAN_POINTS)
        if side * observed < 0:
            tried = np.union1d(tried, [0.0])[:: int(-side)]
        place = next(k for k, d in enumerate(tried) if is_held(float(d)))
        outside, inside = float(tried[max(place - 1, 0)]), float(tried[place])
        for _ in range(_BISECTIONS):
            middle = (outside + inside) / 2
            outside, inside = (outside, middle) if is_held(middle) else (middle, inside)
        limits.append(inside)
    p_value = _largest_p(first, n_first, second, n_second, 0.0)
    low, high = limits
    if p_value < 1 - CONFIDENCE_LEVEL:
        # p need not fall steadily away from the difference seen: 0 stays refuted.
        low, high = (max(low, 0.0), high) if observed > 0 else (low, min(high, 0.0))
    return ShareDifference(observed, low, high, p_value)


def _largest_p(first: int, n1: int, second: int, n2: int, d: float) -> float:
    """Largest probability, over all shares that differ by d, of a statistic as far out."""
    statistic = np.abs(_score(n1, n2, d))
    far = (statistic >= statistic[first, second] - _TIE).astype(np.float64)
    p2 = np.linspace(max(0.0, -d), min(1.0, 1.0 - d), NUISANCE_POINTS)[:, None]
    p1 = np.clip(p2 + d, 0.0, 1.0)
    ways1 = stats.binom.pmf(np.arange(n1 + 1), n1, p1)
    ways2 = stats.binom.pmf(np.arange(n2 + 1), n2, p2)
    return min(1.0, float(((ways1 @ far) * ways2).sum(axis=1).max()))


def _score(n1: int, n2: int, d: float) -> Floats:
    """The statistic of every pair of counts, (n1 + 1, n2 + 1).

    The likeliest shares that differ by d solve a cubic in closed form (Farrington and Manning 1990,
    appendix; Miettinen and Nurminen 1985).
    """
    one = np.arange(n1 + 1)[:, None] / n1
    two = np.arange(n2 + 1)[None, :] / n2
    ratio = n2 / n1
    a = 1 + ratio
    b = -(1 + ratio + one + ratio * two + d * (ratio + 2))
    c = d * d + d * (2 * one + ratio + 1) + one + ratio * two
    e = -one * d * (1 + d)
    shift = b / (3 * a)
    v = shift**3 - b * c / (6 * a * a) + e / (2 * a)
    u = np.where(v < 0, -1.0, 1.0) * np.sqrt(np.maximum(shift**2 - c / (3 * a), 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = np.where(u == 0, 0.0, v / np.where(u == 0, 1.0, u) ** 3)
    angle = (math.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3
    p1 = np.clip(2 * u * np.cos(angle) - shift, max(0.0, d), min(1.0, 1.0 + d))
    p2 = np.clip(p1 - d, 0.0, 1.0)
    error = np.sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2)
    gap = one - two - d
    return np.where(np.abs(gap) < _TIE, 0.0, gap / np.maximum(error, 1e-12))
