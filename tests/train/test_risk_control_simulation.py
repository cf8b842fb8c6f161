"""Simulated scrolls whose letters go wrong together: what is promised must hold all the same.

The truth is known here, by construction or from a population of scrolls so large that its mean is.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.stats import binom, norm

from crownlet.train.risk_control.testing import (
    CLEAR_GRID,
    FINDING_GRID,
    control_clear,
    control_finding,
    count_rejected,
)

Floats = npt.NDArray[np.float64]
TRIES = 1000
LEVEL = 0.05
AT_MOST = LEVEL + 3 * (LEVEL * (1 - LEVEL) / TRIES) ** 0.5
"""The level and three standard errors of the simulation."""
CASES = 30
"""Plain cases of a defect in each scroll; the same in each, so that the mean over scrolls and the
mean over letters are one number, and both ways of testing are asked the same."""


def by_rates(rng: np.random.Generator, scrolls: int) -> Floats:
    """(scrolls, cases) probabilities: each scroll misses with a chance of its own, drawn from a
    beta distribution of mean 0.03, so that the mean share below t is 0.03 t / 0.2."""
    rate = rng.beta(0.06, 1.94, scrolls)[:, None]
    u = rng.random((scrolls, CASES))
    return np.where(u < rate, 0.2 * u / np.maximum(rate, 1e-12), 0.9)


def missed_by_rates(threshold: float) -> float:
    return 0.03 * threshold / 0.2


SCROLL, LETTER, MIDDLE = 1.6, 1.0, 2.2


def by_logits(rng: np.random.Generator, scrolls: int) -> Floats:
    """Logits of the cases around a mean that is each scroll's own."""
    z = rng.normal(MIDDLE, SCROLL, (scrolls, 1)) + rng.normal(0, LETTER, (scrolls, CASES))
    return 1 / (1 + np.exp(-z))


def missed_by_logits(threshold: float) -> float:
    border = np.log(threshold / (1 - threshold))
    return float(norm.cdf((border - MIDDLE) / np.hypot(SCROLL, LETTER)))


def shares_below(p: Floats, threshold: float) -> Floats:
    return np.asarray((p < threshold).mean(axis=1))


def letterwise(p: Floats, aim: float) -> float | None:
    """Learn then Test as if every letter were a scroll: the exact test for 0 and 1, in order."""
    flat = p.reshape(-1)
    fallen = count_rejected(
        (binom.cdf((flat < threshold).sum(), len(flat), aim) for threshold in CLEAR_GRID), LEVEL
    )
    return CLEAR_GRID[fallen - 1] if fallen else None


def broken_clear(draw, missed, scrolls: int, aim: float) -> tuple[float, float, float]:  # type: ignore[no-untyped-def]
    """Shares of tries in which the scroll-wise and the letter-wise promise is broken, and made."""
    by_scroll = by_letter = made = 0
    for k in range(TRIES):
        p = draw(np.random.default_rng([k, scrolls]), scrolls)
        promise = control_clear(partial(shares_below, p), scrolls, aim)
        if promise is not None:
            made += promise.risk <= aim
            by_scroll += missed(promise.threshold) > promise.risk
        threshold = letterwise(p, aim)
        by_letter += threshold is not None and missed(threshold) > aim
    return by_scroll / TRIES, by_letter / TRIES, made / TRIES


def test_the_promise_of_clear_holds_where_letters_of_a_scroll_go_wrong_together() -> None:
    # The size of the scroll's own part is drawn up, not measured. Issue 3, item 7: letter-wise, the
    # promise was broken in a third of the simulations.
    for draw, missed, scrolls in (
        (by_rates, missed_by_rates, 600), (by_logits, missed_by_logits, 400),
    ):  # fmt: skip
        by_scroll, by_letter, made = broken_clear(draw, missed, scrolls, 0.01)
        print(draw.__name__, scrolls, by_scroll, by_letter, made)
        assert by_scroll <= AT_MOST
        assert by_letter > 2 * AT_MOST
        assert made > 0.1  # a promise that is never made is never broken


def test_letters_that_go_wrong_singly_break_neither() -> None:
    # Where scrolls are all alike the letter-wise test is valid, by Learn then Test itself.
    def alike(rng: np.random.Generator, scrolls: int) -> Floats:
        u = rng.random((scrolls, CASES))
        return np.where(u < 0.03, 0.2 * u / 0.03, 0.9)

    by_scroll, by_letter, _ = broken_clear(alike, missed_by_rates, 400, 0.01)
    assert by_scroll <= AT_MOST
    assert by_letter <= AT_MOST


def findings(rng: np.random.Generator, scrolls: int) -> tuple[Floats, Floats]:
    """Probabilities of three plain cases and forty clean letters of each scroll; hands that mislead
    do so with many letters at once."""
    plain = rng.normal(3.0, 1.5, (scrolls, 3))
    clean = rng.normal(-5.5, 1.8, (scrolls, 1)) + rng.normal(0, 1.6, (scrolls, 40))
    return 1 / (1 + np.exp(-plain)), 1 / (1 + np.exp(-clean))


def false_shares(pages: tuple[Floats, Floats], threshold: float) -> Floats:
    true, false = ((p >= threshold).sum(axis=1) for p in pages)
    some = true + false > 0
    return np.asarray(false[some] / (true + false)[some], np.float64)


def test_the_promise_of_findings_holds() -> None:
    population = findings(np.random.default_rng(1), 200_000)
    truth = {s: float(false_shares(population, s).mean()) for s in FINDING_GRID}
    assert truth[FINDING_GRID[0]] < 0.05 < truth[FINDING_GRID[-1]]  # there is something to break
    broken = made = 0
    for k in range(TRIES):
        plain, clean = findings(np.random.default_rng([k, 2]), 400)
        learning = partial(false_shares, (plain[::5], clean[::5]))
        rest = np.arange(400) % 5 > 0
        promise = control_finding(learning, partial(false_shares, (plain[rest], clean[rest])))
        if promise is not None:
            made += promise.risk <= 0.05
            broken += truth[promise.threshold] > promise.risk
    print("findings", broken / TRIES, made / TRIES)
    assert broken / TRIES <= AT_MOST
    assert made / TRIES > 0.3
