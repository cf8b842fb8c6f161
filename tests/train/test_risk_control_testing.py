"""The walk over thresholds: order, stopping, and what few scrolls can carry."""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.train.risk_control.testing import (
    CLEAR_GRID,
    FINDING_GRID,
    USEFUL_CLEAR_THRESHOLD,
    clear_hypotheses,
    control_clear,
    control_finding,
    count_rejected,
    reachable_risks,
)


def test_the_first_that_stands_ends_the_walk() -> None:
    # Fixed-sequence testing by its definition (Maurer et al. 1995; Learn then Test, 2.3).
    assert count_rejected([0.01, 0.05, 0.051, 0.0], 0.05) == 2
    assert count_rejected([0.2, 0.0], 0.05) == 0
    assert count_rejected([], 0.05) == 0
    assert count_rejected([float("nan"), 0.0], 0.05) == 0


def test_grids_run_from_safe_to_bold() -> None:
    assert list(CLEAR_GRID) == sorted(set(CLEAR_GRID))
    assert list(FINDING_GRID) == sorted(set(FINDING_GRID), reverse=True)
    assert CLEAR_GRID[-1] <= FINDING_GRID[-1]
    steps = clear_hypotheses(0.01, 1000)
    assert [s.threshold for s in steps if s.risk == 0.01] == list(CLEAR_GRID)
    gates = [s.risk for s in steps if s.risk > 0.01]
    assert gates == sorted(gates, reverse=True)


@pytest.mark.parametrize(
    ("scrolls", "risk"), [(299, 0.01), (298, 0.02), (59, 0.05), (58, 0.1), (14, 0.2), (13, None)]
)
def test_few_scrolls_carry_less(scrolls: int, risk: float | None) -> None:
    # (1 - r)^n <= 0.05: issue 3's 299 and 59; 14 is the first n with 0.8^n below 0.05.
    assert (reachable_risks(0.01, scrolls) or [None])[-1] == risk
    kept = control_clear(lambda threshold: np.zeros(scrolls), scrolls)
    assert (None if kept is None else kept.risk) == risk
    if kept is not None:
        # Only the aim itself is followed to bolder borders.
        assert kept.threshold == (CLEAR_GRID[-1] if risk == 0.01 else USEFUL_CLEAR_THRESHOLD)
        assert (kept.seen, kept.scrolls) == (0.0, scrolls)


def test_a_poor_network_is_promised_little_or_nothing() -> None:
    # 63 of 1000 scrolls lose every case, at any border: that proves less than 10% (five standard
    # errors), and cannot prove 5%.
    losses = np.zeros(1000)
    losses[::16] = 1.0
    kept = control_clear(lambda threshold: losses, 1000)
    assert kept is not None
    assert (kept.threshold, kept.risk) == (USEFUL_CLEAR_THRESHOLD, 0.1)
    assert control_clear(lambda threshold: np.full(1000, 0.5), 1000) is None


def test_clear_is_the_boldest_that_keeps_the_aim() -> None:
    # Nothing is missed below 0.05; above it every scroll loses a tenth.
    kept = control_clear(lambda t: np.full(800, 0.1 * (t > 0.05)), 800)
    assert kept is not None
    assert kept.threshold == max(t for t in CLEAR_GRID if t <= 0.05)
    assert kept.risk == 0.01


def test_the_walk_of_findings_begins_where_there_are_findings() -> None:
    # Above 0.9 hardly a scroll has a finding; between 0.6 and 0.9 all are true; below, half.
    def losses(n: int):  # type: ignore[no-untyped-def]
        return lambda s: np.zeros(3) if s > 0.9 else np.full(n, 0.5 * (s < 0.6))

    kept = control_finding(losses(80), losses(320))
    assert kept is not None
    assert (kept.threshold, kept.risk, kept.scrolls) == (0.6, 0.05, 320)
    # Ten scrolls that learn stand for forty that test, and those can carry a tenth at most.
    few = control_finding(losses(10), losses(40))
    assert few is not None
    assert (few.risk, few.threshold) == (0.1, 0.9)
    assert control_finding(lambda s: np.empty(0), lambda s: np.empty(0)) is None
