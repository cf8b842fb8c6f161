"""Exact one-sided bounds on the share of faulty letters, from letters looked at at random.

Clopper and Pearson (Biometrika 26, 1934) where letters are drawn from a hand that goes on writing;
the hypergeometric distribution where they are drawn without replacement from those of a scroll.
"""

from __future__ import annotations

from collections.abc import Callable
from math import comb, exp, lgamma, log, log1p

CONFIDENCE = 0.95

BISECTION_STEPS = 60


def binomial_upper_bound(faults: int, looked_at: int, confidence: float = CONFIDENCE) -> float:
    """The largest share of faulty letters that `faults` of `looked_at` do not exclude.

    ValueError for counts that cannot be.
    """
    _check_counts(faults, looked_at, looked_at)
    if faults == looked_at:
        return 1.0
    low, high = faults / looked_at, 1.0
    for _ in range(BISECTION_STEPS):
        middle = (low + high) / 2
        if _binomial_tail(faults, looked_at, middle) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


def finite_upper_bound(
    faults: int, looked_at: int, letters: int, confidence: float = CONFIDENCE
) -> int:
    """The largest number of faulty ones among `letters` that the letters looked at do not exclude.

    `looked_at` of them were drawn without replacement, `faults` of these are faulty. ValueError for
    counts that cannot be.
    """
    _check_counts(faults, looked_at, letters)

    def is_possible(faulty: int) -> bool:
        ways = sum(
            comb(faulty, k) * comb(letters - faulty, looked_at - k) for k in range(faults + 1)
        )
        return ways / comb(letters, looked_at) > 1 - confidence

    return _last(is_possible, faults, letters - (looked_at - faults))


def letters_needed(letters: int, share: float, confidence: float = CONFIDENCE) -> int:
    """How many of `letters` to look at so that, if none of them is faulty, at most `share` of all
    can be."""
    if finite_upper_bound(0, 0, letters, confidence) <= share * letters:
        return 0
    too_few = _last(
        lambda count: finite_upper_bound(0, count, letters, confidence) > share * letters,
        0,
        letters,
    )
    return too_few + 1


def _last(holds: Callable[[int], bool], first: int, last: int) -> int:
    """The last whole number from `first` to `last` for which something holds that holds for
    `first`, and for no number behind one for which it does not."""
    while first < last:
        middle = (first + last + 1) // 2
        if holds(middle):
            first = middle
        else:
            last = middle - 1
    return first


def _binomial_tail(most: int, count: int, p: float) -> float:
    """Probability of at most `most` of `count`, each with the probability `p` between 0 and 1."""
    if p >= 1.0:
        return 0.0
    return sum(
        exp(
            lgamma(count + 1) - lgamma(k + 1) - lgamma(count - k + 1)
            + k * log(p) + (count - k) * log1p(-p)
        ) if p > 0 else float(k == 0)
        for k in range(most + 1)
    )  # fmt: skip


def _check_counts(faults: int, looked_at: int, letters: int) -> None:
    if not 0 <= faults <= looked_at <= letters:
        raise ValueError(f"{faults} faults in {looked_at} of {letters} letters cannot be")
