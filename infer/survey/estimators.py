"""A rate among letters with the scroll as the independent unit, plain or corrected by an audit.

The network gives every letter a probability (`predicted`); readers judged some letters, drawn with
known inclusion probabilities. The difference estimator adds to the network's mean its mean error on
the audited letters: rate = lambda * mean(predicted) + weighted mean(label - lambda * predicted).
How far the network is trusted, the lambda of PPI++, is fitted on other scrolls than it is used on.

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
class LetterSample:
    """The letters that can have one defect; arrays of (letters,)."""

    scroll: Ints
    """Number of the letter's scroll, from 0."""
    predicted: Floats
    """The network's probability of the defect, or its decision as 0 or 1."""
    label: Floats
    """The reader's answer, 0 or 1; NaN where nobody was asked or the reader could not tell."""
    inclusion_probability: Floats
    """Probability, before the draw, that the letter is audited, in (0, 1]."""

    def select(self, keep: NDArray[np.bool_]) -> LetterSample:
        """Only the letters to keep, a mask of (letters,)."""
        return LetterSample(
            self.scroll[keep],
            self.predicted[keep],
            self.label[keep],
            self.inclusion_probability[keep],
        )

    @property
    def weights(self) -> Floats:
        """Horvitz-Thompson weights, (letters,): 1 / inclusion probability if judged, else 0."""
        return np.where(np.isnan(self.label), 0.0, 1 / self.inclusion_probability)

    def sum_by_scroll(self, values: Floats) -> Floats:
        """Sums of `values`, (letters,), by scroll: (highest scroll number + 1,)."""
        return np.bincount(self.scroll, values).astype(np.float64)


@dataclass(frozen=True)
class RateEstimate:
    """A rate with what its interval and contrasts need; arrays of (scrolls,)."""

    rate: float
    """May lie a little below 0 where the network marks too much."""
    scroll_rates: Floats
    sizes: Floats
    """Letters of each scroll."""
    residuals: Floats
    """Each scroll's share in the linearised error of the rate; they sum to 0."""
    audit_variance: float
    """Part of the variance that comes of auditing some letters only."""
    n_judged: int
    """Letters that count as judged."""
    effective_audit_size: float
    """As how many letters drawn with one probability these count: (sum w)^2 / sum w^2 (Kish 1965).
    """

    @property
    def variance(self) -> float:
        """Linearised variance between scrolls, with m / (m - 1): that of R's `survey::svymean`."""
        scrolls = len(self.sizes)
        return float(np.square(self.residuals).sum()) * scrolls / (scrolls - 1)

    def confidence_limits(self) -> tuple[float, float]:
        """The 95% limits; three scrolls at least.

        The lower limit by a t quantile on the logit scale; the upper the higher of the score limit
        and the beta-binomial one. Residuals are corrected for the weight of large scrolls (Bell &
        McCaffrey 2002), and the degrees of freedom are those of as many equal scrolls.
        """
        share = self.sizes / self.sizes.sum()
        corrected = float((np.square(self.residuals) / (1 - share)).sum()) + self._unseen_error
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
    def _unseen_error(self) -> float:
        """Variance as if one more audited letter had been judged against the network.

        An audit that met no error of the network has not shown that there is none: the least
        rate it could see is one letter in those audited.
        """
        left_out = 1 - self.n_judged / float(self.sizes.sum())
        return left_out / self.effective_audit_size**2

    def _effective_counts(self) -> tuple[Floats, Floats]:
        """Counts and sizes with as much information as the audit left: all letters if all read.

        Letters are scaled down by the part of their binomial variance in the whole; scrolls below 0
        are set to 0 and the others scaled so that the total stays.
        """
        total = float(self.sizes.sum())
        least = 1 / (self.effective_audit_size + 2)
        rate = min(max(self.rate, least), 1 - least)
        binomial = rate * (1 - rate) / total
        sizes = self.sizes * binomial / (binomial + self.audit_variance + self._unseen_error)
        counts = np.clip(self.scroll_rates, 0, 1) * sizes
        if counts.sum() > 0:
            counts *= max(0.0, self.rate) * sizes.sum() / counts.sum()
        return np.minimum(counts, sizes), sizes


def estimate_ratio(counts: Floats, sizes: Floats) -> RateEstimate:
    """The ratio estimator of a cluster sample: every letter judged.

    `counts` of letters with the defect in `sizes` letters, both (scrolls,).
    """
    total = float(sizes.sum())
    rate = float(counts.sum()) / total
    residuals = (counts - rate * sizes) / total
    return RateEstimate(rate, counts / sizes, sizes, residuals, 0.0, int(total), total)


def estimate_with_audit(letters: LetterSample, lambdas: float | Floats) -> RateEstimate:
    """The difference estimator; `lambdas` is one number, or (scrolls,).

    Scroll numbers must run from 0 without a gap, and one letter at least must be judged.
    """
    trusted = np.broadcast_to(lambdas, (letters.scroll.max() + 1,))[letters.scroll]
    trusted = trusted * letters.predicted
    weights = letters.weights
    error = np.where(weights > 0, letters.label - trusted, 0.0)
    sizes = letters.sum_by_scroll(np.ones_like(trusted))
    total, weight = float(sizes.sum()), float(weights.sum())
    mean, correction = float(trusted.mean()), float((weights * error).sum()) / weight
    expected = letters.sum_by_scroll(trusted)
    errors = letters.sum_by_scroll(weights * error)
    residuals = (expected - mean * sizes) / total
    residuals = residuals + (errors - correction * letters.sum_by_scroll(weights)) / weight
    noise = (1 - letters.inclusion_probability) * np.square(weights * (error - correction))
    return RateEstimate(
        mean + correction,
        (expected + errors * total / weight) / sizes,
        sizes,
        residuals,
        float(noise.sum()) / weight**2,
        int((weights > 0).sum()),
        weight**2 / float(np.square(weights).sum()),
    )


def fit_lambdas(letters: LetterSample) -> Floats:
    """One lambda in [0, 1] for each scroll number, from the audited letters of all other scrolls.

    Lambda is the covariance of label and prediction over the variance of the prediction, with
    letters weighted by 1 / inclusion probability (Angelopoulos, Duchi & Zrnic 2023b, proposition 2,
    where the predictions of the audited letters count among all). Fitting it on the same scrolls
    would pull low rates lower. 0, the audited letters alone, where it cannot be fitted.
    """
    weights = letters.weights
    label = np.where(weights > 0, letters.label, 0.0)
    predicted = letters.predicted
    moments = (weights, weights * label, weights * predicted, weights * label * predicted)
    judged = np.stack([letters.sum_by_scroll(moment) for moment in moments])
    moments_of_all = (np.ones_like(predicted), predicted, predicted**2)
    every = np.stack([letters.sum_by_scroll(moment) for moment in moments_of_all])
    # Leave one scroll out: the sums of all less its own.
    judged = judged.sum(axis=1, keepdims=True) - judged
    every = every.sum(axis=1, keepdims=True) - every
    with np.errstate(divide="ignore", invalid="ignore"):
        covariance = judged[3] / judged[0] - judged[1] * judged[2] / judged[0] ** 2
        variance = every[2] / every[0] - (every[1] / every[0]) ** 2
        ratio = covariance / variance
    return np.clip(np.where((variance > 1e-12) & (judged[0] > 0), ratio, 0.0), 0.0, 1.0)
