"""The study of tests between sources: false alarms, power, and intervals that hold the truth.

    python tests/survey/study_contrasts.py      (some twelve minutes of one core)

writes `contrasts.csv` beside itself: one row a case (the last cases draw the audit by doubt), with
how often the survey's test is offered and sees a difference, how often its interval holds the true
one, and how often other tests see a difference in the same surveys: Welch's t test, the permutation
of plain means and that of Welch's t (Chung and Romano 2013), the wild cluster bootstrap-t (Cameron,
Gelbach and Miller 2008; Webb's weights), and in some cases a mixed model with a random scribe
(`statsmodels`).
What it found stands in README.md beside it.
"""

from __future__ import annotations

import csv
import sys
import warnings
from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy import stats
from simulated_units import Design, Floats, simulate

from crownlet.infer.run.survey_state import AuditDraw
from crownlet.infer.survey import permutation
from crownlet.infer.survey.contrasts import are_met_enough
from crownlet.infer.survey.estimators import RateEstimate
from crownlet.infer.survey.permutation import (
    TEST_LEVELS,
    Rearrangement,
    choose_refuting_p,
    rank_data,
    reason_for_none,
)

TABLE = Path(__file__).with_name("contrasts.csv")

DESIGNS: dict[str, tuple[Sequence[int], Sequence[int]]] = {
    "5 scrolls, 40 scrolls": ([1] * 5, [1] * 40),
    "3 scrolls, 60 scrolls": ([1] * 3, [1] * 60),
    "5 scrolls, 5 scrolls": ([1] * 5, [1] * 5),
    "10 scrolls, 10 scrolls": ([1] * 10, [1] * 10),
    "20 scrolls, 20 scrolls": ([1] * 20, [1] * 20),
    "4 scribes of 8, 4 of 8": ([2] * 4, [2] * 4),
    "4 scribes of 8, 4 of 8, uneven": ([5, 1, 1, 1], [4, 2, 1, 1]),
    "4 scribes of 8, 20 of 40": ([2] * 4, [2] * 20),
    "2 scribes of 20, 2 of 20": ([10] * 2, [10] * 2),
}
"""Scrolls of each scribe, for both sources; a scroll without a known scribe has its own."""

RATES = (0.003, 0.02, 0.1)
AUDITS = (None, 5, 20, 40)
"""Letters read of 200 a scroll; None is all."""
EFFECTS = (1.0, 3.0, 1 / 3)
"""The first source's rate over the second's."""

DESIGNS_BY_DOUBT = (
    "5 scrolls, 40 scrolls", "10 scrolls, 10 scrolls", "4 scribes of 8, 4 of 8",
    "4 scribes of 8, 20 of 40",
)  # fmt: skip
AUDITS_BY_DOUBT = (10, 40)
"""Cases in which doubtful letters are drawn more often."""

RUNS_ALIKE, RUNS_UNLIKE, RUNS_MIXED, RUNS_LIMITS = 1000, 500, 60, 200
RUNS_NEVER_OFFERED = 100
"""Of the design of two scribes, which has no test."""
WAYS = 999
"""Arrangements drawn in the study; the survey draws 20 times as many."""

COLUMNS = (
    "design", "rate", "audit", "draw", "effect", "runs", "offered", "differs", "covered", "welch",
    "plain", "studentised", "wild", "mixed", "rate_covered",
)  # fmt: skip


class Survey(NamedTuple):
    """One simulated survey."""

    offered: bool
    differs: bool
    covered: bool
    welch: bool
    plain: bool
    studentised: bool
    wild: bool


def run_survey(
    rng: np.random.Generator, one: RateEstimate, other: RateEstimate, truth: float
) -> Survey:
    """All tests on two sources that truly differ by `truth`."""
    first, second = one.unit_rates, other.unit_rates
    welch, wild = _welch(first, second) < 0.05, _wild(rng, first, second) < 0.05
    if reason_for_none(first, second):
        return Survey(False, False, False, welch, False, False, wild)
    sums = Rearrangement.of(first, second)
    p_value, _, level = rank_data(sums.statistics(0.0))
    offered = TEST_LEVELS[0] <= level <= TEST_LEVELS[1]
    offered = offered and are_met_enough(one, other)
    covered = p_value >= 0.05
    if truth != 0:
        covered = rank_data(sums.statistics(truth))[0] >= choose_refuting_p(first, second)
    plain, studentised = (
        rank_data(sums.statistics(0.0, prior_df=prior))[0] < 0.05 for prior in (1e9, 0.0)
    )
    return Survey(offered, p_value < 0.05, covered, welch, plain, studentised, wild)


def sees_difference(one: RateEstimate, other: RateEstimate) -> bool:
    """Whether the survey's test, as `compare_estimates` makes it, says that two sources differ."""
    first, second = one.unit_rates, other.unit_rates
    if reason_for_none(first, second) or not are_met_enough(one, other):
        return False
    p_value, _, level = rank_data(Rearrangement.of(first, second).statistics(0.0))
    return p_value < 0.05 and TEST_LEVELS[0] <= level <= TEST_LEVELS[1]


def run_case(
    name: str,
    rate: float,
    audit: int | None,
    effect: float,
    runs: int,
    seed: Sequence[int],
    draw: AuditDraw = "even",
) -> list[object]:
    """One row of the table."""
    permutation.MAX_WAYS = WAYS
    first, second = (
        Design(scribes, own, audit=audit, draw=draw)
        for scribes, own in zip(DESIGNS[name], (rate * effect, rate), strict=True)
    )
    rng = np.random.default_rng(seed)
    surveys, limits = [], []
    for number in range(runs):
        found = simulate(rng, (first, second))
        surveys.append(run_survey(rng, found[0], found[1], rate * (effect - 1)))
        if effect == 1 and number < RUNS_LIMITS and len(first.scribes) > 2:
            limits += [
                low <= rate <= high
                for estimate in found
                for low, high in [estimate.confidence_limits()]
            ]
    held = np.array(surveys, dtype=float)
    offered = held[:, 0] == 1
    own = held[offered].mean(axis=0) if offered.any() else np.full(7, np.nan)
    every = held.mean(axis=0)
    mixed = ""
    if "scribes" in name and rate == 0.02 and audit in (None, 20) and effect != 1 / 3:
        mixed = f"{_run_mixed(rng, (first, second)):.3f}"
    cells = [offered.mean(), own[1], own[2], *every[3:]]
    return [
        name, rate, "all" if audit is None else audit, draw, f"{effect:.2g}", runs,
        *("" if np.isnan(cell) else f"{cell:.3f}" for cell in cells), mixed,
        f"{np.mean(limits):.3f}" if limits else "",
    ]  # fmt: skip


def rows() -> Iterator[list[object]]:
    """Every case, each with its own seed."""
    for number, case in enumerate(product(DESIGNS, RATES, AUDITS, EFFECTS)):
        runs = RUNS_ALIKE if case[3] == 1 else RUNS_UNLIKE
        yield run_case(*case, RUNS_NEVER_OFFERED if case[0][:2] == "2 " else runs, (number, 18))
    by_doubt = product(DESIGNS_BY_DOUBT, RATES, AUDITS_BY_DOUBT, EFFECTS)
    for number, (name, rate, audit, effect) in enumerate(by_doubt):
        runs = RUNS_ALIKE if effect == 1 else RUNS_UNLIKE
        yield run_case(name, rate, audit, effect, runs, (number, 19), "doubt")


def _welch(first: Floats, second: Floats) -> float:
    variances = [float(r.var(ddof=1)) / len(r) for r in (first, second)]
    if sum(variances) == 0:
        return 1.0
    parts = (v**2 / (len(r) - 1) for v, r in zip(variances, (first, second), strict=True))
    df = sum(variances) ** 2 / sum(parts)
    t = abs(first.mean() - second.mean()) / sum(variances) ** 0.5
    return float(2 * stats.t.sf(t, df))


def _wild(rng: np.random.Generator, first: Floats, second: Floats, draws: int = 299) -> float:
    values, n1 = np.concatenate([first, second]), len(first)
    size = (draws, len(values))
    webb = rng.choice([0.5**0.5, 1.0, 1.5**0.5], size) * rng.choice([-1.0, 1.0], size)
    drawn = np.concatenate([[values], values.mean() + (values - values.mean()) * webb])
    one, two = drawn[:, :n1], drawn[:, n1:]
    error = one.var(axis=1, ddof=1) / n1 + two.var(axis=1, ddof=1) / two.shape[1]
    t = np.abs(one.mean(axis=1) - two.mean(axis=1)) / np.sqrt(np.maximum(error, 1e-30))
    return float(np.mean(t >= t[0] * (1 - 1e-9)))


def _run_mixed(rng: np.random.Generator, sources: Sequence[Design]) -> float:
    """How often a linear mixed model of scroll rates with a random scribe sees a difference."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    seen = []
    for _ in range(RUNS_MIXED):
        rates, scribes, source = [], [], []
        for number, design in enumerate(sources):
            scroll_rates = _scroll_rates(rng, design)
            rates.append(scroll_rates)
            scribes.append(np.repeat(np.arange(len(design.scribes)), design.scribes) + 100 * number)
            source.append(np.full(len(scroll_rates), number))
        design_matrix = np.stack([np.ones(sum(map(len, rates))), np.concatenate(source)], axis=1)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = MixedLM(np.concatenate(rates), design_matrix, groups=np.concatenate(scribes))
            try:
                seen.append(model.fit(reml=True).pvalues[1] < 0.05)
            except np.linalg.LinAlgError:
                seen.append(False)
    return float(np.mean(seen))


def _scroll_rates(rng: np.random.Generator, design: Design) -> Floats:
    """Rates of the scrolls of one source, all letters read."""
    strength = (1 - design.icc) / design.icc
    of_scribe = rng.beta(
        design.rate * strength, (1 - design.rate) * strength, len(design.scribes)
    ).repeat(design.scribes)
    strength = (1 - design.icc_scroll) / design.icc_scroll
    own = rng.beta(np.maximum(of_scribe * strength, 1e-9), (1 - of_scribe) * strength)
    return rng.binomial(design.letters, own) / design.letters


if __name__ == "__main__":
    with (Path(sys.argv[1]) if len(sys.argv) > 1 else TABLE).open(
        "w", newline="", encoding="utf-8"
    ) as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in rows():
            writer.writerow(row)
            file.flush()
