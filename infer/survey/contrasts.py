"""Two rates compared, p values of a family of tests, and why there is no test, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crownlet.infer.survey.estimators import RateEstimate
from crownlet.infer.survey.permutation import (
    TestResult,
    compare_two,
    count_bearing_units,
    reason_for_none,
)
from crownlet.infer.survey.records import MIN_UNITS_FOR_INTERVAL

MIN_MET_FOR_CONTRAST = 3
"""Letters with the defect that readers must have met in two sources together."""

MIN_SUMMED_RATES = 0.05
"""Least sum of the rates of all units of two sources. Where letters of a unit are alike by 0.05,
fewer than one unit that often has the defect is to be expected below it: the bad ones have most
likely not been met. In simulations intervals of such surveys held the truth in 20% to 80%."""

MIN_BEARING_UNITS = 1.2
"""Least number of units that bear the defect (`count_bearing_units`), of two sources together. If
one alone bears nearly all of it, intervals held the truth in 60% to 85%."""


def compare_estimates(first: RateEstimate, second: RateEstimate) -> TestResult:
    """The first rate less the second; no test where readers met the defect too rarely."""
    rates = first.unit_rates, second.unit_rates
    if reason_for_none(*rates) != "few" and not are_met_enough(first, second):
        return TestResult(float(rates[0].mean() - rates[1].mean()), reason="unmet")
    return compare_two(*rates)


def are_met_enough(first: RateEstimate, second: RateEstimate) -> bool:
    """Whether readers met the defect often enough for two sources to be compared."""
    rates = np.concatenate([first.unit_rates, second.unit_rates])
    return (
        first.n_met + second.n_met >= MIN_MET_FOR_CONTRAST
        and float(np.maximum(rates, 0).sum()) >= MIN_SUMMED_RATES
        and count_bearing_units(rates) >= MIN_BEARING_UNITS
    )


def describe_no_test(reason: str, word: str, first: int, second: int) -> str:
    """Why two sources are not compared; empty where they are.

    `reason` is that of `TestResult`, `unaudited`, or `little_read` where readers answered on fewer
    units of a source than an interval needs; `word` names the units (`scroll`), of which
    the sources have `first` and `second`.
    """
    if reason == "few":
        least = min(first, second)
        if least < MIN_UNITS_FOR_INTERVAL:
            return (
                f"too few {word}s: one source has {least}, and less than {MIN_UNITS_FOR_INTERVAL} "
                f"show nothing of how {word}s of a source differ"
            )
        return f"too few {word}s: {first} and {second} can never reach a p below 0.05"
    return {
        "": "",
        "alike": f"no {word} differs from another",
        "rare": f"too few {word}s have it: however they were divided, no reliable p is possible",
        "unmet": f"too rare: readers met too few of it in both together, or on one {word} alone",
        "little_read": (
            f"readers answered on fewer than {MIN_UNITS_FOR_INTERVAL} {word}s of one source"
        ),
        "unaudited": "not audited in both: no reader checked what the network says",
    }[reason]


def adjust_tests(
    p_values: Sequence[float | None], exact: Sequence[float | None]
) -> list[float | None]:
    """Corrected p values of tests, in the same order; None where there was none.

    Holm's correction of the strict p values, which keeps the chance of any false statement among
    them below 5%: mid-p holds a single level on average only. A single test needs no correction.
    """
    return list(p_values) if sum(p is not None for p in p_values) == 1 else adjust_holm(exact)


def adjust_holm(p_values: Sequence[float | None]) -> list[float | None]:
    """p values corrected for their number (Holm 1979), in the same order.

    None, where there was no test, stays None and is not counted.
    """
    tested = sorted((value, place) for place, value in enumerate(p_values) if value is not None)
    adjusted: list[float | None] = [None] * len(p_values)
    highest = 0.0
    for rank, (value, place) in enumerate(tested):
        highest = max(highest, min(1.0, value * (len(tested) - rank)))
        adjusted[place] = highest
    return adjusted
