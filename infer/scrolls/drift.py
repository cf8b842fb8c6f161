"""The first third of the lines against the last: does a form change on the way down the page?"""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, sqrt
from statistics import median

from crownlet.infer.scrolls.chances import tail
from crownlet.infer.scrolls.sketch import Letter

RARE = 0.001
"""Some eighty questions are asked of a scroll; a difference must be rarer than this by chance."""
WIDER, HIGHER = 0.25, 0.15
"""Least difference of medians, in q, that is worth a word."""


def drifts(first: Sequence[Letter], last: Sequence[Letter], crown: int) -> list[str]:
    """What differs between the letters of one form in the first and in the last lines, in words."""
    said = []
    if crown:
        said += _count(
            "crowned as the form asks",
            [x.tags >= crown for x in first if x.tags is not None],
            [x.tags >= crown for x in last if x.tags is not None],
        )
    said += _count("findings", [x.finding for x in first], [x.finding for x in last])
    said += _length("width", WIDER, [x.width for x in first], [x.width for x in last])
    said += _length("height", HIGHER, [x.height for x in first], [x.height for x in last])
    return said


def _count(what: str, first: list[bool], last: list[bool]) -> list[str]:
    if not first or not last:
        return []
    a, b = sum(first), sum(last)
    if 2 * min(tail([(len(first), a, len(last), b)])) > RARE:
        return []
    return [f"{what}: {a} of {len(first)} in the first lines, {b} of {len(last)} in the last"]


def _length(name: str, least: float, first: list[float], last: list[float]) -> list[str]:
    a, b = median(first), median(last)
    if abs(a - b) < least or rank_sum(first, last) > RARE:
        return []
    return [f"{name} {a:.1f} kulmus in the first lines, {b:.1f} in the last"]


def rank_sum(a: Sequence[float], b: Sequence[float]) -> float:
    """Two-sided probability that two samples differ so by chance.

    The rank sum test of Wilcoxon, Mann and Whitney in its normal approximation, with the correction
    for ties and for continuity.
    """
    both = sorted([*a, *b])
    n, m, total = len(a), len(b), len(a) + len(b)
    rank: dict[float, float] = {}
    ties = 0
    start = 0
    while start < total:
        end = start
        while end < total and both[end] == both[start]:
            end += 1
        rank[both[start]] = (start + 1 + end) / 2
        ties += (end - start) ** 3 - (end - start)
        start = end
    u = sum(rank[x] for x in a) - n * (n + 1) / 2
    variance = n * m / 12 * (total + 1 - ties / (total * (total - 1)))
    if variance <= 0:
        return 1.0
    z = max(0.0, abs(u - n * m / 2) - 0.5) / sqrt(variance)
    return erfc(z / sqrt(2))
