"""How large a survey must be: scrolls of each source, and letters to audit in each.

The rate of a scroll of n letters varies by p (1 - p) (likeness + (1 - likeness) / n); reading only
a of them, with the network's word for the rest, adds p (1 - p) (1 - agreement^2) (1 / a - 1 / n),
for the part of the truth that the network's word leaves open. Two sources are then compared by
Welch's t test on their scrolls (Donner & Klar 2000, chapter 5, for the design effect).
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
    """What a survey is to see, and what is supposed of scrolls and network."""

    rate: float
    """Share of letters with the defect at the better source."""
    difference: float
    """By how much more the other source has, a share of letters."""
    letters: int
    """Letters of a scroll that can have the defect."""
    likeness: float = 0.05
    """Correlation of two letters of one scroll."""
    agreement: float = 0.8
    """Correlation of the network's word with the reader's."""
    power: float = 0.8
    comparisons: int = 1
    """Comparisons made at once; the level is divided by them, as Holm's first step does."""
    level: float = 0.05

    def __post_init__(self) -> None:
        """PlanError if a number makes no sense."""
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
    """A survey large enough for an aim."""

    scrolls: int
    """Of each source."""
    audited: int
    """Letters to read in each scroll that can have the defect; all of them in a full reading."""
    power: float
    """The power reached."""


def compute_scroll_variance(rate: float, aim: PowerTarget, audited: int) -> float:
    """Variance of a scroll's estimated rate."""
    kept = aim.likeness + (1 - aim.likeness) / aim.letters
    lost = (1 - aim.agreement**2) * (1 / audited - 1 / aim.letters)
    return rate * (1 - rate) * (kept + lost)


def compute_power(aim: PowerTarget, scrolls: int, audited: int) -> float:
    """Chance of a Welch test on `scrolls` scrolls of each source to see the aim's difference."""
    first, second = (
        compute_scroll_variance(rate, aim, audited)
        for rate in (aim.rate, aim.rate + aim.difference)
    )
    df = (scrolls - 1) * (first + second) ** 2 / (first**2 + second**2)
    far = aim.difference / math.sqrt((first + second) / scrolls)
    edge = float(stats.t.ppf(1 - aim.level / aim.comparisons / 2, df))
    # The other tail, a difference seen the wrong way round, is nil where the plan has any power;
    # scipy's noncentral t has no value so far out.
    wrong_way = float(stats.nct.cdf(-edge, df, far))
    return float(stats.nct.sf(edge, df, far)) + (wrong_way if math.isfinite(wrong_way) else 0.0)


def find_plan(aim: PowerTarget, audited: int) -> SurveyPlan:
    """The fewest scrolls that reach the power; PlanError if no number in reason does."""
    low, high = MIN_SCROLLS_FOR_INTERVAL - 1, MIN_SCROLLS_FOR_INTERVAL
    while compute_power(aim, high, audited) < aim.power:
        low, high = high, high * 2
        if high > MAX_SCROLLS:
            raise PlanError("no number of scrolls in reason reaches this power.")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (
            (low, middle) if compute_power(aim, middle, audited) >= aim.power else (middle, high)
        )
    return SurveyPlan(high, audited, compute_power(aim, high, audited))


def list_plans(aim: PowerTarget) -> tuple[SurveyPlan, ...]:
    """Plans from the smallest audit to a full reading."""
    audits = [audited for audited in AUDIT_SIZES_LETTERS if audited < aim.letters]
    return tuple(find_plan(aim, audited) for audited in (*audits, aim.letters))


def choose_plan(made: tuple[SurveyPlan, ...]) -> SurveyPlan:
    """The smallest audit that needs hardly more scrolls than a full reading."""
    return next(one for one in made if one.scrolls <= MAX_SCROLLS_RATIO * made[-1].scrolls)
