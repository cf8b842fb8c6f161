"""Numbers as a reader meets them: per cent in tables, so many of 100 in sentences."""

from __future__ import annotations

from collections.abc import Iterable

NONE = "–"
"""What stands where nothing could be computed."""


def percent(share: float | None) -> str:
    """A share from 0 to 1, such as "3.1%"; one digit more below 1%, a true minus sign."""
    if share is None:
        return NONE
    if share == 0:
        return "0%"
    digits = 1 if abs(share) >= 0.00995 else 2
    # Adding 0 makes of minus nothing plain nothing.
    return f"{round(100 * share, digits) + 0.0:.{digits}f}%".replace("-", "−")


def interval(low: float | None, high: float | None) -> str:
    """Both limits of an interval."""
    return NONE if low is None or high is None else f"{percent(low)} to {percent(high)}"


def chance(p: float | None) -> str:
    """A p value; nothing smaller than a thousandth is told apart."""
    if p is None:
        return NONE
    return "<0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def unit(shares: Iterable[float | None]) -> int:
    """Letters to count by, 100 or 1,000, so that the largest of the shares is at least one."""
    return 100 if max((abs(s) for s in shares if s is not None), default=1.0) >= 0.01 else 1000


def of(many: int, share: float) -> str:
    """How many of `many` letters a share is, in the shortest honest form."""
    count = many * share
    if 0 < abs(count) < 0.05:
        return "under 0.1"
    text = f"{count:.0f}" if abs(count) >= 0.95 else f"{count:.1f}".removesuffix(".0")
    return text.replace("-", "−")


def one_of(words: Iterable[str]) -> str:
    """`A`, `A and B`, `A, B and C`."""
    listed = list(words)
    return " and ".join([", ".join(listed[:-1]), listed[-1]] if len(listed) > 1 else listed)
