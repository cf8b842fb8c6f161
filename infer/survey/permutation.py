"""Permutation tests on the rates of independent units, and the intervals that invert them.

Two sources: units are dealt out again between them, all ways where there are at most `MAX_WAYS`,
else that many at random. The statistic is the difference of means over its standard error, in which
each source's variance is drawn towards the pooled one (`PRIOR_DF`): a variance of three or five
units is hardly known, and with it alone the test has a third of the power; as units increase, the
weight of the pooled one vanishes, so that unlike spreads do no harm (Janssen 1997; Chung and Romano
2013, Exact and asymptotically robust permutation tests).

A difference d other than 0 is tested by the residuals about two means that differ by d, each over
the spread of a share with that mean, the root of m (1 - m): so scaled they are exchangeable, or
nearly. The interval holds every d that is not refuted. At d = 0 this is the test itself, so that an
interval without 0 and a p value below 0.05 are the same statement.

p values are mid-p (Lancaster 1961), which hold a level on average where few arrangements make p a
coarse number; the strict ones stand beside them. A test is offered only where these units, however
they were dealt out, reach p < 0.05 in about one arrangement of twenty (`TEST_LEVELS`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np

from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.records import CONFIDENCE_LEVEL, MIN_UNITS_FOR_INTERVAL

MAX_WAYS = 19_999
"""Arrangements enumerated or drawn; the least p value of a random draw is one in 20,000."""

MAX_OMNIBUS_WAYS = MAX_INTERVAL_WAYS = 4_999
"""Of random arrangements, as many are enough where p need only differ from a few per cent."""

MAX_CELLS = 20_000_000
"""Ways times units that are held in memory at once; of more units, fewer ways are drawn."""

PRIOR_DF = 20.0
"""Degrees of freedom that the pooled variance counts for beside each source's own."""

TEST_LEVELS = (0.02, 0.07)
"""Share of the arrangements with p < 0.05 between which a test is offered."""

MIN_MEAN_SHARE = 0.25
"""Least mean in m (1 - m), a share of the mean of all units: so far are rarer defects believed to
vary less. Below it the noise of an audit, which does not shrink with the rate, outweighs."""

_SIGNIFICANCE = 1 - CONFIDENCE_LEVEL

REFUTES_OTHER_DIFFERENCES = 0.03
"""p below which a difference other than 0 is left out of the interval. Residuals about unequal
means are exchangeable only nearly; with 0.05 the intervals held the truth in 88% to 99%."""

REFUTES_WHERE_FEW_BEAR = 0.02
"""The same where the defect lies with fewer than `FEW_BEARING_UNITS`: what the scribes of a source
can be like is then hardly seen. With 0.03 intervals held the truth in 91% to 100% of such cases."""

FEW_BEARING_UNITS = 5.0

_TIE = 1e-8
"""Statistics this near to each other are the same."""

_MAX_BISECTIONS = 14


class TestResult(NamedTuple):
    """A test of a mean difference with its limits at `CONFIDENCE_LEVEL`; None if not tested."""

    difference: float
    ci_low: float | None = None
    ci_high: float | None = None
    p_value: float | None = None
    """Mid-p, two-sided."""
    p_exact: float | None = None
    """Share of arrangements at least as far out."""
    reason: str = ""
    """Why there is no test: `few`, `alike`, `rare` or `unmet`; empty where there is one."""


def compare_two(first: Floats, second: Floats) -> TestResult:
    """Mean of `first` less mean of `second`: rates of independent units, (units,) each."""
    difference = float(first.mean() - second.mean())
    if reason := reason_for_none(first, second):
        return TestResult(difference, reason=reason)
    sums = Rearrangement.of(first, second)
    statistics = sums.statistics(0.0)
    p_value, p_exact, level = rank_data(statistics)
    if not TEST_LEVELS[0] <= level <= TEST_LEVELS[1]:
        return TestResult(difference, reason="rare")

    random = math.comb(len(first) + len(second), len(first)) > MAX_WAYS
    fewer = sums.head(MAX_INTERVAL_WAYS) if random else sums

    spread = math.sqrt(sum(float(rates.var(ddof=1)) / len(rates) for rates in (first, second)))
    low, high = _invert(
        lambda d: _mid_p(fewer.statistics(d)), difference, spread, p_value < _SIGNIFICANCE,
        choose_refuting_p(first, second),
    )  # fmt: skip
    return TestResult(difference, max(low, -1.0), min(high, 1.0), p_value, p_exact)


def choose_refuting_p(first: Floats, second: Floats) -> float:
    """p below which a difference other than 0 is refuted."""
    few = count_bearing_units(np.concatenate([first, second])) < FEW_BEARING_UNITS
    return REFUTES_WHERE_FEW_BEAR if few else REFUTES_OTHER_DIFFERENCES


def count_bearing_units(rates: Floats) -> float:
    """As many units with one rate as leave the same share of squares: (sum r)^2 / sum r^2.

    `rates`, (units,); those below 0 count as 0.
    """
    rates = np.maximum(rates, 0.0)
    squares = float(np.square(rates).sum())
    return float(rates.sum()) ** 2 / squares if squares > 0 else 0.0


def compare_pairs(differences: Floats) -> TestResult:
    """Mean of paired differences, (units,), by flipping their signs."""
    mean = float(differences.mean())
    if len(differences) < MIN_UNITS_FOR_INTERVAL:
        return TestResult(mean, reason="few")
    if not differences.any():
        return TestResult(mean, reason="alike")
    signs = _signs(len(differences))
    sums, balance = signs @ differences, signs.sum(axis=1)

    def statistics(d: float) -> Floats:
        # With the squares fixed, t grows with the mean: the mean alone orders the arrangements.
        return np.asarray(np.abs(sums - d * balance), dtype=np.float64)

    p_value, p_exact, level = rank_data(statistics(0.0))
    if level < TEST_LEVELS[0]:
        return TestResult(mean, reason="few" if 2 ** len(differences) < 64 else "rare")
    spread = float(differences.std(ddof=1)) / math.sqrt(len(differences))
    low, high = _invert(
        lambda d: _mid_p(statistics(d)), mean, spread, p_value < _SIGNIFICANCE,
        REFUTES_OTHER_DIFFERENCES,
    )  # fmt: skip
    return TestResult(mean, max(low, -1.0), min(high, 1.0), p_value, p_exact)


def compare_many(groups: Sequence[Floats]) -> float | None:
    """p value that all groups are alike, rates of units of each; None where no test is offered.

    The statistic is Welch's for several means, with variances drawn towards the pooled one.
    """
    groups = [group for group in groups if len(group)]
    values = np.concatenate(groups) if groups else np.zeros(0)
    sizes = np.array([len(group) for group in groups], dtype=np.float64)
    if len(groups) < 2 or len(values) < len(groups) + 2 or np.ptp(values) == 0:
        return None
    order = _orders(len(values))
    dealt = (values - values.mean())[order]
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)
    means = np.add.reduceat(dealt, starts, axis=1) / sizes
    squares = np.add.reduceat(dealt**2, starts, axis=1) - sizes * means**2
    pooled = squares.sum(axis=1, keepdims=True) / (len(values) - len(groups))
    variances = (squares + PRIOR_DF * pooled) / (sizes - 1 + PRIOR_DF)
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = sizes / variances
        centre = (weights * means).sum(axis=1, keepdims=True) / weights.sum(axis=1, keepdims=True)
        statistics = (weights * (means - centre) ** 2).sum(axis=1)
    statistics = np.where(np.isfinite(statistics), statistics, np.inf)
    p_value, _, level = rank_data(statistics)
    return p_value if level >= TEST_LEVELS[0] else None


def reason_for_none(first: Floats, second: Floats) -> str:
    """Why no test of these units can be offered, `few` or `alike`; empty where one may be."""
    if min(len(first), len(second)) < MIN_UNITS_FOR_INTERVAL:
        return "few"
    if math.comb(len(first) + len(second), len(first)) < 2 / TEST_LEVELS[1]:
        return "few"
    values = np.concatenate([first, second])
    return "alike" if np.ptp(values) < _TIE else ""


class Rearrangement(NamedTuple):
    """Sums over the units dealt to the first source, (ways,) each, from which every t follows."""

    first: Floats
    second: Floats
    own: Floats
    """Units of the first source among those dealt to it."""
    values: tuple[Floats, Floats, Floats, Floats]
    """Rates of the first source's units, of the second's, and the squares of both."""

    @classmethod
    def of(cls, first: Floats, second: Floats) -> Rearrangement:
        """Deal out the rates of two sources, (units,) each."""
        dealt = _deals(len(first), len(second))
        padded = np.concatenate([first, np.zeros(len(second))])
        others = np.concatenate([np.zeros(len(first)), second])
        member = np.concatenate([np.ones(len(first)), np.zeros(len(second))])
        columns = np.stack([member, padded, others, padded**2, others**2], axis=1)
        own, *values = (dealt @ columns).T
        return cls(first, second, own, (values[0], values[1], values[2], values[3]))

    def head(self, ways: int) -> Rearrangement:
        """The first so many arrangements."""
        a1, a2, b1, b2 = (values[:ways] for values in self.values)
        return self._replace(own=self.own[:ways], values=(a1, a2, b1, b2))

    def statistics(self, d: float, prior_df: float = PRIOR_DF) -> Floats:
        """|t| of every arrangement of the residuals about means that differ by `d`, (ways,).

        `prior_df` is what the pooled variance counts for; with none, t is Welch's.
        """
        n1, n2 = len(self.first), len(self.second)
        m1, m2, s1, s2 = self._means_and_spreads(d)
        a1, a2, b1, b2 = self.values
        other = n1 - self.own
        total = (a1 - m1 * self.own) / s1 + (a2 - m2 * other) / s2
        squares = (b1 - 2 * m1 * a1 + m1**2 * self.own) / s1**2
        squares = squares + (b2 - 2 * m2 * a2 + m2**2 * other) / s2**2
        residuals = np.concatenate([(self.first - m1) / s1, (self.second - m2) / s2])
        mean1, mean2 = total / n1, (residuals.sum() - total) / n2
        within1 = np.maximum(squares - n1 * mean1**2, 0.0)
        within2 = np.maximum(np.square(residuals).sum() - squares - n2 * mean2**2, 0.0)
        pooled = (within1 + within2) / (n1 + n2 - 2)
        variance1 = (within1 + prior_df * pooled) / (n1 - 1 + prior_df) * s1**2 / n1
        variance2 = (within2 + prior_df * pooled) / (n2 - 1 + prior_df) * s2**2 / n2
        error = np.sqrt(variance1 + variance2)
        least = 1e-7 * math.sqrt(float(np.square(residuals).mean())) * max(s1, s2)
        # Without any spread within the groups a difference is as far out as can be.
        return np.asarray(np.abs(s1 * mean1 - s2 * mean2) / np.maximum(error, max(least, 1e-300)))

    def _means_and_spreads(self, d: float) -> tuple[float, float, float, float]:
        """Means that differ by `d`, weighted by units over variance, and standard deviations."""
        n1, n2 = len(self.first), len(self.second)
        r1, r2 = float(self.first.mean()), float(self.second.mean())
        m1 = (n1 * r1 + n2 * (r2 + d)) / (n1 + n2)
        if d == 0:
            return m1, m1, 1.0, 1.0
        middle = min(max((n1 * r1 + n2 * r2) / (n1 + n2), 1e-6), 1 - 1e-6)

        def variance(mean: float) -> float:
            return max(mean, MIN_MEAN_SHARE * middle) * max(1 - mean, MIN_MEAN_SHARE * (1 - middle))

        for _ in range(6):
            w1, w2 = n1 / variance(m1), n2 / variance(m1 - d)
            m1 = (w1 * r1 + w2 * (r2 + d)) / (w1 + w2)
        return m1, m1 - d, variance(m1) ** 0.5, variance(m1 - d) ** 0.5


def _mid_p(statistics: Floats) -> float:
    """As `rank_data`, the first number only."""
    tie = _TIE * max(1.0, float(statistics[0]))
    above = np.count_nonzero(statistics > statistics[0] + tie)
    return float(above + np.count_nonzero(statistics >= statistics[0] - tie)) / 2 / len(statistics)


def rank_data(statistics: Floats) -> tuple[float, float, float]:
    """Mid-p and strict p of the first arrangement, and the share of arrangements with mid-p < 0.05.

    `statistics`, (ways,), at least 0; the first is that of the data.
    """
    ways = len(statistics)
    ordered = np.sort(statistics)
    tie = _TIE * max(1.0, float(statistics[0]))
    above = ways - int(np.searchsorted(ordered, statistics[0] + tie, side="right"))
    level_with = ways - int(np.searchsorted(ordered, statistics[0] - tie, side="left"))
    # The largest statistics that are refuted: the mid-p of a value falls as the value rises.
    place = ways - round(_SIGNIFICANCE * ways) - 1
    edge = float(ordered[max(place, 0)])
    margin = _TIE * max(1.0, edge)
    over = ways - int(np.searchsorted(ordered, edge + margin, side="right"))
    over_or_at = ways - int(np.searchsorted(ordered, edge - margin, side="left"))
    refuted = over_or_at if (over + over_or_at) / 2 < _SIGNIFICANCE * ways else over
    return (above + level_with) / 2 / ways, level_with / ways, refuted / ways


def _invert(
    p_of: Callable[[float], float], centre: float, spread: float, refuted: bool, least: float
) -> tuple[float, float]:
    """The least and greatest difference whose p is at least `least`.

    `refuted` says whether the test refutes 0: the limits then lie on one side of it, else not.
    """
    limits = []
    for side in (-1.0, 1.0):
        inside, outside = centre, None
        if centre * side < 0:  # The side on which 0 lies.
            if refuted:
                outside = 0.0
            else:
                inside = 0.0
        step = max(spread, 1e-6)
        while outside is None:
            tried = inside + side * step
            if abs(tried) >= 1:
                tried = side
            if p_of(tried) < least:
                outside = tried
            elif abs(tried) >= 1:
                break
            else:
                inside, step = tried, 2 * step
        if outside is None:
            limits.append(side)
            continue
        for _ in range(_MAX_BISECTIONS):
            if abs(outside - inside) < 1e-3 * spread:
                break
            middle = (inside + outside) / 2
            inside, outside = (middle, outside) if p_of(middle) >= least else (inside, middle)
        limits.append(inside)
    return limits[0], limits[1]


@lru_cache(maxsize=6)
def _deals(first: int, second: int) -> Floats:
    """Units dealt to the first source, 1 or 0, (ways, units); the first row is the data's own."""
    units = first + second
    if math.comb(units, first) <= MAX_WAYS:
        chosen = np.array(list(combinations(range(units), first)))
    else:
        drawn = np.random.default_rng([first, second]).random((_ways(units, MAX_WAYS), units))
        chosen = np.argpartition(drawn, first, axis=1)[:, :first]
        chosen = np.concatenate([[np.arange(first)], chosen])
    dealt = np.zeros((len(chosen), units))
    np.put_along_axis(dealt, chosen, 1.0, axis=1)
    return dealt


@lru_cache(maxsize=6)
def _signs(units: int) -> Floats:
    """Signs of (ways, units); the first row is all +1."""
    if 2**units <= MAX_WAYS:
        bits = (np.arange(2**units)[:, None] >> np.arange(units)) & 1
    else:
        rng = np.random.default_rng(units)
        bits = rng.integers(0, 2, (_ways(units, MAX_WAYS) + 1, units))
        bits[0] = 0
    return np.asarray(1.0 - 2.0 * bits)


@lru_cache(maxsize=2)
def _orders(units: int) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    """Random orders of units, (ways, units); the first is the data's own."""
    rng = np.random.default_rng(units)
    orders = rng.permuted(
        np.tile(np.arange(units), (_ways(units, MAX_OMNIBUS_WAYS) + 1, 1)), axis=1
    )
    orders[0] = np.arange(units)
    return orders


def _ways(units: int, most: int) -> int:
    return max(999, min(most, MAX_CELLS // units))
