"""The rate of a source: the mean over its independent units of each unit's own rate.

A unit is a scribe where scribes are known, else a scroll. Every unit counts once, however many
letters of it there are: units are what is drawn from a source, and how many letters one of them
brought is an accident of the survey. Rate, interval and test are all of this one number.

The network gives every letter a probability (`predicted`); readers judged some letters, drawn with
known inclusion probabilities. In each unit the difference estimator adds to the network's mean its
mean error on the audited letters: rate = lambda * mean(predicted) + weighted mean(label - lambda *
predicted). How far the network is trusted, the lambda of PPI++, is fitted on other units than it is
used on.

Sources: Sarndal, Swensson & Wretman, Model Assisted Survey Sampling (1992), chapter 6; Angelopoulos
et al., Prediction-Powered Inference (2023); Angelopoulos, Duchi & Zrnic, PPI++ (2023b), for lambda.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.intervals import (
    Floats,
    betabinomial_limits,
    logit_lower_limit,
    score_upper_limit,
)

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class LetterSample:
    """The letters that can have one defect; arrays of (letters,)."""

    unit: Ints
    """Number of the letter's independent unit, from 0."""
    predicted: Floats
    """The network's probability of the defect, or its decision as 0 or 1."""
    label: Floats
    """The reader's answer, 0 or 1; NaN where nobody was asked or the reader could not tell."""
    inclusion_probability: Floats
    """Probability, before the draw, that the letter is audited and answered, in (0, 1]."""

    def select(self, keep: NDArray[np.bool_]) -> LetterSample:
        """Only the letters to keep, a mask of (letters,)."""
        return LetterSample(
            self.unit[keep],
            self.predicted[keep],
            self.label[keep],
            self.inclusion_probability[keep],
        )

    @property
    def weights(self) -> Floats:
        """Horvitz-Thompson weights, (letters,): 1 / inclusion probability if judged, else 0."""
        return np.where(np.isnan(self.label), 0.0, 1 / self.inclusion_probability)

    def sum_by_unit(self, values: Floats) -> Floats:
        """Sums of `values`, (letters,), by unit: (highest unit number + 1,)."""
        return np.bincount(self.unit, values).astype(np.float64)


@dataclass(frozen=True)
class RateEstimate:
    """The rates of a source's units; arrays of (units,)."""

    unit_rates: Floats
    """May lie a little below 0 where the network marks too much."""
    unit_letters: Floats
    """Letters of each unit that can have the defect."""
    audit_variances: Floats
    """Variance of each unit's rate that comes of auditing some of its letters only."""
    n_judged: int
    """Letters that count as judged."""
    n_met: float
    """Of them, those that have the defect by the readers."""
    squared_share: float = 0.0
    """Mean square of the share that a judged letter has in the weights of all: 1 / `n_judged`^2
    where they were drawn with one probability. 0 where every letter was judged."""

    @property
    def rate(self) -> float:
        """Mean of the units' rates."""
        return float(self.unit_rates.mean())

    @property
    def variance(self) -> float:
        """Of the rate, from the spread between units: s^2 / units; two units at least."""
        return float(self.unit_rates.var(ddof=1)) / len(self.unit_rates)

    def select(self, kept: NDArray[np.bool_]) -> RateEstimate:
        """Some of the units, a mask of (units,); judged letters in proportion to their letters."""
        letters = self.unit_letters[kept]
        share = float(letters.sum() / self.unit_letters.sum())
        return RateEstimate(
            self.unit_rates[kept],
            letters,
            self.audit_variances[kept],
            max(1, round(self.n_judged * share)),
            self.n_met * share,
            self.squared_share / share**2,
        )

    def scaled(self, factors: Floats) -> RateEstimate:
        """Each unit's rate times a factor, (units,)."""
        return replace(
            self,
            unit_rates=self.unit_rates * factors,
            audit_variances=self.audit_variances * factors**2,
        )

    def confidence_limits(self) -> tuple[float, float]:
        """The 95% limits; three units at least.

        The lower limit by a t quantile on the logit scale; the upper the higher of the score limit
        and the beta-binomial one.
        """
        rate, units = self.rate, len(self.unit_rates)
        variance = self.variance + self._unseen_error
        low, high = betabinomial_limits(*self._effective_counts())
        if rate <= 0:
            return 0.0, high
        if rate >= 1:
            return low, 1.0
        if variance > 0:
            low = logit_lower_limit(rate, variance, units - 1)
            letters = self._least_binomial_variance / variance
            high = max(high, score_upper_limit(rate, letters, units - 1))
        return low, high

    @property
    def _least_binomial_variance(self) -> float:
        """rate (1 - rate), the rate being no nearer to 0 or 1 than the judged letters can show.

        An audit that met nothing leaves a rate just above or just below 0, by the network's
        opinion of the letters that nobody read. Divided by the variance of one unseen letter, so
        small a rate would count as that of less than one letter, whose upper limit is nearly 1.
        """
        least = 1 / (self.n_judged + 2)
        rate = min(max(self.rate, least), 1 - least)
        return rate * (1 - rate)

    @property
    def _unseen_error(self) -> float:
        """Variance as if one more audited letter, any of them, had been judged against the network.

        An audit that met no error of the network has not shown that there is none: the least
        rate it could see is one letter in those audited.
        """
        left_out = 1 - self.n_judged / float(self.unit_letters.sum())
        return left_out * self.squared_share

    def _effective_counts(self) -> tuple[Floats, Floats]:
        """Counts in as many letters of each unit as leave its rate equally uncertain.

        The same number in every unit, so that each counts once; units below 0 are set to 0 and the
        others scaled so that the total stays.
        """
        units = len(self.unit_rates)
        binomial = self._least_binomial_variance
        noise = float((binomial / self.unit_letters + self.audit_variances).sum()) / units**2
        letters = binomial / units / (noise + self._unseen_error)
        rates = np.clip(self.unit_rates, 0, 1)
        if rates.sum() > 0:
            rates = np.minimum(rates * max(0.0, self.rate) * units / rates.sum(), 1.0)
        return rates * letters, np.full(units, letters)


def estimate_read(counts: Floats, letters: Floats) -> RateEstimate:
    """The rates where every letter was judged: `counts` of `letters`, both (units,)."""
    total = float(letters.sum())
    return RateEstimate(
        counts / letters, letters, np.zeros_like(letters), int(total), float(counts.sum())
    )


def estimate_with_audit(letters: LetterSample, lambdas: float | Floats) -> RateEstimate:
    """The difference estimator, unit by unit; `lambdas` is one number, or (units,).

    Unit numbers must run from 0 without a gap, and one letter at least must be judged. The errors
    of the network are weighted by one over their inclusion probability (Horvitz and Thompson 1952)
    as differences from their weighted mean over all units, which keeps down the noise of weights
    whose sum varies from draw to draw (the generalised difference estimator; Sarndal, Swensson &
    Wretman 1992, section 6.3).
    """
    trusted = np.broadcast_to(lambdas, (letters.unit.max() + 1,))[letters.unit]
    trusted = trusted * letters.predicted
    weights = letters.weights
    error = np.where(weights > 0, letters.label - trusted, 0.0)
    sizes = letters.sum_by_unit(np.ones_like(trusted))
    mean_error = float((weights * error).sum()) / float(weights.sum())
    weighted = weights * (error - mean_error)
    noise = (1 - letters.inclusion_probability) * np.square(weighted)
    return RateEstimate(
        letters.sum_by_unit(trusted) / sizes + mean_error + letters.sum_by_unit(weighted) / sizes,
        sizes,
        letters.sum_by_unit(noise) / sizes**2,
        int((weights > 0).sum()),
        float(np.nansum(letters.label)),
        float(np.square(weights).sum() / (weights > 0).sum() / weights.sum() ** 2),
    )


def are_surely_drawn(letters: LetterSample) -> NDArray[np.bool_]:
    """Whether a letter of the unit at least was to be audited, by the sum of the inclusion
    probabilities, (units,)."""
    return np.asarray(letters.sum_by_unit(letters.inclusion_probability) >= 1 - 1e-9)


def fit_lambdas(letters: LetterSample) -> Floats:
    """One lambda in [0, 1] for each unit number, from the audited letters of all other units.

    Lambda is the covariance of label and prediction over the variance of the prediction, with
    letters weighted by 1 / inclusion probability (Angelopoulos, Duchi & Zrnic 2023b, proposition 2,
    where the predictions of the audited letters count among all). Fitting it on the same units
    would pull low rates lower. 0, the audited letters alone, where it cannot be fitted.
    """
    weights = letters.weights
    label = np.where(weights > 0, letters.label, 0.0)
    predicted = letters.predicted
    moments = (weights, weights * label, weights * predicted, weights * label * predicted)
    judged = np.stack([letters.sum_by_unit(moment) for moment in moments])
    moments_of_all = (np.ones_like(predicted), predicted, predicted**2)
    every = np.stack([letters.sum_by_unit(moment) for moment in moments_of_all])
    return lambdas_of_sums(judged, every)


def lambdas_of_sums(judged: Floats, every: Floats) -> Floats:
    """As `fit_lambdas`, from sums by unit.

    `judged`, (4, units): weights, and weights times label, prediction, and both; `every`,
    (3, units): letters, predictions and their squares.
    """
    # Leave one unit out: the sums of all less its own.
    judged = judged.sum(axis=1, keepdims=True) - judged
    every = every.sum(axis=1, keepdims=True) - every
    with np.errstate(divide="ignore", invalid="ignore"):
        covariance = judged[3] / judged[0] - judged[1] * judged[2] / judged[0] ** 2
        variance = every[2] / every[0] - (every[1] / every[0]) ** 2
        ratio = covariance / variance
    return np.clip(np.where((variance > 1e-12) & (judged[0] > 0), ratio, 0.0), 0.0, 1.0)
