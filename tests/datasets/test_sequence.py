"""How probable letters are after each other, against the definition and against what is written.

Definition: Witten and Bell 1991, method C, as in Chen and Goodman 1998, "An empirical study of
smoothing techniques for language modeling", equations 16 and 17.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import ALPHABET, index_of
from crownlet.datasets.scribal.pentateuch.sequence import (
    GAP_SYMBOL,
    SEQUENCE_SYMBOLS,
    SYMBOLS,
    interpolate_counts,
    join_words,
    sequence_probabilities,
)

FEW_SYMBOLS = [3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 9, 1, 4, 1, 5, 27, 1, 4, 1]


def probability(symbols: list[int], before: tuple[int, ...], last: int) -> Fraction:
    """By the definition, in exact arithmetic."""
    if not before:
        shorter = Fraction(1, SYMBOLS)
        counts = Counter(symbols)
    else:
        shorter = probability(symbols, before[1:], last)
        n = len(before)
        counts = Counter(
            symbols[k + n] for k in range(len(symbols) - n) if tuple(symbols[k : k + n]) == before
        )
    if not counts:
        return shorter
    kinds, total = len(counts), counts.total()
    return (counts[last] + kinds * shorter) / (total + kinds)


@pytest.mark.parametrize(
    ("before", "last"),
    [((1, 4), 1), ((1, 4), 7), ((5, 9), 2), ((9, 1), 4), ((7, 7), 5), ((27, 1), 4), ((4, 1), 27)],
)
def test_probabilities_are_those_of_the_definition(before: tuple[int, ...], last: int) -> None:
    p = interpolate_counts(np.array(FEW_SYMBOLS), 3).reshape(SYMBOLS, SYMBOLS, SYMBOLS)
    assert p[(*before, last)] == pytest.approx(
        float(probability(FEW_SYMBOLS, before, last)), rel=1e-5
    )


def test_words_stand_between_gaps() -> None:
    joined = join_words(np.array([0, 1, 2, 3, 4], np.uint8), np.array([0, 2]))
    assert joined.tolist() == [GAP_SYMBOL, 0, 1, GAP_SYMBOL, 2, 3, 4, GAP_SYMBOL]


def test_probabilities_of_all_symbols_sum_to_one() -> None:
    p = sequence_probabilities().reshape(-1, SYMBOLS)
    assert len(p) == SYMBOLS ** (SEQUENCE_SYMBOLS - 1)
    assert np.allclose(p.sum(axis=1), 1.0, atol=1e-4)
    assert (p > 0).all()


def test_final_letters_end_words_and_bent_ones_do_not() -> None:
    """A rule of writing: Babylonian Talmud, Shabbat 104a; in the Pentateuch without exception."""
    p = sequence_probabilities().reshape((SYMBOLS,) * SEQUENCE_SYMBOLS)
    yud = index_of("י")
    for letter in ALPHABET:
        if letter.final_of:
            final, bent = letter.index, index_of(letter.final_of)
            assert p[GAP_SYMBOL, yud, final, GAP_SYMBOL] > 0.9, letter
            assert p[GAP_SYMBOL, yud, bent, GAP_SYMBOL] < 0.1, letter
