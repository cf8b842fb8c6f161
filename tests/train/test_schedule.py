"""Budgets of steps and minutes."""

import time

import pytest

from crownlet.train.fit.modules import Budget, learning_rate_share


def test_whichever_is_used_up_first_ends_the_run_and_the_rate_follows_the_steps() -> None:
    budget = Budget(steps=100, seconds=10.0)
    assert budget.progress(50) == pytest.approx(0.5)
    budget.spent = 9.0
    # However slow the machine is, the same step has the same rate.
    assert budget.progress(50) == pytest.approx(0.5)
    assert not budget.used_up(50)
    budget.spent = 10.0
    assert budget.used_up(50)
    budget.spent = 0.0
    assert budget.used_up(100)
    assert budget.progress(400) == 1.0


def test_a_clock_that_ends_a_run_takes_the_place_of_its_steps() -> None:
    budget = Budget(steps=100, seconds=0.0)
    budget.end_by(time.time() + 1000.0)
    assert not budget.used_up(400)
    budget.spent = 500.0
    assert budget.progress(400) == pytest.approx(0.5, abs=0.05)


def test_time_spent_before_a_resume_counts() -> None:
    budget = Budget(steps=0, seconds=10.0)
    budget.spent = 4.0
    budget.start()
    assert budget.progress(10**6) >= 0.4


def test_the_rate_warms_up_then_falls_like_a_cosine() -> None:
    # Loshchilov and Hutter 2017: half way down the cosine stands at one half.
    assert learning_rate_share(0.0, 0, warmup=100) == pytest.approx(0.01)
    assert learning_rate_share(0.5, 1000, warmup=100) == pytest.approx(0.01 + 0.99 * 0.5)
    assert learning_rate_share(1.0, 1000, warmup=100) == pytest.approx(0.01)
