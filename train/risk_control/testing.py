"""Fixed-sequence testing, and the two thresholds of a defect that it gives.

Hypotheses "at this threshold the mean loss of a scroll is `risk` or more" are tested from the safe
to the bold, each at the full level; the first that is not rejected ends the sequence. So the chance
of any false promise is at most delta (fixed-sequence testing: Angelopoulos et al. 2021, Learn then
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
"""Thresholds of `clear`, from safe to bold. However well a network ranks, a letter with a
probability above 0.2 is worth a look; so none is higher."""

FINDING_GRID = tuple(np.round(np.arange(0.995, 0.4999, -0.005), 4).tolist())
"""Thresholds of `finding`, from safe to bold."""

FALLBACK_RISKS = (0.01, 0.02, 0.03, 0.05, 0.1, 0.2)
"""Risks that are promised where the scrolls are too few, or the network too poor, for the aim."""

USEFUL_CLEAR_THRESHOLD = 0.02
"""The threshold of `clear` for which a risk above the aim is promised; a lower one would send so
much to review that a weaker promise is of no use there."""

LEARNING_SCROLL_STEP = 5
"""Every fifth scroll chooses where the sequence of `finding` begins; the others test."""


@dataclass(frozen=True)
class Hypothesis:
    """One hypothesis: at `threshold` the mean loss is `risk` or more."""

    threshold: float
    risk: float


@dataclass(frozen=True)
class ControlledThreshold:
    """A threshold whose mean loss lies below `risk` with the confidence asked for."""

    threshold: float
    risk: float
    scrolls: int
    """Scrolls with a loss at the threshold."""
    bound: str
    seen: float
    """The mean loss of these scrolls."""


def count_rejected(p_values: Iterable[float], delta: float) -> int:
    """Hypotheses rejected, in the given order, before the first that is not."""
    rejected = 0
    for p in p_values:
        if not p <= delta:
            break
        rejected += 1
    return rejected


def fixed_sequence_test(
    steps: Sequence[Hypothesis], losses: LossesAt, delta: float = DELTA
) -> ControlledThreshold | None:
    """Test in order; the threshold of the last rejected hypothesis. None if the first holds."""

    def p_values() -> Iterable[float]:
        for step in steps:
            x = losses(step.threshold)
            yield BOUNDS[choose_bound(len(x), step.risk, delta)](x, step.risk)

    rejected = count_rejected(p_values(), delta)
    if not rejected:
        return None
    last = steps[rejected - 1]
    x = losses(last.threshold)
    bound = choose_bound(len(x), last.risk, delta)
    return ControlledThreshold(last.threshold, last.risk, len(x), bound, float(x.mean()))


def reachable_risks(aim: float, scrolls: int, delta: float = DELTA) -> list[float]:
    """The aim and the fallback risks that this number of scrolls can prove, the loosest first."""
    rungs = {aim, *(risk for risk in FALLBACK_RISKS if risk > aim)}
    return [r for r in sorted(rungs, reverse=True) if scrolls_needed(r, 1 - delta) <= scrolls]


def clear_hypotheses(aim: float, scrolls: int, delta: float = DELTA) -> list[Hypothesis]:
    """From safe to bold: looser risks at a useful threshold, then the aim from the lowest one on.

    A defect that does not keep three times the aim at `USEFUL_CLEAR_THRESHOLD` is not followed to
    where it sends most letters to review. Where the scrolls are too few for the aim, the risks that
    they can prove are tested at that threshold alone: a weaker promise is no licence for a bolder
    threshold.
    """
    risks = reachable_risks(aim, scrolls, delta)
    if aim not in risks:
        return [Hypothesis(USEFUL_CLEAR_THRESHOLD, risk) for risk in risks]
    gates = [Hypothesis(USEFUL_CLEAR_THRESHOLD, risk) for risk in risks if risk >= 2.5 * aim]
    return gates + [Hypothesis(threshold, aim) for threshold in CLEAR_GRID]


def control_clear(
    losses: LossesAt, scrolls: int, aim: float = 0.01, delta: float = DELTA
) -> ControlledThreshold | None:
    """The boldest threshold below which a scroll has at most the promised share of its cases.

    `losses(t)` are the shares below t of all `scrolls` that have a case. The risks tested depend on
    their number alone.
    """
    return fixed_sequence_test(clear_hypotheses(aim, scrolls, delta), losses, delta)


def control_finding(
    learning: LossesAt, testing: LossesAt, aim: float = 0.05, delta: float = DELTA
) -> ControlledThreshold | None:
    """The boldest threshold above which at most the promised share of findings is false.

    The highest threshold has the fewest findings, not the strongest evidence; so the `learning`
    scrolls choose where the sequence begins, and the `testing` ones, all others, test it ("split
    fixed sequence testing", Angelopoulos et al. 2021). Scrolls without a finding do not enter.
    """
    start = _find_start(learning, aim)
    expected = len(learning(FINDING_GRID[start])) * (LEARNING_SCROLL_STEP - 1)
    risks = reachable_risks(aim, expected, delta)
    steps = [Hypothesis(FINDING_GRID[start], risk) for risk in risks]
    if aim in risks:
        steps += [Hypothesis(threshold, aim) for threshold in FINDING_GRID[start + 1 :]]
    return fixed_sequence_test(steps, testing, delta)


def _find_start(losses: LossesAt, risk: float) -> int:
    """Index in `FINDING_GRID` with the strongest evidence of these scrolls for the promise."""
    strongest = []
    for threshold in FINDING_GRID:
        x = losses(threshold)
        strongest.append((BOUNDS["hoeffding_bentkus"](x, risk), -len(x)))
    return min(range(len(strongest)), key=strongest.__getitem__)
