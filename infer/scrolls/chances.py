"""Exact odds of a difference between two sides, form by form and over all forms."""

from __future__ import annotations

from collections.abc import Sequence
from math import comb


def draws(letters: int, crowned: int, drawn: int) -> list[float]:
    """Probability of 0, 1, ... crowned among `drawn` of `letters`, of which `crowned` are crowned.

    The hypergeometric distribution: `drawn` letters, the reverse, taken from both sides' together.
    """
    total = comb(letters, drawn)
    return [comb(crowned, k) * comb(letters - crowned, drawn - k) / total for k in range(drawn + 1)]


def tail(tables: Sequence[tuple[int, int, int, int]]) -> tuple[float, float]:
    """Probability of as many crowned letters on the reverse or more, and of as many or fewer.

    A table is one form: letters and crowned of the face, letters and crowned of the reverse. The
    forms are independent and the margins fixed (Fisher's exact test, its statistics added up).
    """
    spread = [1.0]
    seen = 0
    for face, face_crowned, back, back_crowned in tables:
        seen += back_crowned
        one = draws(face + back, face_crowned + back_crowned, back)
        spread = _added(spread, one)
    return min(1.0, sum(spread[seen:])), min(1.0, sum(spread[: seen + 1]))


def _added(a: list[float], b: list[float]) -> list[float]:
    """Distribution of the sum of two independent counts."""
    result = [0.0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            result[i + j] += x * y
    return result
