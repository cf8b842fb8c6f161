"""Tests in an order fixed beforehand, and the two thresholds of a defect that come of them.

Hypotheses "at this threshold the mean loss of a scroll is `risk` or more" are tested from the safe
to the bold, each at the full level; the first that stands ends the walk. So the chance that any
false promise is made is at most delta (fixed-sequence testing: Angelopoulos et al. 2021, Learn then
Test, section 2.3; Maurer et al. 1995). Each promise, two a defect, has its own delta.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.train.risk_control.bounds import BOUNDS, DELTA, choose_bound, scrolls_needed

Floats = npt.NDArray[np.float64]

LossesAt = Callable[[float], Floats]
"""Losses of the scrolls that have any, in a fixed order, at a threshold."""

CLEAR_GRID = tuple(np.round(np.geomspace(0.001, 0.2, 60), 4).tolist())
"""Borders of `clear`, from safe to bold. However well a network ranks, what it half believes is
worth a look; so none is above 0.2."""

FINDING_GRID = tuple(np.round(np.arange(0.995, 0.4999, -0.005), 4).tolist())
"""Borders of `finding`, from safe to bold."""

FALLBACK_RISKS = (0.01, 0.02, 0.03, 0.05, 0.1, 0.2)
"""Risks that are promised where too few scrolls, or too poor a network, do not carry the aim."""

USEFUL_CLEAR_THRESHOLD = 0.02
"""The border of `clear` for which a risk above the aim is promised; a lower one would send so much
to review that a lesser promise is no use there."""

LEARNING_SCROLL_STEP = 5
"""One scroll in so many learns where the walk of `finding` begins; the others test."""


@dataclass(frozen=True)
class Hypothesis:
    """One hypothesis: at `threshold` the mean loss is `risk` or more."""

    threshold: float
    risk: float


@dataclass(frozen=True)
class ControlledThreshold:
    """A threshold, and the mean loss that it keeps below `risk` with the confidence asked for."""

    threshold: float
    risk: float
    scrolls: int
    """Scrolls with a loss at the threshold."""
    bound: str
    seen: float
    """The mean loss of these scrolls."""


def count_rejected(p_values: Iterable[float], delta: float) -> int:
    """How many hypotheses, in the given order, fall before the first one stands."""
    fallen = 0
    for p in p_values:
        if not p <= delta:
            break
        fallen += 1
    return fallen


def fixed_sequence_test(
    steps: Sequence[Hypothesis], losses: LossesAt, delta: float = DELTA
) -> ControlledThreshold | None:
    """Walk the steps; what the last fallen one promises. None if the first one stands."""

    def p_values() -> Iterable[float]:
        for step in steps:
            x = losses(step.threshold)
            yield BOUNDS[choose_bound(len(x), step.risk, delta)](x, step.risk)

    fallen = count_rejected(p_values(), delta)
    if not fallen:
        return None
    last = steps[fallen - 1]
    x = losses(last.threshold)
    bound = choose_bound(len(x), last.risk, delta)
    return ControlledThreshold(last.threshold, last.risk, len(x), bound, float(x.mean()))


def reachable_risks(aim: float, scrolls: int, delta: float = DELTA) -> list[float]:
    """The aim and the looser rungs that so many scrolls could carry without a miss, loose first."""
    rungs = {aim, *(risk for risk in FALLBACK_RISKS if risk > aim)}
    return [r for r in sorted(rungs, reverse=True) if scrolls_needed(r, 1 - delta) <= scrolls]


def clear_hypotheses(aim: float, scrolls: int, delta: float = DELTA) -> list[Hypothesis]:
    """From safe to bold: looser risks at a useful border, then the aim from the lowest border on.

    A border that does not keep three times the aim at `USEFUL` is not followed to where it sends
    most letters to review. Where the scrolls are too few for the aim, what they can carry is tested
    at `USEFUL` alone: a lesser promise is no licence for a bolder border.
    """
    risks = reachable_risks(aim, scrolls, delta)
    if aim not in risks:
        return [Hypothesis(USEFUL_CLEAR_THRESHOLD, risk) for risk in risks]
    gates = [Hypothesis(USEFUL_CLEAR_THRESHOLD, risk) for risk in risks if risk >= 2.5 * aim]
    return gates + [Hypothesis(threshold, aim) for threshold in CLEAR_GRID]


def control_clear(
    losses: LossesAt, scrolls: int, aim: float = 0.01, delta: float = DELTA
) -> ControlledThreshold | None:
    """The boldest border below which a scroll has at most the promised share of its cases.

    `losses(t)` are the shares below t of all `scrolls` that have a case. The risks tested depend on
    their number alone.
    """
    return fixed_sequence_test(clear_hypotheses(aim, scrolls, delta), losses, delta)


def control_finding(
    learning: LossesAt, testing: LossesAt, aim: float = 0.05, delta: float = DELTA
) -> ControlledThreshold | None:
    """The boldest border above which at most the promised share of a scroll's findings is false.

    The highest border has the fewest findings, not the surest promise; so the `learning` scrolls
    choose where the walk begins, and the `testing` ones, all others, are walked ("split fixed
    sequence testing", Angelopoulos et al. 2021). Scrolls without a finding do not enter.
    """
    start = _find_start(learning, aim)
    expected = len(learning(FINDING_GRID[start])) * (LEARNING_SCROLL_STEP - 1)
    risks = reachable_risks(aim, expected, delta)
    steps = [Hypothesis(FINDING_GRID[start], risk) for risk in risks]
    if aim in risks:
        steps += [Hypothesis(threshold, aim) for threshold in FINDING_GRID[start + 1 :]]
    return fixed_sequence_test(steps, testing, delta)


def _find_start(losses: LossesAt, risk: float) -> int:
    """Place in `FINDING_GRID` where these scrolls speak most strongly for the promise."""
    strongest = []
    for threshold in FINDING_GRID:
        x = losses(threshold)
        strongest.append((BOUNDS["hoeffding_bentkus"](x, risk), -len(x)))
    return min(range(len(strongest)), key=strongest.__getitem__)
