"""How large a survey must be: units of each source, and letters to audit in each of their scrolls.

The unit is the highest level that is independent: the scribe where the manifest names scribes, else
the scroll. The rate of a unit of k scrolls of n letters has the variance
p (1 - p) (scribe + (scroll - scribe) / k + (1 - scroll) / (k n)), where `scroll` is the correlation
of two letters of one scroll and `scribe` that of letters of two scrolls by one scribe. Reading only
a letters of each scroll adds the part of the truth that the network, whose answers correlate with
the reader's by r, leaves open: p (1 - p) (1 - r^2) (d / a - 1 / n) / k, where d is 1 for an even
draw and less where doubtful letters are drawn more often (`compute_draw_effect`).

The power to see a difference is that of the test that the survey makes, a permutation of units,
on simulated surveys (`power`). Likeness of two sources is shown by two one-sided t tests
(Schuirmann 1987); Donner & Klar 2000, chapter 5, for the design effect.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special, stats

from crownlet.datasets.files.errors import CrownletError
from crownlet.infer.run.survey_state import AuditDraw
from crownlet.infer.survey.audit import compute_even_share
from crownlet.infer.survey.power import UnitModel, simulate_power
from crownlet.infer.survey.records import MIN_UNITS_FOR_INTERVAL

MAX_UNITS = 100_000

AUDIT_SIZES_LETTERS = (5, 10, 20, 40, 80, 160, 320)
"""Letters audited in each scroll that a plan tries, as far as the scroll has them."""

MAX_SCROLLS_RATIO = 1.15
"""An audit is enough if it needs at most this many times the scrolls of a full reading."""

QUADRATURE_POINTS = 60

MAX_UNITS_SIMULATED = 400

DIFFERENCE_TOLERANCE = 0.01
"""Of the smallest difference, as a share of it: power is not known better."""


class PlanError(CrownletError, ValueError):
    """A plan that cannot be made; the message is one sentence for the user."""


@dataclass(frozen=True)
class PlanAssumptions:
    """What is assumed of scrolls, scribes and network.

    Fields are named as the options of `crownlet survey plan`, since messages name both.
    """

    rate: float
    """Share of letters with the defect at the better source."""
    letters: int
    """Letters of a scroll that can have the defect."""
    likeness: float = 0.05
    """Correlation of two letters of one scroll (intra-cluster correlation)."""
    agreement: float = 0.8
    """Correlation of the network's answers with the reader's."""
    overlooked: float = 0.15
    """Share of the defects of which the network sees nothing at all; no draw finds these sooner."""
    scrolls_per_scribe: int = 1
    """1 also where scribes are not known."""
    scribe_likeness: float | None = None
    """Correlation of letters of two scrolls by one scribe; None: that within a scroll."""
    draw: AuditDraw = "doubt"
    comparisons: int = 1
    """Comparisons made at once; the level is divided by them, as Holm's first step does."""
    level: float = 0.05

    def __post_init__(self) -> None:
        """PlanError if a number is out of its range."""
        for name in ("rate", "likeness", "level"):
            if not 0 < getattr(self, name) < 1:
                raise PlanError(f"{name} must be above 0 and below 1.")
        for name in ("agreement", "overlooked"):
            if not 0 <= getattr(self, name) <= 1:
                raise PlanError(f"{name} must be from 0 to 1.")
        if self.letters < 2 or self.comparisons < 1 or self.scrolls_per_scribe < 1:
            raise PlanError(
                "a plan needs at least 2 letters, 1 comparison and 1 scroll of each scribe."
            )
        if not 0 <= self.between_scrolls <= self.likeness:
            raise PlanError("scribe_likeness must be from 0 to likeness.")

    @property
    def between_scrolls(self) -> float:
        """Correlation of letters of two scrolls by one scribe."""
        return self.likeness if self.scribe_likeness is None else self.scribe_likeness

    @property
    def test_level(self) -> float:
        """Level of each of the comparisons."""
        return self.level / self.comparisons


@dataclass(frozen=True)
class SurveyPlan:
    """A survey large enough for its aim."""

    units: int
    """Of each source: scribes where several scrolls of each are planned, else scrolls."""
    scrolls: int
    """Of each source."""
    audited: int
    """Letters to read in each scroll that can have the defect; all of them in a full reading."""
    reached: float
    """What the survey reaches: a power, or half the width of an interval."""


Aim = Callable[[int, int], tuple[bool, float]]
"""Whether so many units, with so many letters audited in each scroll, are enough; what they reach.
"""


def aim_at_difference(assumed: PlanAssumptions, difference: float, power: float) -> Aim:
    """To show that one source has the defect on `difference` more of its letters."""
    _check(assumed, power, difference=difference)

    def reach(units: int, audited: int) -> tuple[bool, float]:
        reached = compute_power(assumed, difference, units, audited)
        return reached >= power, reached

    return reach


def aim_at_width(assumed: PlanAssumptions, half_width: float) -> Aim:
    """To know one source's rate by the interval rate +- `half_width`."""
    _check(assumed, width=half_width)

    def reach(units: int, audited: int) -> tuple[bool, float]:
        reached = compute_half_width(assumed, units, audited)
        return reached <= half_width, reached

    return reach


def aim_at_equivalence(assumed: PlanAssumptions, margin: float, power: float) -> Aim:
    """To show of two sources with the same rate that they differ by less than `margin`."""
    _check(assumed, power, equivalence=margin)

    def reach(units: int, audited: int) -> tuple[bool, float]:
        reached = compute_equivalence_power(assumed, margin, units, audited)
        return reached >= power, reached

    return reach


def list_plans(assumed: PlanAssumptions, aim: Aim) -> tuple[SurveyPlan, ...]:
    """Plans from the smallest audit to a full reading; PlanError if one cannot be made."""
    audits = [audited for audited in AUDIT_SIZES_LETTERS if audited < assumed.letters]
    return tuple(find_plan(assumed, aim, audited) for audited in (*audits, assumed.letters))


def choose_plan(plans: tuple[SurveyPlan, ...]) -> SurveyPlan:
    """The smallest audit that needs hardly more scrolls than the last plan, a full reading."""
    return next(plan for plan in plans if plan.scrolls <= MAX_SCROLLS_RATIO * plans[-1].scrolls)


def find_plan(assumed: PlanAssumptions, aim: Aim, audited: int) -> SurveyPlan:
    """The fewest units that are enough; PlanError if more than `MAX_UNITS` are needed."""
    low, high = MIN_UNITS_FOR_INTERVAL - 1, MIN_UNITS_FOR_INTERVAL
    while not aim(high, audited)[0]:
        low, high = high, high * 2
        if high > MAX_UNITS:
            raise PlanError("no number of scrolls in reason is enough for this aim.")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if aim(middle, audited)[0] else (middle, high)
    scrolls = high * assumed.scrolls_per_scribe
    return SurveyPlan(high, scrolls, audited, aim(high, audited)[1])


def find_smallest_difference(
    assumed: PlanAssumptions, units: int, audited: int, power: float
) -> float:
    """The smallest difference that `units` of each source show with this power.

    PlanError with fewer than `MIN_UNITS_FOR_INTERVAL` units, or where no difference can be shown.
    """
    _check(assumed, power)
    if units < MIN_UNITS_FOR_INTERVAL:
        raise PlanError(f"a comparison needs at least {MIN_UNITS_FOR_INTERVAL} of each source.")
    low, high = 0.0, (1 - assumed.rate) * (1 - 1e-9)
    if compute_power(assumed, high, units, audited) < power:
        raise PlanError("so few cannot show any difference with this power.")
    while high - low > DIFFERENCE_TOLERANCE * high:
        middle = (low + high) / 2
        enough = compute_power(assumed, middle, units, audited) >= power
        low, high = (low, middle) if enough else (middle, high)
    return high


@lru_cache(maxsize=4096)
def compute_power(assumed: PlanAssumptions, difference: float, units: int, audited: int) -> float:
    """Probability that the survey's test on `units` of each source shows the difference.

    `audited` letters of each scroll are read. By simulation up to `MAX_UNITS_SIMULATED`, beyond by
    the formula of its large-sample equivalent.
    """
    if units > MAX_UNITS_SIMULATED:
        return compute_t_power(assumed, difference, units, audited)
    first, second = (
        _model_unit(rate, assumed, audited) for rate in (assumed.rate, assumed.rate + difference)
    )
    return simulate_power(first, second, units, assumed.test_level, assumed.comparisons == 1)


def compute_t_power(assumed: PlanAssumptions, difference: float, units: int, audited: int) -> float:
    """The same of Student's t test on units whose rates are normal: what the permutation test comes
    to with many units (Chung and Romano 2013)."""
    first, second = (
        compute_unit_variance(rate, assumed, audited)
        for rate in (assumed.rate, assumed.rate + difference)
    )
    df = 2 * (units - 1)
    noncentrality = difference / math.sqrt((first + second) / units)
    critical = float(stats.t.ppf(1 - assumed.test_level / 2, df))
    # The other tail, a difference seen the wrong way round, is negligible where the plan has any
    # power; scipy's noncentral t has no value so far out.
    wrong_way = float(stats.nct.cdf(-critical, df, noncentrality))
    right_way = float(stats.nct.sf(critical, df, noncentrality))
    return right_way + (wrong_way if math.isfinite(wrong_way) else 0.0)


def _model_unit(rate: float, assumed: PlanAssumptions, audited: int) -> UnitModel:
    return UnitModel(
        rate, assumed.letters, assumed.scrolls_per_scribe, assumed.between_scrolls,
        assumed.likeness, rate * (1 - rate) * _unread_share(rate, assumed, audited),
        _draw_effect(rate, assumed) / audited, audited,
    )  # fmt: skip


def compute_equivalence_power(
    assumed: PlanAssumptions, margin: float, units: int, audited: int
) -> float:
    """Probability that two one-sided t tests show two like sources to differ by less than `margin`.

    Both must be met; the sum of their powers less 1 is a lower bound that is close from 0.5 on.
    """
    error = math.sqrt(2 * compute_unit_variance(assumed.rate, assumed, audited) / units)
    df = 2 * (units - 1)
    critical = float(stats.t.ppf(1 - assumed.test_level, df))
    return max(0.0, 2 * float(stats.nct.sf(critical, df, margin / error)) - 1)


def compute_half_width(assumed: PlanAssumptions, units: int, audited: int) -> float:
    """Half the width of the t interval of one source's rate."""
    error = math.sqrt(compute_unit_variance(assumed.rate, assumed, audited) / units)
    return float(stats.t.ppf(1 - assumed.test_level / 2, units - 1)) * error


def compute_unit_variance(rate: float, assumed: PlanAssumptions, audited: int) -> float:
    """Variance of a unit's estimated rate, `audited` letters of each of its scrolls read."""
    scrolls, between = assumed.scrolls_per_scribe, assumed.between_scrolls
    within_scroll = (1 - assumed.likeness) / assumed.letters
    sampling = between + (assumed.likeness - between + within_scroll) / scrolls
    return rate * (1 - rate) * (sampling + _unread_share(rate, assumed, audited) / scrolls)


def _unread_share(rate: float, assumed: PlanAssumptions, audited: int) -> float:
    """Variance that an audit adds to the rate of one scroll, over p (1 - p)."""
    if audited >= assumed.letters:
        return 0.0
    left_out = _draw_effect(rate, assumed) / audited - 1 / assumed.letters
    return (1 - assumed.agreement**2) * max(0.0, left_out)


def _draw_effect(rate: float, assumed: PlanAssumptions) -> float:
    if assumed.draw == "even":
        return 1.0
    return compute_draw_effect(rate, assumed.agreement, assumed.overlooked)


@lru_cache(maxsize=4096)
def compute_draw_effect(rate: float, agreement: float, overlooked: float) -> float:
    """Variance of an audit that draws doubtful letters more often, over that of an even draw.

    What the network leaves open of the truth, 1 - agreement^2 of its variance, lies in part with
    defects of which it sees nothing, which are drawn less often than in an even draw
    (`compute_even_share`), and otherwise where it doubts: as of a calibrated network whose
    probabilities follow the beta distribution with this mean and this correlation with the truth.
    (Of a calibrated network the correlation is the standard deviation of its probabilities over
    that of the truth.)
    """
    left_open = (1 - agreement**2) * rate * (1 - rate)
    if left_open <= 0:
        return 1.0
    unseen = min(rate * overlooked / left_open, 1.0)
    return unseen / compute_even_share(rate) + (1 - unseen) * _effect_where_doubted(rate, agreement)


def _effect_where_doubted(rate: float, agreement: float) -> float:
    """The same for a network that overlooks nothing, by Gauss-Jacobi quadrature."""
    if not agreement:
        return 1.0
    strength = 1 / agreement**2 - 1
    a, b = rate * strength, (1 - rate) * strength
    mean_score = math.exp(
        special.gammaln(a + 0.5) - special.gammaln(a)
        + special.gammaln(strength) - special.gammaln(strength + 0.5)
    )  # fmt: skip
    # The weight p^a (1 - p)^b is that of the variance p (1 - p) under the beta distribution.
    nodes, weights = special.roots_jacobi(QUADRATURE_POINTS, b, a)
    share = compute_even_share(rate)
    chance = share + (1 - share) * np.sqrt((1 + nodes) / 2) / mean_score
    return float((weights / chance).sum() / weights.sum())


def _check(assumed: PlanAssumptions, power: float = 0.5, **size: float) -> None:
    """PlanError if a size, by its name, or the power is out of its range."""
    if not 0 < power < 1:
        raise PlanError("power must be above 0 and below 1.")
    for name, value in size.items():
        if not 0 < value < 1:
            raise PlanError(f"{name} must be above 0 and below 1.")
        if name == "difference" and assumed.rate + value >= 1:
            raise PlanError("rate and difference together must be below 1.")
