"""How large a survey must be: scrolls of each source, and letters to audit in each.

The rate of a scroll of n letters has the variance p (1 - p) (icc + (1 - icc) / n), where icc is the
correlation of two letters of one scroll; reading only a of them, with the network's answers for the
others, adds p (1 - p) (1 - r^2) (1 / a - 1 / n), for the part of the truth that the network, whose
answers correlate with the reader's by r, leaves open. Two sources are then compared by Welch's t
test on their scrolls (Donner & Klar 2000, chapter 5, for the design effect).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import stats

from crownlet.datasets.files.errors import CrownletError
from crownlet.infer.survey.records import MIN_SCROLLS_FOR_INTERVAL

MAX_SCROLLS = 100_000

AUDIT_SIZES_LETTERS = (10, 20, 40, 80, 160, 320)
"""Letters audited in each scroll that a plan tries, as far as the scroll has them."""

MAX_SCROLLS_RATIO = 1.15
"""An audit is enough if it needs at most this many times the scrolls of a full reading."""


class PlanError(CrownletError, ValueError):
    """A plan that cannot be made; the message is one sentence for the user."""


@dataclass(frozen=True)
class PowerTarget:
    """The difference that a survey is to show, and what is assumed of scrolls and network.

    Fields are named as the options of `crownlet survey plan`, since messages name both.
    """

    rate: float
    """Share of letters with the defect at the better source."""
    difference: float
    """By how much more the other source has, a share of letters."""
    letters: int
    """Letters of a scroll that can have the defect."""
    likeness: float = 0.05
    """Correlation of two letters of one scroll (intra-cluster correlation)."""
    agreement: float = 0.8
    """Correlation of the network's answers with the reader's."""
    power: float = 0.8
    comparisons: int = 1
    """Comparisons made at once; the level is divided by them, as Holm's first step does."""
    level: float = 0.05

    def __post_init__(self) -> None:
        """PlanError if a number is out of its range."""
        for name in ("rate", "difference", "likeness", "power", "level"):
            if not 0 < getattr(self, name) < 1:
                raise PlanError(f"{name} must be above 0 and below 1.")
        if not 0 <= self.agreement <= 1:
            raise PlanError("agreement must be from 0 to 1.")
        if self.rate + self.difference >= 1:
            raise PlanError("rate and difference together must be below 1.")
        if self.letters < 2 or self.comparisons < 1:
            raise PlanError("a plan needs at least 2 letters and 1 comparison.")


@dataclass(frozen=True)
class SurveyPlan:
    """A survey large enough for a target."""

    scrolls: int
    """Of each source."""
    audited: int
    """Letters to read in each scroll that can have the defect; all of them in a full reading."""
    power: float
    """The power reached."""


def list_plans(target: PowerTarget) -> tuple[SurveyPlan, ...]:
    """Plans from the smallest audit to a full reading; PlanError if one cannot be made."""
    audits = [audited for audited in AUDIT_SIZES_LETTERS if audited < target.letters]
    return tuple(find_plan(target, audited) for audited in (*audits, target.letters))


def choose_plan(plans: tuple[SurveyPlan, ...]) -> SurveyPlan:
    """The smallest audit that needs hardly more scrolls than the last plan, a full reading."""
    return next(plan for plan in plans if plan.scrolls <= MAX_SCROLLS_RATIO * plans[-1].scrolls)


def find_plan(target: PowerTarget, audited: int) -> SurveyPlan:
    """The fewest scrolls that reach the power; PlanError if more than `MAX_SCROLLS` are needed."""
    low, high = MIN_SCROLLS_FOR_INTERVAL - 1, MIN_SCROLLS_FOR_INTERVAL
    while compute_power(target, high, audited) < target.power:
        low, high = high, high * 2
        if high > MAX_SCROLLS:
            raise PlanError("no number of scrolls in reason reaches this power.")
    while high - low > 1:
        middle = (low + high) // 2
        reached = compute_power(target, middle, audited) >= target.power
        low, high = (low, middle) if reached else (middle, high)
    return SurveyPlan(high, audited, compute_power(target, high, audited))


def compute_power(target: PowerTarget, scrolls: int, audited: int) -> float:
    """Probability of a Welch test on `scrolls` scrolls of each source to show the difference.

    `audited` letters of each scroll are read.
    """
    first, second = (
        compute_scroll_variance(rate, target, audited)
        for rate in (target.rate, target.rate + target.difference)
    )
    df = (scrolls - 1) * (first + second) ** 2 / (first**2 + second**2)
    noncentrality = target.difference / math.sqrt((first + second) / scrolls)
    critical = float(stats.t.ppf(1 - target.level / target.comparisons / 2, df))
    # The other tail, a difference seen the wrong way round, is negligible where the plan has any
    # power; scipy's noncentral t has no value so far out.
    wrong_way = float(stats.nct.cdf(-critical, df, noncentrality))
    right_way = float(stats.nct.sf(critical, df, noncentrality))
    return right_way + (wrong_way if math.isfinite(wrong_way) else 0.0)


def compute_scroll_variance(rate: float, target: PowerTarget, audited: int) -> float:
    """Variance of a scroll's estimated rate, `audited` of its letters read."""
    sampling = target.likeness + (1 - target.likeness) / target.letters
    unread = (1 - target.agreement**2) * (1 / audited - 1 / target.letters)
    return rate * (1 - rate) * (sampling + unread)
