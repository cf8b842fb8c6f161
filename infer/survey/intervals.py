"""Limits for shares: exact ones for counts, and by t quantiles on the logit scale."""

from __future__ import annotations

import math

import numpy as np
from scipy import special, stats

from crownlet.infer.survey.likeness import Floats
from crownlet.infer.survey.records import LEVEL


def clopper_pearson(count: int, of: int, level: float = LEVEL) -> tuple[float, float]:
    """Exact limits of a share of independent units (Clopper & Pearson 1934)."""
    tail = (1 - level) / 2
    low = float(stats.beta.ppf(tail, count, of - count + 1)) if count else 0.0
    high = float(stats.beta.ppf(1 - tail, count + 1, of - count)) if count < of else 1.0
    return low, high


def logit_limits(
    rate: float, variance: float, df: float, level: float = LEVEL
) -> tuple[float, float]:
    """Limits of a rate strictly between 0 and 1 by t quantiles on the logit scale.

    Near 0 the estimate is skewed, so that a symmetric interval sits too low: with 5 scrolls and a
    rate of 2% it covered 89% where this one covered 94%. R's `svyciprop(method = "xlogit")`.
    """
    reach = float(stats.t.ppf((1 + level) / 2, df)) * math.sqrt(variance) / (rate * (1 - rate))
    middle = float(special.logit(rate))
    return float(special.expit(middle - reach)), float(special.expit(middle + reach))


def effective_scrolls(sizes: Floats) -> float:
    """As how many scrolls of one size these count: (sum n)^2 / sum n^2 (Kish 1965)."""
    return float(sizes.sum() ** 2 / np.square(sizes).sum())
