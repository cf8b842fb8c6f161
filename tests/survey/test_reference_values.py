"""Rates and limits against published examples and other libraries."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from crownlet.infer.survey.contrasts import adjust_holm
from crownlet.infer.survey.estimators import (
    LetterSample,
    estimate_read,
    estimate_with_audit,
    fit_lambdas,
)
from crownlet.infer.survey.intervals import (
    ICC_GRID,
    betabinomial_limits,
    clopper_pearson_limits,
    estimate_icc,
    logit_lower_limit,
    score_upper_limit,
)


def clustered(seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    scroll = np.repeat(np.arange(9), [40, 55, 61, 38, 90, 77, 50, 62, 45])
    label = (rng.random(len(scroll)) < rng.beta(2, 18, 9)[scroll]).astype(float)
    return scroll, label


def test_same_as_statsmodels_regression_on_the_units() -> None:
    """The mean of unit rates and its variance are those of an ordinary regression on them; with
    units of one size also those of a regression on letters with clustered covariance and its
    correction m / (m - 1), and of R's survey::svymean."""
    scroll, label = clustered()
    counts, sizes = np.bincount(scroll, label), np.bincount(scroll).astype(float)
    found = estimate_read(counts, sizes)
    fit = sm.OLS(counts / sizes, np.ones(9)).fit()
    assert found.rate == pytest.approx(fit.params[0], abs=1e-12)
    assert found.variance**0.5 == pytest.approx(fit.bse[0], rel=1e-9)
    first = np.arange(len(scroll)) - np.searchsorted(scroll, scroll) < 38
    scroll, label = scroll[first], label[first]
    found = estimate_read(np.bincount(scroll, label), np.full(9, 38.0))
    fit = sm.OLS(label, np.ones_like(label)).fit(
        cov_type="cluster", cov_kwds={"groups": scroll, "use_correction": False}
    )
    assert found.rate == pytest.approx(fit.params[0], abs=1e-12)
    assert found.variance * 8 / 9 == pytest.approx(fit.cov_params()[0, 0], rel=1e-9)


def test_likeness_same_as_analysis_of_variance() -> None:
    """The mean squares of statsmodels' one-way analysis, put together by hand."""
    scroll, label = clustered()
    dummies = (scroll[:, None] == np.arange(9)).astype(float)
    fit = sm.OLS(label, dummies).fit()
    sizes = np.bincount(scroll).astype(float)
    within = fit.mse_resid
    between = (np.square(fit.fittedvalues - label.mean())).sum() / 8
    size = (sizes.sum() - np.square(sizes).sum() / sizes.sum()) / 8
    expected = (between - within) / (between + (size - 1) * within)
    assert estimate_icc(np.bincount(scroll, label), sizes) == pytest.approx(expected, abs=1e-12)
    assert estimate_icc(np.zeros(3), np.full(3, 5.0)) is None


def test_likeness_is_recovered() -> None:
    rng = np.random.default_rng(0)
    own = rng.beta(0.2 * 9, 0.8 * 9, 4000)
    assert estimate_icc(rng.binomial(60, own).astype(float), np.full(4000, 60.0)) == pytest.approx(
        0.1, abs=0.01
    )


@pytest.mark.parametrize(("count", "of"), [(0, 8), (3, 8), (8, 8), (1, 30)])
def test_exact_limits_same_as_statsmodels(count: int, of: int) -> None:
    assert clopper_pearson_limits(count, of) == pytest.approx(
        proportion_confint(count, of, method="beta"), abs=1e-9
    )


def test_betabinomial_limits_same_as_a_sum_over_scipy_probabilities() -> None:
    counts, sizes = np.array([0.0, 3, 1, 9]), np.array([50.0, 60, 40, 70])
    mean = np.linspace(1e-4, 1 - 1e-4, 20001)
    strength = (1 - ICC_GRID) / ICC_GRID
    density = np.zeros(len(mean))
    for s in strength:
        each = [
            stats.betabinom.pmf(k, n, mean * s, (1 - mean) * s)
            for k, n in zip(counts, sizes, strict=True)
        ]
        density += np.prod(each, axis=0) * stats.beta.pdf(mean, 0.5, 0.5)
    mass = np.cumsum(density) / density.sum()
    expected = np.interp([0.025, 0.975], mass, mean)
    assert betabinomial_limits(counts, sizes) == pytest.approx(tuple(expected), rel=2e-2)


def test_no_finding_gives_a_limit_that_counts_scrolls() -> None:
    """The rule of three (3 / n) for letters would say 0.003 with 5 scrolls of 200 letters."""
    limits = [
        estimate_read(np.zeros(m), np.full(m, 200.0)).confidence_limits() for m in (3, 5, 15, 30)
    ]
    assert all(low == 0 for low, _ in limits)
    highs = [high for _, high in limits]
    assert highs == sorted(highs, reverse=True)
    assert 10 * 3 / 1000 < highs[1] < clopper_pearson_limits(0, 5)[1]


@pytest.mark.parametrize("opinion", [0.0, 1e-9, 1e-6, 1e-4, 1e-3])
def test_an_audit_that_met_nothing_limits_the_rate_whatever_the_network_expects(
    opinion: float,
) -> None:
    """20 of 100 letters of 8 scrolls read, none with the defect: the upper limit lies between the
    rule of three for letters and the exact limit of no scroll in 8 (Clopper and Pearson 1934)."""
    label = np.where(np.arange(800) % 5 == 0, 0.0, np.nan)
    predicted = np.where(np.isnan(label), opinion * (1 + np.arange(800) % 3), 0.0)
    letters = LetterSample(np.repeat(np.arange(8), 100), predicted, label, np.full(800, 0.2))
    low, high = estimate_with_audit(letters, 1.0).confidence_limits()
    assert low <= 3 / 160 <= high <= clopper_pearson_limits(0, 8)[1] / 2


def test_limits_of_unlike_letters_same_as_statsmodels() -> None:
    """With no end to the degrees of freedom: the lower limit of a logistic regression, the upper
    one of Wilson's interval."""
    label = np.repeat([1.0, 0.0], [13, 187])
    fit = sm.Logit(label, np.ones_like(label)).fit(disp=0)
    low = 1 / (1 + np.exp(-fit.conf_int()[0, 0]))
    variance = 0.065 * 0.935 / 200
    assert logit_lower_limit(0.065, variance, df=1e9) == pytest.approx(low, abs=1e-6)
    high = proportion_confint(13, 200, method="wilson")[1]
    assert score_upper_limit(0.065, 200, df=1e9) == pytest.approx(high, abs=1e-6)


def test_holm_same_as_statsmodels() -> None:
    values = list(np.random.default_rng(4).random(40) ** 3)
    expected = multipletests(values, method="holm")[1]
    assert adjust_holm(values) == pytest.approx(list(expected), abs=1e-12)
    with_none = adjust_holm([0.01, None, 0.04])
    assert with_none == [pytest.approx(0.02), None, pytest.approx(0.04)]


# ppi_py silences all warnings as it is imported, so it is asked in a process of its own.
THEIRS = """
import json, sys
import numpy as np
from ppi_py import ppi_mean_ci, ppi_mean_pointestimate
given = json.load(sys.stdin)
labels, claimed, others = (np.array(given[name]) for name in ("labels", "claimed", "others"))
out = {}
for lam in (0.0, 0.6, 1.0):
    low, high = ppi_mean_ci(labels, claimed, others, alpha=0.05, lam=lam)
    point = ppi_mean_pointestimate(labels, claimed, others, lam=lam)
    out[lam] = [float(np.ravel(value)[0]) for value in (point, low, high)]
out["tuned"] = float(np.ravel(ppi_mean_pointestimate(labels, claimed, others))[0])
json.dump(out, sys.stdout)
"""


def test_same_as_ppi_python_where_letters_are_independent() -> None:
    """One letter a scroll, some read: its lambda is ours times the share not read, since it takes
    the predictions of the unread alone; its variance has no m / (m - 1)."""
    rng = np.random.default_rng(6)
    asked, rest = 120, 480
    labels = (rng.random(asked) < 0.3).astype(float)
    claimed = np.clip(0.2 + 0.6 * labels + 0.1 * rng.standard_normal(asked), 0, 1)
    # The unread have the same predictions four times over, so that both sets have one mean: the
    # linearised variance takes both about the common mean, ppi_py each about its own.
    others = np.tile(claimed, rest // asked)
    given = {"labels": labels.tolist(), "claimed": claimed.tolist(), "others": others.tolist()}
    done = subprocess.run(
        [sys.executable, "-c", THEIRS], input=json.dumps(given), capture_output=True, text=True,
        check=True, timeout=600,
    )  # fmt: skip
    theirs = json.loads(done.stdout)
    every = asked + rest
    letters = LetterSample(
        np.arange(every),
        np.concatenate([claimed, others]),
        np.concatenate([labels, np.full(rest, np.nan)]),
        np.full(every, asked / every),
    )
    for lam in (0.0, 0.6, 1.0):
        point, low, high = theirs[str(lam)]
        ours = estimate_with_audit(letters, lam * every / rest)
        se = (high - low) / 2 / stats.norm.ppf(0.975)
        assert ours.rate == pytest.approx(point, abs=1e-6)
        assert (ours.variance * (every - 1) / every) ** 0.5 == pytest.approx(se, abs=1e-6)
    assert estimate_with_audit(letters, fit_lambdas(letters)).rate == pytest.approx(
        theirs["tuned"], abs=2e-3
    )
