"""A rate among letters with the scroll as the independent unit, plain or corrected by an audit.

The network says a number for every letter (`predicted`); readers judged some letters, drawn by
known chances. The difference estimator adds to the network's mean its mean error on the audited
letters: rate = lambda * mean(predicted) + weighted mean(label - lambda * predicted).

Sources: Sarndal, Swensson & Wretman, Model Assisted Survey Sampling (1992), chapter 6; Angelopoulos
et al., Prediction-Powered Inference (2023); Angelopoulos, Duchi & Zrnic, PPI++ (2023b), for lambda.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.intervals import (
    Floats,
    betabinomial_limits,
    count_effective_scrolls,
    logit_lower_limit,
    score_upper_limit,
)

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class AuditedLetters:
    """The letters that can have one defect; arrays of (letters,)."""

    scroll: Ints
    """Number of the letter's scroll, from 0."""
    predicted: Floats
    """The network's probability of the defect, or its decision as 0 or 1."""
    label: Floats
    """The reader's word, 0 or 1; NaN where nobody was asked or he could not tell."""
    chance: Floats
    """Chance, before the draw, that the letter would be audited, in (0, 1]."""

    def of(self, keep: NDArray[np.bool_]) -> AuditedLetters:
        """Only the letters kept."""
        return AuditedLetters(
            self.scroll[keep], self.predicted[keep], self.label[keep], self.chance[keep]
        )

    @property
    def weight(self) -> Floats:
        """1 / chance for the letters judged, 0 for the others."""
        return np.where(np.isnan(self.label), 0.0, 1 / self.chance)

    def sums(self, values: Floats) -> Floats:
        """Sums by scroll, (highest scroll number + 1,)."""
        return np.bincount(self.scroll, values).astype(np.float64)


@dataclass(frozen=True)
class RateEstimate:
    """A rate with what its interval and contrasts need; arrays of (scrolls,)."""

    rate: float
    """May lie a little below 0 when the network says too much."""
    scroll_rates: Floats
    sizes: Floats
    """Letters of each scroll."""
    residuals: Floats
    """Each scroll's share in the linearised error of the rate; they sum to 0."""
    audit_variance: float
    """Part of the variance that comes of auditing some letters only."""
    audited: int
    """Letters judged."""
    audit_size: float
    """As how many letters drawn by one chance these count: (sum w)^2 / sum w^2 (Kish 1965)."""

    @property
    def variance(self) -> float:
        """Linearised variance between scrolls, with m / (m - 1): that of R's `survey::svymean`."""
        scrolls = len(self.sizes)
        return float(np.square(self.residuals).sum()) * scrolls / (scrolls - 1)

    def limits(self) -> tuple[float, float]:
        """The 95% limits; three scrolls at least.

        The lower limit by a t quantile on the logit scale; the upper the higher of the score limit
        and the beta-binomial one. Residuals are corrected for the weight of large scrolls (Bell &
        McCaffrey 2002), and the degrees of freedom are those of as many equal scrolls.
        """
        share = self.sizes / self.sizes.sum()
        corrected = float((np.square(self.residuals) / (1 - share)).sum()) + self._unseen
        low, high = betabinomial_limits(*self._effective_counts())
        if self.rate <= 0:
            return 0.0, high
        if self.rate >= 1:
            return low, 1.0
        if corrected > 0:
            df = count_effective_scrolls(self.sizes) - 1
            low = logit_lower_limit(self.rate, corrected, df)
            high = max(high, score_upper_limit(self.rate, corrected, df))
        return low, high

    @property
    def _unseen(self) -> float:
        """Variance as if one more audited letter had been judged against the network.

        An audit that met no error of the network has not shown that there is none: the least
        rate it could see is one letter in those audited.
        """
        left_out = 1 - self.audited / float(self.sizes.sum())
        return left_out / self.audit_size**2

    def _effective_counts(self) -> tuple[Floats, Floats]:
        """Counts and sizes that carry as much knowledge as the audit left: all letters if all read.

        Letters are scaled down by the part of their binomial variance in the whole; scrolls below 0
        are set to 0 and the others scaled so that the total stays.
        """
        total = float(self.sizes.sum())
        least = 1 / (self.audit_size + 2)
        floor = min(max(self.rate, least), 1 - least)
        binomial = floor * (1 - floor) / total
        sizes = self.sizes * binomial / (binomial + self.audit_variance + self._unseen)
        counts = np.clip(self.scroll_rates, 0, 1) * sizes
        if counts.sum() > 0:
            counts *= max(0.0, self.rate) * sizes.sum() / counts.sum()
        return np.minimum(counts, sizes), sizes


def estimate_ratio(counts: Floats, sizes: Floats) -> RateEstimate:
    """The plain clustered ratio: every letter judged; `counts` in `sizes`, both (scrolls,)."""
    total = float(sizes.sum())
    rate = float(counts.sum()) / total
    residuals = (counts - rate * sizes) / total
    return RateEstimate(rate, counts / sizes, sizes, residuals, 0.0, int(total), total)


def estimate_with_audit(letters: AuditedLetters, tuning: float | Floats) -> RateEstimate:
    """The difference estimator; `tuning` is lambda, one number or one for each scroll number.

    Scroll numbers must run from 0 without a gap, and one letter at least must be judged.
    """
    predicted = np.broadcast_to(tuning, (letters.scroll.max() + 1,))[letters.scroll]
    predicted = predicted * letters.predicted
    weight = letters.weight
    error = np.where(weight > 0, letters.label - predicted, 0.0)
    sizes = letters.sums(np.ones_like(predicted))
    total, weights = float(sizes.sum()), float(weight.sum())
    mean, gap = float(predicted.mean()), float((weight * error).sum()) / weights
    said, errors = letters.sums(predicted), letters.sums(weight * error)
    residuals = (said - mean * sizes) / total + (errors - gap * letters.sums(weight)) / weights
    noise = (1 - letters.chance) * np.square(weight * (error - gap))
    return RateEstimate(
        mean + gap,
        (said + errors * total / weights) / sizes,
        sizes,
        residuals,
        float(noise.sum()) / weights**2,
        int((weight > 0).sum()),
        weights**2 / float(np.square(weight).sum()),
    )


def fit_lambdas(letters: AuditedLetters) -> Floats:
    """One lambda in [0, 1] for each scroll number, from the audited letters of all other scrolls.

    Lambda is the covariance of label and prediction over the variance of the prediction, with
    letters weighted by 1 / chance (Angelopoulos, Duchi & Zrnic 2023b, proposition 2, where the
    predictions of the audited letters count among all). Fitting it on the same scrolls would pull
    low rates lower. 0, the audited letters alone, where they cannot tell.
    """
    weight = letters.weight
    label = np.where(weight > 0, letters.label, 0.0)
    said = letters.predicted
    read = (weight, weight * label, weight * said, weight * label * said)
    judged = np.stack([letters.sums(part) for part in read])
    whole = np.stack([letters.sums(part) for part in (np.ones_like(said), said, said**2)])
    judged = judged.sum(axis=1, keepdims=True) - judged
    whole = whole.sum(axis=1, keepdims=True) - whole
    with np.errstate(divide="ignore", invalid="ignore"):
        covariance = judged[3] / judged[0] - judged[1] * judged[2] / judged[0] ** 2
        variance = whole[2] / whole[0] - (whole[1] / whole[0]) ** 2
        ratio = covariance / variance
    return np.clip(np.where((variance > 1e-12) & (judged[0] > 0), ratio, 0.0), 0.0, 1.0)
