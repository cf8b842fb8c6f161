"""Confidence limits of rates: correlation within scrolls, beta-binomial, exact, logit and score."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from crownlet.infer.survey.records import CONFIDENCE_LEVEL

Floats = NDArray[np.float64]

ICC_GRID: Floats = np.geomspace(0.001, 0.5, 12)
"""Values of the intra-scroll correlation, equally likely before the data. With rare defects in few
scrolls, limits with a highest value of 0.3 held the truth as often in simulations and were a third
narrower, with 0.9 twice as wide; but the fixed habit of one scribe is a high correlation too."""

_COARSE_ICC_GRID: Floats = ICC_GRID[[0, 6, -1]]
"""Enough values to find where on the grid of logits the posterior's mass lies."""

_LOGIT_RANGE = (-14.0, 8.0)
"""Of the mean rate, for the first grid."""

_MAX_LOG_DROP = 14.0
"""Log posterior below its peak at which the second, finer grid ends."""


def estimate_icc(counts: Floats, sizes: Floats) -> float | None:
    """Intra-scroll correlation of a binary label, by analysis of variance, cut at 0.

    `counts` of ones and `sizes`, both (scrolls,). None where it is not defined: fewer than two
    scrolls, no scroll of two letters, or every letter the same. Source: Donner & Klar, Design and
    Analysis of Cluster Randomization Trials (2000), section 6.3; Fleiss (1981).
    """
    scrolls, total = len(sizes), float(sizes.sum())
    if scrolls < 2 or total <= scrolls:
        return None
    mean = counts.sum() / total
    between = float((sizes * (counts / sizes - mean) ** 2).sum()) / (scrolls - 1)
    within = float((counts - counts**2 / sizes).sum()) / (total - scrolls)
    size = (total - (sizes**2).sum() / total) / (scrolls - 1)
    spread = between + (size - 1) * within
    return max(0.0, (between - within) / spread) if spread > 0 else None


def betabinomial_limits(
    counts: Floats, sizes: Floats, level: float = CONFIDENCE_LEVEL
) -> tuple[float, float]:
    """Limits of the mean rate of scrolls whose own rates are drawn from a beta distribution.

    `counts` in `sizes`, both (scrolls,), not necessarily whole. The posterior of the mean, with
    Jeffreys' prior for it and all of `ICC_GRID` equally likely, by quadrature: nothing is random.
    Limits by linearised variance alone fail where few scrolls hold most of the findings, for then
    mean and variance are both too low together; here an unseen bad scroll is allowed for, and no
    finding at all still gives an upper limit that counts scrolls, not letters.
    """
    logits = np.linspace(*_LOGIT_RANGE, 67)
    density = _log_posterior(logits, counts, sizes, _COARSE_ICC_GRID)
    kept = np.flatnonzero(density > density.max() - _MAX_LOG_DROP)
    logits = np.linspace(logits[max(kept[0] - 1, 0)], logits[min(kept[-1] + 1, 66)], 73)
    density = _log_posterior(logits, counts, sizes, ICC_GRID)
    weight = np.exp(density - density.max())
    mass = np.concatenate([[0.0], np.cumsum((weight[1:] + weight[:-1]) / 2)])
    tail = (1 - level) / 2
    low, high = special.expit(np.interp([tail, 1 - tail], mass / mass[-1], logits))
    return float(low), float(high)


def _log_posterior(logits: Floats, counts: Floats, sizes: Floats, correlations: Floats) -> Floats:
    """Log density over the logit of the mean rate, (points,), the correlation summed out."""
    strength = (1 - correlations) / correlations
    a = special.expit(logits)[:, None] * strength
    b = special.expit(-logits)[:, None] * strength
    # Products of beta functions B(count + a, others + b) / B(a, b), by what depends on what.
    log = len(counts) * (special.gammaln(strength) - special.gammaln(a) - special.gammaln(b))
    for count, size in zip(counts, sizes, strict=True):
        log += special.gammaln(count + a) + special.gammaln(size - count + b)
        log -= special.gammaln(size + strength)
    # Jeffreys' prior Beta(1/2, 1/2), on the logit scale.
    prior = 0.5 * (special.log_expit(logits) + special.log_expit(-logits))
    return np.asarray(special.logsumexp(log, axis=1) + prior)


def clopper_pearson_limits(
    count: int, size: int, level: float = CONFIDENCE_LEVEL
) -> tuple[float, float]:
    """Exact limits of `count` in `size` independent units (Clopper & Pearson 1934)."""
    tail = (1 - level) / 2
    low = float(stats.beta.ppf(tail, count, size - count + 1)) if count else 0.0
    high = float(stats.beta.ppf(1 - tail, count + 1, size - count)) if count < size else 1.0
    return low, high


def logit_lower_limit(
    rate: float, variance: float, df: float, level: float = CONFIDENCE_LEVEL
) -> float:
    """Lower limit of a rate strictly between 0 and 1 by a t quantile on the logit scale.

    Near 0 the estimate is skewed, so that a symmetric interval sits too low: with 5 scrolls and a
    rate of 2% it covered 89% where this one covered 94%. R's `svyciprop(method = "xlogit")`.
    """
    margin = _t_quantile(df, level) * math.sqrt(variance) / (rate * (1 - rate))
    return float(special.expit(special.logit(rate) - margin))


def score_upper_limit(
    rate: float, letters: float, df: float, level: float = CONFIDENCE_LEVEL
) -> float:
    """Upper limit of a rate seen on as many independent `letters` (Wilson 1927).

    Where the standard error exceeds the rate, the logit scale would reach up to nearly 1; this
    does not. A t quantile takes the place of the normal one.
    """
    t = _t_quantile(df, level)
    middle = rate + t**2 / (2 * letters)
    margin = t * math.sqrt(rate * (1 - rate) / letters + t**2 / (4 * letters**2))
    return min(1.0, (middle + margin) / (1 + t**2 / letters))


def _t_quantile(df: float, level: float) -> float:
    return float(stats.t.ppf((1 + level) / 2, df))
