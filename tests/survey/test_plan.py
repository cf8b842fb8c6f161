"""The plan of a survey against power formulas elsewhere and against simulation."""

from __future__ import annotations

import argparse
import math

import numpy as np
import pytest
import simulated
from statsmodels.stats.power import TTestIndPower

from crownlet.infer.commands import survey
from crownlet.infer.survey.contrasts import welch_test
from crownlet.infer.survey.estimators import estimate_with_audit, fit_lambdas
from crownlet.infer.survey.plan import (
    PlanError,
    PowerTarget,
    choose_plan,
    compute_power,
    find_plan,
    list_plans,
)


@pytest.mark.parametrize("difference", [0.02, 0.05, 0.2])
@pytest.mark.parametrize("scrolls", [4, 10, 40])
def test_power_same_as_statsmodels_where_variances_are_equal(
    difference: float, scrolls: int
) -> None:
    """Rates as far below as above one half have one variance; the design effect 1 + (n - 1) rho
    (Donner & Klar 2000, section 5.3) makes letters into a scroll's variance."""
    aim = PowerTarget(rate=0.5 - difference / 2, difference=difference, letters=120, likeness=0.03)
    between = aim.rate * (1 - aim.rate) * (1 + 119 * 0.03) / 120
    theirs = TTestIndPower().power(difference / math.sqrt(between), scrolls, 0.05)
    assert compute_power(aim, scrolls, 120) == pytest.approx(theirs, abs=1e-6)


def test_fewest_scrolls_same_as_statsmodels() -> None:
    aim = PowerTarget(rate=0.45, difference=0.1, letters=120, likeness=0.03)
    between = 0.45 * 0.55 * (1 + 119 * 0.03) / 120
    theirs = TTestIndPower().solve_power(0.1 / math.sqrt(between), alpha=0.05, power=0.8)
    assert find_plan(aim, 120).scrolls == math.ceil(theirs)


def test_planned_power_is_reached_in_simulated_surveys() -> None:
    """500 simulated surveys, the network's word audited; the share seen errs by 0.018."""
    aim = PowerTarget(rate=0.1, difference=0.1, letters=200, likeness=0.05, agreement=0.75)
    made = find_plan(aim, 40)
    rng = np.random.default_rng(11)
    of = np.full(made.scrolls, 200)
    seen = 0
    for _ in range(500):
        sides = [simulated.letters(rng, r, 0.05, of, 40, overlooks=0.3) for r in (0.1, 0.2)]
        rates = [estimate_with_audit(one, fit_lambdas(one)).scroll_rates for one in sides]
        p = welch_test(*rates).p_value
        seen += p is not None and p < 0.05
    assert made.power == pytest.approx(0.8, abs=0.03)
    assert seen / 500 == pytest.approx(made.power, abs=0.08)


def test_more_is_needed_for_less() -> None:
    """Common sense of every plan: smaller difference, more likeness, more power, more tests."""
    base = find_plan(PowerTarget(0.05, 0.05, 200), 200).scrolls
    for harder in (
        PowerTarget(0.05, 0.03, 200), PowerTarget(0.05, 0.05, 200, likeness=0.1),
        PowerTarget(0.05, 0.05, 200, power=0.9), PowerTarget(0.05, 0.05, 200, comparisons=30),
    ):  # fmt: skip
        assert find_plan(harder, 200).scrolls > base
    made = list_plans(PowerTarget(0.05, 0.05, 200))
    assert [one.scrolls for one in made] == sorted((p.scrolls for p in made), reverse=True)
    assert choose_plan(made) in made


@pytest.mark.parametrize(
    "wrong",
    [{"rate": 0}, {"difference": 1.0}, {"rate": 0.9, "difference": 0.1}, {"letters": 1},
     {"likeness": 0}, {"agreement": 1.1}, {"comparisons": 0}],
)  # fmt: skip
def test_an_aim_without_sense_is_refused(wrong: dict[str, float]) -> None:
    given = {"rate": 0.05, "difference": 0.05, "letters": 200} | wrong
    with pytest.raises(PlanError):
        PowerTarget(**given)  # type: ignore[arg-type]


def run(*arguments: str) -> int:
    parser = argparse.ArgumentParser()
    survey.add(parser.add_subparsers())
    options = parser.parse_args(["survey", "plan", *arguments])
    return int(options.run(options))


def test_the_command_says_the_plan_and_what_it_takes_for_granted(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run("--rate", "0.05", "--difference", "0.05", "--letters", "200") == 0
    said = capsys.readouterr().out
    best = choose_plan(list_plans(PowerTarget(0.05, 0.05, 200)))
    assert f"take {best.scrolls} scrolls of each source" in said
    assert "5% and 10%" in said and "alike by 0.05" in said
    assert run("--rate", "0.9", "--difference", "0.2") == 2
    assert "together must be below 1" in capsys.readouterr().err
