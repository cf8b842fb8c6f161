"""Permutation tests against published examples and scipy, and that test and interval agree."""

from __future__ import annotations

import numpy as np
import pytest
import simulated_units
from scipy import stats
from simulated_units import Design, simulate

from crownlet.infer.run.survey_state import AuditDraw
from crownlet.infer.survey.contrasts import (
    adjust_tests,
    compare_estimates,
    describe_no_test,
)
from crownlet.infer.survey.estimators import (
    LetterSample,
    RateEstimate,
    estimate_read,
    estimate_with_audit,
    fit_lambdas,
)
from crownlet.infer.survey.permutation import (
    choose_refuting_p,
    compare_many,
    compare_pairs,
    compare_two,
    count_bearing_units,
)

# New HIV infections and people followed in six pairs of communities of Mwanza, one of each pair
# with the programme: Grosskurth and others, The Lancet 346 (1995). From memory; the totals are the
# published 48 of 4,149 and 82 of 4,400.
PROGRAMME = np.array([(5, 568), (4, 766), (17, 650), (13, 734), (4, 732), (5, 699)])
COMPARISON = np.array([(10, 702), (7, 833), (20, 630), (23, 760), (12, 782), (10, 693)])

# Heights of Darwin's maize, crossed less self-fertilised in 15 pairs, in eighths of an inch:
# R. A. Fisher, The Design of Experiments (1935), section 21.
MAIZE = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]) / 1000


def test_published_signs_of_paired_differences() -> None:
    """Fisher counts 863 of the 32,768 arrangements of signs at least as far out on one side."""
    found = compare_pairs(MAIZE)
    # More arrangements than are enumerated: 20,000 of them, of which p errs by 0.0016.
    assert found.p_exact == pytest.approx(2 * 863 / 32768, abs=0.006)
    assert found.difference * 1000 == pytest.approx(314 / 15)
    assert found.ci_low is not None and found.ci_low < 0 < (found.ci_high or 0)


def test_published_clusters_in_pairs() -> None:
    """All six pairs lie on one side: 2 of 64 arrangements (as Hayes and Moulton, Cluster Randomised
    Trials, 2009, have it, from memory)."""
    assert PROGRAMME.sum(axis=0).tolist() == [48, 4149]
    assert COMPARISON.sum(axis=0).tolist() == [82, 4400]
    rates = [communities[:, 0] / communities[:, 1] for communities in (PROGRAMME, COMPARISON)]
    found = compare_pairs(rates[0] - rates[1])
    assert found.p_exact == pytest.approx(2 / 64)
    assert found.ci_high is not None and found.ci_high < 0


@pytest.mark.parametrize("sizes", [(6, 6), (4, 9), (5, 8)])
def test_clusters_of_two_groups_same_as_scipy(sizes: tuple[int, int]) -> None:
    """Every arrangement, with the statistic written here: its variances count each group's own and
    20 degrees of freedom of the pooled one."""
    rng = np.random.default_rng(sum(sizes))
    first, second = (rng.beta(2, 40, n) for n in sizes)

    def statistic(a: np.ndarray, b: np.ndarray, axis: int = -1) -> np.ndarray:
        n, m = a.shape[axis], b.shape[axis]
        within = [x.var(axis=axis) * x.shape[axis] for x in (a, b)]
        pooled = 20 * (within[0] + within[1]) / (n + m - 2)
        error = (within[0] + pooled) / (n + 19) / n + (within[1] + pooled) / (m + 19) / m
        return np.abs(a.mean(axis=axis) - b.mean(axis=axis)) / np.sqrt(error)

    theirs = stats.permutation_test(
        (first, second), statistic, vectorized=True, n_resamples=np.inf, alternative="greater"
    )
    found = compare_two(first, second)
    assert found.p_exact == pytest.approx(theirs.pvalue, abs=1e-9)
    assert found.p_value is not None and found.p_exact is not None
    ties = 2 * (found.p_exact - found.p_value)
    assert ties == pytest.approx(np.mean(np.isclose(theirs.null_distribution, theirs.statistic)))


def test_large_even_samples_are_near_the_t_test() -> None:
    """With many units of even spread a permutation test is Student's (Fisher 1935), and so is the
    interval that inverts it; by scipy. The interval's level is 97%, see the study."""
    rng = np.random.default_rng(4)
    first, second = rng.normal(0.30, 0.05, 60), rng.normal(0.32, 0.05, 60)
    theirs = stats.ttest_ind(first, second)
    found = compare_two(first, second)
    assert found.p_value == pytest.approx(theirs.pvalue, abs=0.01)
    limits = theirs.confidence_interval(0.97)
    assert found.ci_low == pytest.approx(limits.low, abs=0.002)
    assert found.ci_high == pytest.approx(limits.high, abs=0.002)


@pytest.mark.parametrize("seed", range(30))
def test_test_and_interval_say_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = (rng.binomial(60, rng.beta(1, 15, n)) / 60 for n in rng.integers(3, 12, 2))
    found = compare_two(first, second)
    assert (found.p_value is None) == bool(found.reason)
    if found.p_value is not None and found.ci_low is not None and found.ci_high is not None:
        assert found.ci_low <= found.difference <= found.ci_high
        assert (found.p_value < 0.05) == (not found.ci_low <= 0 <= found.ci_high)


def test_too_few_units_give_no_test_and_the_reason() -> None:
    rng = np.random.default_rng(1)
    assert compare_two(rng.random(2), rng.random(40)).reason == "few"
    # 20 arrangements of three and three: the two furthest out make 10%.
    assert compare_two(rng.random(3), rng.random(3)).reason in ("few", "rare")
    assert compare_two(np.full(8, 0.1), np.full(9, 0.1)).reason == "alike"
    # One scroll of 20 with the defect: however they are divided, it lies on one side.
    assert compare_two(np.zeros(10), np.eye(1, 10)[0] * 0.01).reason == "rare"
    assert describe_no_test("few", "scribe", 2, 20).startswith("too few scribes: one source has 2")
    assert compare_pairs(rng.random(4)).reason == "few"


def test_too_few_letters_met_give_no_test_and_the_reason() -> None:
    """No outside source: two letters with the defect of 400 read say little of any source; that
    units are too few is said first."""
    rng = np.random.default_rng(3)
    counts = np.zeros((2, 10))
    counts[0, :2] = 1
    rare = [estimate_read(own, np.full(10, 20.0)) for own in counts]
    assert compare_estimates(*rare).reason == "unmet"
    assert "too rare" in describe_no_test("unmet", "scribe", 10, 10)
    # Four letters of 4,000 are few too: the rates of all units add up to 2%.
    seen = [estimate_read(2 * own[:10], np.full(10, 200.0)) for own in counts[[0, 1]]]
    assert compare_estimates(*seen).reason == "unmet"
    # And so are thirty that stand with one scribe alone.
    one = [estimate_read(30 * own, np.full(10, 100.0)) for own in (np.eye(1, 10)[0], counts[1])]
    assert compare_estimates(*one).reason == "unmet"
    few = estimate_read(np.array([1.0, 0.0]), np.full(2, 20.0))
    assert compare_estimates(few, rare[1]).reason == "few"
    many = [estimate_read(rng.binomial(20, 0.3, 10) * 1.0, np.full(10, 20.0)) for _ in "AB"]
    found, plain = compare_estimates(*many), compare_two(*(one.unit_rates for one in many))
    assert found == plain and found.p_value is not None


def test_bearing_units_are_counted_as_effective_numbers_are() -> None:
    """The inverse of Simpson's index: five even units count five, one that has it all counts one
    (Hill 1973, order 2); limits are wider where fewer than five bear a defect."""
    assert count_bearing_units(np.array([0.2] * 5 + [0.0, -0.1])) == pytest.approx(5)
    assert count_bearing_units(np.array([0.3, 0.0, 0.0])) == pytest.approx(1)
    assert count_bearing_units(np.zeros(4)) == 0
    even, one = np.full(6, 0.1), np.eye(1, 6)[0]
    assert choose_refuting_p(even, even) > choose_refuting_p(one, np.zeros(6))


def test_a_family_is_corrected_by_strict_p_values_and_a_single_test_not_at_all() -> None:
    assert adjust_tests([0.04, None], [0.06, None]) == [0.04, None]
    assert adjust_tests([0.01, 0.03], [0.02, 0.04]) == [0.04, 0.04]


def test_many_groups_same_as_an_analysis_of_variance() -> None:
    """With even groups the permutation of means is near the F test, by scipy."""
    rng = np.random.default_rng(7)
    groups = [rng.normal(0.2 + 0.01 * k, 0.03, 12) for k in range(5)]
    assert compare_many(groups) == pytest.approx(stats.f_oneway(*groups).pvalue, abs=0.01)
    assert compare_many([np.zeros(4), np.zeros(5)]) is None


@pytest.mark.parametrize("draw", ["even", "doubt"])
def test_simulated_scrolls_have_the_estimates_of_their_letters(draw: AuditDraw) -> None:
    """The study's scrolls, four counts each, against the same letters one by one."""
    rng = np.random.default_rng(2)
    design = Design((3, 1, 2), 0.1, audit=10, letters=60, draw=draw)
    cells = simulated_units._draw_letters(rng, design)
    audit, weight = simulated_units._read(rng, cells, design)
    rows = []
    for scribe in range(3):
        for scroll in range(cells.shape[1]):
            for kind in range(4):
                for k in range(int(cells[kind, scroll, scribe])):
                    read = k < audit[kind, scroll, scribe]
                    label = float(kind < 2) if read else np.nan
                    claimed = simulated_units.SAYS if kind % 2 == 0 else simulated_units.SAYS_NOT
                    rows.append((scribe, claimed, label, 1 / weight[kind, scroll, scribe]))
    unit, claimed, label, chance = (np.array(column) for column in zip(*rows, strict=True))
    letters = LetterSample(unit.astype(np.int64), claimed, label, chance)
    theirs = estimate_with_audit(letters, fit_lambdas(letters))
    ours = simulated_units._estimate(cells, (audit, weight), fit_lambdas(letters))
    assert ours.unit_rates == pytest.approx(theirs.unit_rates)
    assert ours.audit_variances == pytest.approx(theirs.audit_variances)
    assert (ours.n_judged, ours.n_met) == (theirs.n_judged, theirs.n_met)
    assert ours.squared_share == pytest.approx(theirs.squared_share)


@pytest.mark.parametrize(
    ("first", "second"), [([1] * 5, [1] * 40), ([1] * 3, [1] * 60), ([2] * 4, [2] * 4)]
)
def test_alike_sources_are_called_different_in_three_to_seven_per_cent(
    first: list[int], second: list[int]
) -> None:
    """Issue 18; 600 surveys, as far as chance lets these be told apart (four standard errors)."""
    rng = np.random.default_rng(18)
    surveys = [
        compare_quickly(*simulate(rng, (Design(first, 0.03), Design(second, 0.03))))
        for _ in range(600)
    ]
    offered = [differs for differs in surveys if differs is not None]
    error = (0.05 * 0.95 / len(offered)) ** 0.5
    assert len(offered) > 400
    assert 0.03 - 3 * error <= np.mean(offered) <= 0.07 + 3 * error


def compare_quickly(first: RateEstimate, second: RateEstimate) -> bool | None:
    from study_contrasts import run_survey

    found = run_survey(np.random.default_rng(0), first, second, 0.0)
    return found.differs if found.offered else None
