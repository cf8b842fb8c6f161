"""Bounds on mean losses against MAPIE, scipy, closed forms, and exact enumeration."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from mapie.risk_control import control_fwer
from mapie.risk_control.methods import compute_hoeffding_bentkus_p_value
from scipy.stats import binomtest

from crownlet.train.risk_control.bounds import (
    betting,
    choose_bound,
    hoeffding_bentkus,
    scrolls_needed,
    upper_limit,
)
from crownlet.train.risk_control.testing import count_rejected


@pytest.mark.parametrize(
    ("risk", "confidence", "scrolls"), [(0.10, 0.90, 22), (0.05, 0.95, 59), (0.01, 0.95, 299)]
)
def test_scrolls_without_a_miss(risk: float, confidence: float, scrolls: int) -> None:
    # Check values of issue 3, item 7; (1 - r)^n <= delta.
    assert scrolls_needed(risk, confidence) == scrolls
    enough, delta = np.zeros(scrolls), 1 - confidence
    assert hoeffding_bentkus(enough, risk) <= delta < hoeffding_bentkus(enough[1:], risk)
    assert hoeffding_bentkus(enough, risk) == pytest.approx((1 - risk) ** scrolls)


@pytest.mark.parametrize("risk", [0.01, 0.05, 0.1, 0.3])
@pytest.mark.parametrize("scrolls", [7, 60, 300, 1500])
def test_hoeffding_bentkus_is_mapies(risk: float, scrolls: int) -> None:
    # MAPIE 1.6 (BSD), compute_hoeffding_bentkus_p_value, on independent losses; it does not cap
    # p-values at 1 and takes no mean above the risk for one at it, so only lower ones are compared.
    rng = np.random.default_rng(scrolls)
    compared = 0
    for spread in (0.0, 0.2, 0.5, 0.8):
        losses = rng.beta(2 * risk * spread + 1e-6, 2.0, scrolls)
        if losses.mean() < risk:
            mean = np.array([losses.mean()])
            theirs = float(compute_hoeffding_bentkus_p_value(mean, scrolls, risk)[0, 0])
            assert hoeffding_bentkus(losses, risk) == pytest.approx(min(1.0, theirs), rel=1e-9)
            compared += 1
    assert compared >= 2


def test_a_bound_for_any_losses_is_weaker_than_the_binomial_tail() -> None:
    # scipy's exact test uses all that losses of 0 and 1 hold.
    rng = np.random.default_rng(3)
    for risk in (0.01, 0.05, 0.2):
        losses = (rng.random(400) < 0.6 * risk).astype(float)
        exact = binomtest(int(losses.sum()), 400, risk, alternative="less").pvalue
        assert hoeffding_bentkus(losses, risk) >= exact


@pytest.mark.parametrize("risk", [0.1, 0.3, 0.5])
def test_betting_keeps_its_level_by_enumeration(risk: float) -> None:
    # Ville's inequality: P(p <= delta) <= delta. All outcomes of eight losses that are 0, a half
    # or 1 with mean `risk`, each with its exact chance.
    values, chances = (0.0, 0.5, 1.0), (1 - 1.5 * risk, risk, risk / 2)
    rows = list(itertools.product(range(3), repeat=8))
    p = np.array([betting([values[k] for k in row], risk) for row in rows])
    weight = np.array([math.prod(chances[k] for k in row) for row in rows])
    assert weight.sum() == pytest.approx(1.0)
    for delta in (0.02, 0.05, 0.1, 0.2, 0.4):
        assert weight[p <= delta].sum() <= delta
    assert weight[p <= 0.6].sum() > 0  # it does bet


def test_betting_reaches_the_published_width() -> None:
    # Waudby-Smith and Ramdas 2024 (from memory: what they say of such stakes as n grows): half the
    # width of the interval times sqrt(n) comes to sigma * sqrt(2 log(1 / delta)) for one side at
    # delta. Hoeffding's is sqrt(log(1 / delta) / 2), 7 times as much for Beta(10, 30).
    rng = np.random.default_rng(11)
    n = 6000
    ours, sigma = [], math.sqrt(10 * 30 / (40**2 * 41))
    for _ in range(5):
        x = rng.beta(10, 30, n)
        ours.append((upper_limit(x, betting) - x.mean()) * math.sqrt(n))
    published = sigma * math.sqrt(2 * math.log(20))
    assert 0.8 * published < np.mean(ours) < 1.2 * published
    assert np.mean(ours) < 0.4 * math.sqrt(math.log(20) / 2)


def test_the_bound_is_chosen_by_the_number_alone() -> None:
    assert choose_bound(299, 0.01) == choose_bound(65, 0.05) == "hoeffding_bentkus"
    assert choose_bound(400, 0.01) == choose_bound(100, 0.05) == "betting"
    # Where it is chosen, betting too proves the aim if nothing at all is missed.
    for risk in (0.01, 0.02, 0.05, 0.1):
        few = next(n for n in range(1, 1000) if choose_bound(n, risk) == "betting")
        assert betting(np.zeros(few), risk) <= 0.05


def test_nothing_is_promised_on_nothing() -> None:
    for bound in (betting, hoeffding_bentkus):
        assert bound([], 0.1) == 1.0
        assert bound([1.0] * 50, 0.1) > 0.99
        for bad in ([-0.1], [1.1], [math.nan]):
            with pytest.raises(ValueError, match=r"0\.\.1"):
                bound(bad, 0.1)
        with pytest.raises(ValueError, match="risk"):
            bound([0.0], 0.0)
    assert upper_limit([], betting) == 1.0


def test_the_walk_is_mapies_fixed_sequence() -> None:
    # MAPIE 1.6: control_fwer(..., "fixed_sequence").
    rng = np.random.default_rng(5)
    for _ in range(50):
        p = rng.uniform(0, 0.09, 12)
        theirs = control_fwer(p, 0.05, "fixed_sequence")
        assert count_rejected(p, 0.05) == len(theirs)
