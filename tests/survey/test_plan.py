"""The plan of a survey against power formulas elsewhere and against simulation."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np
import pytest
import simulated
import simulated_units
from scipy import stats
from simulated_units import Design
from statsmodels.stats.power import TTestIndPower

from crownlet.infer.commands import survey
from crownlet.infer.survey import audit
from crownlet.infer.survey.contrasts import compare_estimates
from crownlet.infer.survey.design import read_design
from crownlet.infer.survey.estimators import estimate_with_audit, fit_lambdas
from crownlet.infer.survey.plan import (
    PlanAssumptions,
    PlanError,
    aim_at_difference,
    aim_at_equivalence,
    aim_at_width,
    choose_plan,
    compute_draw_effect,
    compute_equivalence_power,
    compute_half_width,
    compute_power,
    compute_t_power,
    compute_unit_variance,
    find_plan,
    find_smallest_difference,
    list_plans,
)


@pytest.mark.parametrize("difference", [0.02, 0.05, 0.2])
@pytest.mark.parametrize("scrolls", [4, 10, 40])
def test_power_same_as_statsmodels_where_variances_are_equal(
    difference: float, scrolls: int
) -> None:
    """Rates as far below as above one half have one variance; the design effect 1 + (n - 1) rho
    (Donner & Klar 2000, section 5.3) makes letters into a scroll's variance."""
    assumed = PlanAssumptions(rate=0.5 - difference / 2, letters=120, likeness=0.03)
    between = assumed.rate * (1 - assumed.rate) * (1 + 119 * 0.03) / 120
    theirs = TTestIndPower().power(difference / math.sqrt(between), scrolls, 0.05)
    assert compute_t_power(assumed, difference, scrolls, 120) == pytest.approx(theirs, abs=1e-6)


@pytest.mark.parametrize("scrolls", [20, 40, 41, 120, 401])
def test_power_of_the_permutation_comes_to_that_of_statsmodels(scrolls: int) -> None:
    """With many units and rates near one half a permutation test is Student's (Hoeffding 1952); 600
    simulated surveys, three standard errors."""
    assumed = PlanAssumptions(rate=0.4, letters=120, likeness=0.03)
    difference = 0.34 / math.sqrt(scrolls)
    spread = math.sqrt(np.mean([compute_unit_variance(r, assumed, 120) for r in
                                (0.4, 0.4 + difference)]))  # fmt: skip
    theirs = TTestIndPower().power(difference / spread, scrolls, 0.05)
    assert 0.5 < theirs < 0.95
    error = 3 * math.sqrt(theirs * (1 - theirs) / 600)
    assert compute_power(assumed, difference, scrolls, 120) == pytest.approx(theirs, abs=error)


@pytest.mark.parametrize(
    ("scribes", "rate", "audit"),
    [(4, 0.05, None), (8, 0.05, None), (8, 0.05, 20), (20, 0.02, 20)],
)
def test_planned_power_is_that_of_simulated_surveys_by_number_of_scribes(
    scribes: int, rate: float, audit: int | None
) -> None:
    """300 surveys of the study's simulator, two scrolls of each scribe, with the survey's test
    itself (`compare_estimates`); its network agrees with the truth by `agreement`."""
    designs = [Design((2,) * scribes, r, audit=audit) for r in (rate, 3 * rate)]
    rng = np.random.default_rng(3)
    seen = 0
    for _ in range(300):
        found = compare_estimates(*simulated_units.simulate(rng, designs))
        seen += found.p_value is not None and found.p_value < 0.05
    # Correlation of a network that sees 85% of the defects and invents 1.1% with the truth.
    marked = 0.85 * rate + 0.011 * (1 - rate)
    agreement = 0.839 * math.sqrt(rate * (1 - rate) / (marked * (1 - marked)))
    assumed = PlanAssumptions(
        rate, 200, likeness=0.0595, agreement=agreement, scrolls_per_scribe=2,
        scribe_likeness=0.05, draw="even",
    )  # fmt: skip
    planned = compute_power(assumed, 2 * rate, scribes, audit or 200)
    assert planned == pytest.approx(seen / 300, abs=0.1)


def test_too_few_units_have_no_power() -> None:
    """20 arrangements of three and three never reach p < 0.05."""
    assert compute_power(PlanAssumptions(0.3, 200), 0.6, 3, 200) == 0


def test_fewest_scrolls_are_near_those_of_statsmodels() -> None:
    assumed = PlanAssumptions(rate=0.45, letters=120, likeness=0.03)
    between = 0.45 * 0.55 * (1 + 119 * 0.03) / 120
    theirs = TTestIndPower().solve_power(0.1 / math.sqrt(between), alpha=0.05, power=0.8)
    found = find_plan(assumed, aim_at_difference(assumed, 0.1, 0.8), 120)
    assert found.scrolls == pytest.approx(theirs, rel=0.12)
    assert found.reached >= 0.8


def test_smallest_difference_is_near_that_of_statsmodels() -> None:
    """Where the rates lie near one half the variance hardly depends on the difference."""
    assumed = PlanAssumptions(rate=0.45, letters=120, likeness=0.03)
    found = find_smallest_difference(assumed, 20, 120, 0.8)
    spread = math.sqrt(np.mean([compute_unit_variance(r, assumed, 120) for r in
                                (0.45, 0.45 + found)]))  # fmt: skip
    theirs = TTestIndPower().solve_power(None, nobs1=20, alpha=0.05, power=0.8) * spread
    assert found == pytest.approx(theirs, rel=0.06)
    assert compute_power(assumed, found, 20, 120) == pytest.approx(0.8, abs=0.02)


def test_half_width_is_that_of_a_t_interval_in_scipy() -> None:
    assumed = PlanAssumptions(rate=0.2, letters=100, likeness=0.1)
    error = math.sqrt(0.2 * 0.8 * (1 + 99 * 0.1) / 100 / 15)
    low, high = stats.t.interval(0.95, 14, loc=0.2, scale=error)
    assert compute_half_width(assumed, 15, 100) == pytest.approx((high - low) / 2)
    made = find_plan(assumed, aim_at_width(assumed, 0.05), 100)
    assert made.reached <= 0.05 < compute_half_width(assumed, made.units - 1, 100)


def test_equivalence_power_is_that_of_simulated_surveys() -> None:
    """Two one-sided t tests at 5% (Schuirmann 1987) on 20,000 simulated pairs of normal samples;
    the share shown alike errs by 0.0035."""
    assumed = PlanAssumptions(rate=0.2, letters=100, likeness=0.1)
    aim = aim_at_equivalence(assumed, 0.1, 0.8)
    made = find_plan(assumed, aim, 100)
    spread = math.sqrt(compute_unit_variance(0.2, assumed, 100))
    rng = np.random.default_rng(5)
    first, second = rng.normal(0.2, spread, (2, 20_000, made.units))
    difference = first.mean(1) - second.mean(1)
    error = np.sqrt((first.var(1, ddof=1) + second.var(1, ddof=1)) / made.units)
    critical = stats.t.ppf(0.95, 2 * (made.units - 1))
    shown = np.mean(np.abs(difference) + critical * error < 0.1)
    assert made.reached == pytest.approx(compute_equivalence_power(assumed, 0.1, made.units, 100))
    assert shown == pytest.approx(made.reached, abs=0.015)


def test_scribes_with_several_scrolls_have_the_variance_of_nested_levels() -> None:
    """Two-level variance components (Donner & Klar 2000, chapter 5, from memory): 40,000 simulated
    scribes of 3 scrolls of 50 letters, normal at each level."""
    assumed = PlanAssumptions(
        rate=0.5, letters=50, likeness=0.2, scrolls_per_scribe=3, scribe_likeness=0.08
    )
    rng = np.random.default_rng(8)
    scribe = rng.normal(0, math.sqrt(0.08), (40_000, 1, 1))
    scroll = rng.normal(0, math.sqrt(0.12), (40_000, 3, 1))
    letter = rng.normal(0, math.sqrt(0.8 / 50), (40_000, 3, 1))
    means = (scribe + scroll + letter).mean(axis=(1, 2))
    assert compute_unit_variance(0.5, assumed, 50) == pytest.approx(0.25 * means.var(), rel=0.03)


def test_planned_power_is_reached_in_simulated_surveys() -> None:
    """200 simulated surveys, letter by letter, the network's word audited, with the survey's test;
    the share seen errs by 0.03."""
    assumed = PlanAssumptions(0.1, letters=200, likeness=0.05, agreement=0.75, draw="even")
    made = find_plan(assumed, aim_at_difference(assumed, 0.1, 0.8), 40)
    rng = np.random.default_rng(11)
    of = np.full(made.scrolls, 200)
    seen = 0
    for _ in range(200):
        sides = [simulated.letters(rng, r, 0.05, of, 40, overlooks=0.3) for r in (0.1, 0.2)]
        found = compare_estimates(*(estimate_with_audit(s, fit_lambdas(s)) for s in sides))
        seen += found.p_value is not None and found.p_value < 0.05
    assert made.reached == pytest.approx(0.8, abs=0.05)
    assert seen / 200 == pytest.approx(made.reached, abs=0.1)


def test_the_effect_of_the_draw_is_that_of_the_exact_variance() -> None:
    """Of a calibrated network that overlooks nothing: the variance of Horvitz-Thompson under
    Poisson sampling, sum of (1 - pi) / pi v (Sarndal, Swensson & Wretman 1992, result 3.5.1), over
    200,000 letters whose probabilities are drawn from the beta distribution."""
    rate, agreement, letters, audited = 0.03, 0.6, 200_000, 2_000
    strength = 1 / agreement**2 - 1
    p = np.random.default_rng(2).beta(rate * strength, (1 - rate) * strength, letters)
    chance = audit.compute_chances(p, audited)
    variance = p * (1 - p)
    ratio = (variance / chance).sum() / (variance.sum() * letters / audited)
    assert compute_draw_effect(rate, agreement, 0.0) == pytest.approx(ratio, rel=0.03)
    assert compute_draw_effect(rate, agreement, 1.0) == 2.0  # 1 over the even share
    assert compute_draw_effect(rate, 1.0, 0.15) == 1.0


def test_more_is_needed_for_less() -> None:
    """Common sense of every plan: smaller difference, more likeness, more power, more tests."""

    def scrolls(difference: float = 0.05, power: float = 0.8, **more: float) -> int:
        assumed = PlanAssumptions(0.05, 200, **more)  # type: ignore[arg-type]
        return find_plan(assumed, aim_at_difference(assumed, difference, power), 200).scrolls

    base = scrolls()
    assert min(scrolls(0.03), scrolls(likeness=0.1), scrolls(power=0.9), scrolls(comparisons=30),
               scrolls(scrolls_per_scribe=2)) > base  # fmt: skip
    assumed = PlanAssumptions(0.05, 200)
    made = list_plans(assumed, aim_at_difference(assumed, 0.05, 0.8))
    assert [one.scrolls for one in made] == sorted((p.scrolls for p in made), reverse=True)
    assert choose_plan(made) in made


@pytest.mark.parametrize(
    "wrong",
    [{"rate": 0}, {"letters": 1}, {"likeness": 0}, {"agreement": 1.1}, {"comparisons": 0},
     {"scribe_likeness": 0.2}, {"overlooked": -1}, {"scrolls_per_scribe": 0}],
)  # fmt: skip
def test_assumptions_without_sense_are_refused(wrong: dict[str, float]) -> None:
    given = {"rate": 0.05, "letters": 200} | wrong
    with pytest.raises(PlanError):
        PlanAssumptions(**given)  # type: ignore[arg-type]


def test_an_aim_without_sense_is_refused() -> None:
    assumed = PlanAssumptions(0.9, 200)
    for make in (
        lambda: aim_at_difference(assumed, 0.1, 0.8), lambda: aim_at_difference(assumed, 0, 0.8),
        lambda: aim_at_width(assumed, 1.0), lambda: aim_at_equivalence(assumed, 0.1, 1.0),
        lambda: find_smallest_difference(assumed, 2, 20, 0.8),
    ):  # fmt: skip
        with pytest.raises(PlanError):
            make()


def run(*arguments: str) -> int:
    parser = argparse.ArgumentParser()
    survey.add(parser.add_subparsers())
    options = parser.parse_args(["survey", "plan", *arguments])
    return int(options.run(options))


def test_the_command_states_plan_questions_and_assumptions(
    capsys: pytest.CaptureFixture[str],
) -> None:
    kinds = ("--defects", "ink_lost,tag_missing")
    assert run("--rate", "0.05", "--difference", "0.05", "--letters", "200", *kinds) == 0
    text = capsys.readouterr().out
    # Two defects of two sources: two tests, of which Holm (1979) makes the first at half the level.
    assumed = PlanAssumptions(0.05, 200, comparisons=2)
    best = choose_plan(list_plans(assumed, aim_at_difference(assumed, 0.05, 0.8)))
    assert "each test is made at 0.025 (2 comparisons at once)" in text
    assert f"take {best.scrolls} scrolls of each source" in text
    assert "5% and 10%" in text and "alike by 0.05" in text
    total = best.scrolls * 2 * 2 * best.audited
    assert f"Questions to answer: about {total:,} (2 sources" in text
    assert run("--rate", "0.9", "--difference", "0.2") == 2
    assert "together must be below 1" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("aim", "words"),
    [(("--width", "0.02"), "to within 2% of the letters"),
     (("--equivalence", "0.04"), "differ by less than 4% of the letters"),
     (("--scrolls", "12"), "With 12 scrolls of each source")],
)  # fmt: skip
def test_the_command_plans_for_other_aims(
    aim: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("--rate", "0.05", *aim) == 0
    text = capsys.readouterr().out
    assert words in " ".join(text.split())
    assert "Questions to answer: about" in text


def test_a_design_is_written_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "design.json"
    ask = ("--rate", "0.05", "--difference", "0.05", "--defects", "ink_lost", "--compare",
           "North:South", "--out", str(path))  # fmt: skip
    assert run(*ask) == 0
    design = read_design(path)
    assert (design.defects, design.comparisons) == (("ink_lost",), (("North", "South"),))
    assert design.sha256[:12] in capsys.readouterr().out
    assert run(*ask) == 2
    assert "a design is not written over" in capsys.readouterr().err
