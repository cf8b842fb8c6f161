"""Letters read with their neighbours: the passes over a line against a sum over all its readings.

Rabiner 1989, "A tutorial on hidden Markov models", equation 27: the probability of a state is the
share of all paths that lead through it.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.pentateuch.sequence import (
    GAP_SYMBOL,
    SYMBOLS,
    sequence_probabilities,
)
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Floats, Ints
from crownlet.infer.text.sequence import (
    LANGUAGE_EXPONENT,
    follows_language,
    read_by_language,
    read_in_sequence,
)


def odds_of(letters: list[dict[str, float]]) -> Floats:
    """(N, 27) odds with the probabilities named."""
    odds = np.zeros((len(letters), LETTER_CLASSES))
    for row, p in zip(odds, letters, strict=True):
        for char, value in p.items():
            row[index_of(char)] = value
    return odds


def sure(word: str) -> list[dict[str, float]]:
    return [{char: 1.0} for char in word]


def line_of(count: int) -> Ints:
    return np.zeros(count, np.int64)


def weight_of(letters: tuple[str, ...], begins: tuple[int, ...]) -> float:
    """The weight that the language gives to a whole line."""
    table = sequence_probabilities().reshape((SYMBOLS,) * 4)
    symbols = [GAP_SYMBOL] * 3
    weight = 1.0
    for char, begin in zip(letters, begins, strict=True):
        for symbol in ([GAP_SYMBOL] if begin else []) + [index_of(char)]:
            weight *= float(table[(*symbols[-3:], symbol)])
            symbols.append(symbol)
    return weight**LANGUAGE_EXPONENT


def test_each_letter_has_its_share_of_all_readings_of_the_line() -> None:
    odds = odds_of(
        [{"ב": 0.6, "כ": 0.4}, {"ד": 0.7, "ר": 0.3}, {"ו": 0.5, "י": 0.5}, {"ה": 0.8, "ח": 0.2}]
    )
    gaps = np.array([1.0, 0.4, 0.3, 0.2])
    expected = np.zeros_like(odds)
    choices = [[LETTERS[k] for k in np.flatnonzero(row)] for row in odds]
    for letters in product(*choices):
        for begins in product((0, 1), repeat=3):
            weight = weight_of(letters, (0, *begins))
            for k, char in enumerate(letters):
                weight *= odds[k, index_of(char)]
                if k:
                    weight *= gaps[k] if begins[k - 1] else 1 - gaps[k]
            for k, char in enumerate(letters):
                expected[k, index_of(char)] += weight
    expected /= expected.sum(axis=1, keepdims=True)
    assert read_in_sequence(odds, gaps, line_of(4)) == pytest.approx(expected, abs=1e-4)


def test_a_word_of_the_language_decides_between_two_letters() -> None:
    letters = [*sure("ישראל"), *sure("א"), {"ת": 0.5, "ח": 0.5}]
    gaps = np.array([1.0, 0, 0, 0, 0, 1.0, 0])
    read = read_in_sequence(odds_of(letters), gaps, line_of(7))
    assert read[6, index_of("ת")] > read[6, index_of("ח")]


def test_a_final_letter_is_likely_at_the_end_of_a_word_only() -> None:
    """A rule of writing: Babylonian Talmud, Shabbat 104a."""
    gaps = np.array([1.0, 0, 0, 0, 0, 1.0, 0])
    ends = read_in_sequence(
        odds_of([*sure("אלהי"), {"ם": 0.5, "מ": 0.5}, *sure("את")]), gaps, line_of(7)
    )
    inside = read_in_sequence(
        odds_of([*sure("בכ"), {"ם": 0.5, "ס": 0.5}, *sure("ף")]), gaps[:4], line_of(4)
    )
    assert ends[4, index_of("ם")] > 0.9
    assert inside[2, index_of("ס")] > 0.9


def test_lines_are_read_each_by_itself() -> None:
    odds = odds_of(
        [*sure("הא"), {"ר": 0.5, "ד": 0.5}, *sure("ץ"), {"ר": 0.6, "ד": 0.4}, *sure("בר")]
    )
    gaps = np.array([1.0, 0, 0, 0, 1.0, 0, 0])
    both = read_in_sequence(odds, gaps, np.array([2, 2, 2, 2, 5, 5, 5]))
    first = read_in_sequence(odds[:4], gaps[:4], line_of(4))
    second = read_in_sequence(odds[4:], gaps[4:], line_of(3))
    assert both == pytest.approx(np.concatenate([first, second]), abs=1e-6)


def test_a_single_letter_is_read_as_well() -> None:
    read = read_in_sequence(odds_of([{"ל": 0.9, "ר": 0.1}]), np.array([1.0]), line_of(1))
    assert read.argmax() == index_of("ל")
    assert read.sum() == pytest.approx(1.0)


def mezuzah_letters() -> tuple[Ints, Ints]:
    """Classes of the mezuzah's letters, and 1 where a word begins."""
    words = [word for line in load_portion("mezuzah").lines for word in line]
    letters = np.array([index_of(char) for word in words for char in word], np.int64)
    begins = np.zeros(len(letters), np.int64)
    begins[np.cumsum([0, *(len(word) for word in words[:-1])])] = 1
    return letters, begins


def test_letters_of_a_text_follow_the_language_though_one_in_four_is_misread() -> None:
    """Deuteronomy 6 and 11; of letters in another order, and of alphabets, chance decides."""
    letters, begins = mezuzah_letters()
    line = np.arange(len(letters)) // 32
    rng = np.random.default_rng(3)
    misread = rng.random(len(letters)) < 0.25
    read = np.where(misread, rng.permutation(letters), letters)
    assert follows_language(letters, begins, line)
    assert follows_language(read, begins, line)
    for seed in range(8):
        other = np.random.default_rng(seed).permutation(letters)
        assert not follows_language(other, begins, line)
    alphabets = np.concatenate([rng.permutation(LETTER_CLASSES) for _ in range(27)])
    assert not follows_language(alphabets, np.zeros(729, np.int64), np.arange(729) // 27)


def test_letters_that_are_no_language_are_not_read_by_it() -> None:
    odds = np.eye(LETTER_CLASSES)[np.arange(27)]
    assert read_by_language(odds, np.zeros(27), line_of(27)) is None
