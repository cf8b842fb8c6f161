"""Power of the survey's own test, found by making it on simulated surveys.

A unit's rate is drawn as the plan assumes: the scribe's rate from a beta distribution, each of its
scrolls' about that, letters binomially, and on top the noise of an audit, rare steps of the size
that one letter has in it. What is simulated is `compare_two` with equal numbers of units: the
studentised statistic is then a rising function of the difference of means alone, so that thousands
of surveys are dealt out at once.

With more than `MAX_UNITS_DEALT` units the permutation's critical value is Student's (Hoeffding
1952; Chung and Romano 2013), and the same simulated surveys are held against that.

Random numbers are the same for every question, so that more units or a larger difference show more.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from crownlet.infer.survey.contrasts import (
    MIN_BEARING_UNITS,
    MIN_MET_FOR_CONTRAST,
    MIN_SUMMED_RATES,
)
from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.permutation import TEST_LEVELS, rank_data

Bools = NDArray[np.bool_]

SIMULATED_SURVEYS = 600
"""A power of 80% errs by 1.6 of 100."""

MAX_UNITS_DEALT = 40

MAX_DEALS, MAX_DEALS_OF_MANY_TESTS = 999, 4_999
"""Arrangements of each survey; more where the level is divided by the number of comparisons."""


@dataclass(frozen=True)
class UnitModel:
    """How the rate of one unit is drawn."""

    rate: float
    letters: int
    scrolls: int
    scribe_icc: float
    """Correlation of letters of two scrolls of one unit."""
    scroll_icc: float
    """Correlation of two letters of one scroll, at least `scribe_icc`."""
    noise: float
    """Variance that the audit adds to the rate of one scroll."""
    step: float
    """What one letter counts in the rate of its scroll; 0 without an audit."""
    audited: int
    """Letters read of each scroll."""


def simulate_power(
    first: UnitModel, second: UnitModel, units: int, level: float, single: bool
) -> float:
    """Share of surveys with `units` of each source in which the survey's test sees a difference.

    Of a `single` test the mid-p value counts, of one of several the strict one, which Holm's
    correction takes.
    """
    rng = np.random.default_rng(18)
    drawn = [_draw_units(rng, model, units) for model in (first, second)]
    rates = np.concatenate([rates for rates, _ in drawn], axis=1)
    met = sum(met for _, met in drawn)
    if units > MAX_UNITS_DEALT:
        seen = _exceeds_student(rates, units, level)
    else:
        seen = _exceeds_deals(rates, units, level, single)
    positive = np.maximum(rates, 0)
    summed = positive.sum(axis=1)
    bearing = summed**2 / np.maximum(np.square(positive).sum(axis=1), 1e-300)
    enough = (met >= MIN_MET_FOR_CONTRAST) & (summed >= MIN_SUMMED_RATES)
    enough &= bearing >= MIN_BEARING_UNITS
    return float(np.mean(seen & enough))


def _draw_units(
    rng: np.random.Generator, model: UnitModel, units: int
) -> tuple[Floats, NDArray[np.int64]]:
    """Rates of units, (surveys, units), and letters with the defect that readers meet,
    (surveys,)."""
    shape = (SIMULATED_SURVEYS, units, model.scrolls)
    scribe = _draw_beta(rng, np.full(shape[:2], model.rate), model.scribe_icc)
    own_icc = (model.scroll_icc - model.scribe_icc) / (1 - model.scribe_icc)
    scroll = _draw_beta(rng, np.repeat(scribe[:, :, None], model.scrolls, axis=2), own_icc)
    count = rng.binomial(model.letters, scroll)
    rates = count / model.letters
    met = count
    if model.noise > 0:
        steps = model.noise / model.step**2
        rates = rates + model.step * (rng.poisson(steps, shape) - steps)
        met = rng.binomial(count, min(1.0, model.audited / model.letters))
    return rates.mean(axis=2), met.sum(axis=(1, 2))


def _draw_beta(rng: np.random.Generator, mean: Floats, icc: float) -> Floats:
    if icc <= 0:
        return mean
    strength = (1 - icc) / icc
    least = 1e-12
    return rng.beta(np.maximum(mean * strength, least), np.maximum((1 - mean) * strength, least))


def _exceeds_student(rates: Floats, units: int, level: float) -> Bools:
    first, second = rates[:, :units], rates[:, units:]
    error = np.sqrt((first.var(axis=1, ddof=1) + second.var(axis=1, ddof=1)) / units)
    gap = np.abs(first.mean(axis=1) - second.mean(axis=1))
    return np.asarray(gap > stats.t.ppf(1 - level / 2, 2 * (units - 1)) * error)


def _exceeds_deals(rates: Floats, units: int, level: float, single: bool) -> Bools:
    """Whether each survey's test is offered and its p below the level, (surveys,)."""
    deals = _deal(units, MAX_DEALS if single else MAX_DEALS_OF_MANY_TESTS)
    spread = rates.std(axis=1, keepdims=True)
    scaled = (rates - rates.mean(axis=1, keepdims=True)) / np.maximum(spread, 1e-12)
    gaps = np.abs(deals @ scaled.T)
    seen = (gaps > gaps[0] + 1e-9).mean(axis=0) < level
    for survey in np.flatnonzero(seen):
        mid_p, exact_p, refuted = rank_data(gaps[:, survey])
        offered = TEST_LEVELS[0] <= refuted <= TEST_LEVELS[1]
        seen[survey] = offered and (mid_p if single else exact_p) < level
    return np.asarray(seen)


@lru_cache(maxsize=8)
def _deal(units: int, most: int) -> Floats:
    """Units dealt to the first source, 1 or 0, (ways, 2 * units); the first row is the data's."""
    if comb(2 * units, units) <= most:
        chosen = np.array(list(combinations(range(2 * units), units)))
    else:
        keys = np.random.default_rng(units).random((most, 2 * units))
        chosen = np.argpartition(keys, units, axis=1)[:, :units]
        chosen = np.concatenate([[np.arange(units)], chosen])
    dealt = np.zeros((len(chosen), 2 * units))
    np.put_along_axis(dealt, chosen, 1.0, axis=1)
    return dealt
