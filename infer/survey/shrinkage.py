"""Many sources at once: how much they differ beyond chance, and each drawn towards the mean.

The best and the worst of twenty sources are partly so by chance; the shrunken rates and the limits
of the funnel show how far (Efron and Morris 1975; Spiegelhalter 2005, Funnel plots for comparing
institutional performance).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import stats

from crownlet.infer.survey.estimators import RateEstimate
from crownlet.infer.survey.intervals import Floats

MIN_SOURCES_TO_SHRINK = 5
"""Fewer sources show too little of how sources vary."""


def pool_variance(estimates: Sequence[RateEstimate]) -> float:
    """Variance between the units of a source, pooled over the sources; 0 where none has two."""
    squares = sum(float(e.unit_rates.var()) * len(e.unit_rates) for e in estimates)
    freedom = sum(len(e.unit_rates) - 1 for e in estimates)
    return squares / freedom if freedom > 0 else 0.0


def estimate_between_variance(rates: Floats, variances: Floats) -> float:
    """Variance of the sources' true rates, by the moments of their weighted spread, at least 0.

    `rates` and their sampling `variances`, (sources,). Source: DerSimonian and Laird 1986.
    """
    if len(rates) < 2 or not np.all(variances > 0):
        return 0.0
    weights = 1 / variances
    centre = float((weights * rates).sum() / weights.sum())
    spread = float((weights * (rates - centre) ** 2).sum())
    scale = float(weights.sum() - np.square(weights).sum() / weights.sum())
    return max(0.0, (spread - (len(rates) - 1)) / scale)


def shrink_rates(rates: Floats, variances: Floats) -> tuple[Floats, Floats]:
    """Rates drawn towards their mean, and the weight of each one's own, (sources,) both."""
    between = estimate_between_variance(rates, variances)
    precision = 1 / np.maximum(variances + between, 1e-300)
    centre = float((precision * rates).sum() / precision.sum())
    weight = between / np.maximum(variances + between, 1e-300)
    return weight * rates + (1 - weight) * centre, weight


def compute_funnel(
    centre: float, variance: float, units: Floats, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Limits within which rates of so many `units` lie by chance if all sources are alike."""
    margin = float(stats.norm.ppf((1 + level) / 2)) * np.sqrt(variance / units)
    return np.maximum(centre - margin, 0.0), np.minimum(centre + margin, 1.0)
