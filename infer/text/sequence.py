"""Letters of a page without a known text, each read together with what stands beside it.

The letters and gaps of each line are the hidden states of a Markov chain whose transitions are
those of the Pentateuch (`datasets/scribal/pentateuch/sequence.py`) and whose evidence is what was
read of each letter alone; the forward and backward passes give the probability of every letter
(Rabiner 1989, "A tutorial on hidden Markov models"). The language counts for less than the
evidence: other texts have other words, and Aramaic stands beside Hebrew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.limits import limits_of
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Bools, Floats, Ints

_LIMITS = limits_of("text.sequence")

LANGUAGE_EXPONENT = _LIMITS.number("language_exponent")
"""Exponent of the probabilities of the language beside those of the letters read."""

CANDIDATES_PER_LETTER = _LIMITS.whole("candidates_per_letter")
"""Likeliest readings of a letter, with a gap before it or without, that are considered."""

MIN_DEVIATIONS_ABOVE_CHANCE = _LIMITS.number("min_deviations_above_chance")
"""Standard deviations by which more letters than by chance follow from those before them, from
which they are taken for language: 5.5 or more on nine pages by medieval scribes, of which the
networks misread one letter in six; at most 1 on pages that hold the alphabet in any order."""

WORD_START_P_RANGE = _LIMITS.span("word_start_p_range")
"""Limits of the probability that a word begins at a letter."""

LETTERS_BEFORE = 3
"""Letters before one that bear on it: the sequences counted have one symbol more."""

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True)
class _Readings:
    """What each of N letters may be, C candidates a letter."""

    letter: Ints
    """(N, C) class."""
    begins: Ints
    """(N, C) 1 where a gap stands before it."""
    evidence: Float32
    """(N, C) how far the picture bears it out, at most 1."""


def read_in_sequence(odds: Floats, word_start_p: Floats, line: Ints) -> Floats:
    """(N, 27) probability of each letter in view of its neighbours on its line; rows sum to 1.

    `odds` (N, 27), `word_start_p` (N,), the probability that a word begins at each letter, and
    `line` (N,), the number of its line, are in reading order; N is at least 1.
    """
    row, place = _places_in_lines(line)
    readings = _choose_readings(odds, word_start_p, place == 0)
    steps = _transitions(readings, place) * readings.evidence[:, None, None, None, :]
    count = CANDIDATES_PER_LETTER
    lines, length = int(row[-1]) + 1, int(place.max()) + 1
    at = [np.flatnonzero(place == number) for number in range(length)]
    # A state is the candidates of three letters; before a line there is one, the first of each.
    reached = np.zeros((lines, count, count, count), np.float32)
    reached[:, 0, 0, 0] = 1.0
    forward = np.empty((len(odds), count, count, count), np.float32)
    for letters in at:
        there = np.einsum("pabc,pabcd->pbcd", reached[row[letters]], steps[letters])
        forward[letters] = there / there.sum(axis=(1, 2, 3), keepdims=True)
        reached[row[letters]] = forward[letters]
    ahead = np.ones_like(reached)
    result = np.zeros((len(odds), LETTER_CLASSES))
    for letters in reversed(at):
        both = (forward[letters] * ahead[row[letters]]).sum(axis=(1, 2))
        np.add.at(result, (letters[:, None], readings.letter[letters]), both)
        back = np.einsum("pabcd,pbcd->pabc", steps[letters], ahead[row[letters]])
        ahead[row[letters]] = back / back.max(axis=(1, 2, 3), keepdims=True)
    return np.asarray(result / result.sum(axis=1, keepdims=True))


def follows_language(letter: Ints, begins: Ints, line: Ints) -> bool:
    """Whether letters follow from those before them more often than they would by chance.

    `letter` (N,) are classes, `begins` (N,) is 1 where a word begins, `line` (N,) the number of the
    line; N is at least 1. A letter follows if it is likelier after the three symbols before it than
    anywhere. By chance, letters of this page in another order, some do; one-sided test of a share.
    """
    # Loaded only here: the text of the Pentateuch is not needed where the portion is known.
    from crownlet.datasets.scribal.pentateuch.sequence import (
        GAP_SYMBOL,
        SYMBOLS,
        letter_frequencies,
        sequence_probabilities,
    )

    place = _places_in_lines(line)[1]
    third, second, first = (_before(letter, place, back, GAP_SYMBOL) for back in (3, 2, 1))
    second_begins, first_begins = (_before(begins, place, back, 0) == 1 for back in (2, 1))
    far, near = _symbols_before(third, second, second_begins, first_begins, GAP_SYMBOL)
    inside, begun = (far * SYMBOLS + near) * SYMBOLS + first, (near * SYMBOLS + first) * SYMBOLS
    at = np.where(begins == 1, begun + GAP_SYMBOL, inside)
    p = sequence_probabilities().reshape(-1, SYMBOLS)[at]
    follows = p[:, :LETTER_CLASSES] > letter_frequencies() * (1 - p[:, GAP_SYMBOL:])
    share = follows[np.arange(len(letter)), letter].mean()
    chance = (follows @ np.bincount(letter, minlength=LETTER_CLASSES)).mean() / len(letter)
    deviation = np.sqrt(chance * (1 - chance) / len(letter))
    return bool(share - chance >= MIN_DEVIATIONS_ABOVE_CHANCE * deviation)


def read_by_language(odds: Floats, word_start_p: Floats, line: Ints) -> Floats | None:
    """As `read_in_sequence`; None of letters that do not follow the language, such as an alphabet
    that a scribe writes to try a pen: it would deny what they rightly are."""
    if not follows_language(odds.argmax(axis=1), np.rint(word_start_p).astype(np.int64), line):
        return None
    return read_in_sequence(odds, word_start_p, line)


def _places_in_lines(line: Ints) -> tuple[Ints, Ints]:
    """(N,) the line, counted from 0 without leaving any out, and (N,) the place on it."""
    begins = np.ones(len(line), np.bool_)
    begins[1:] = line[1:] != line[:-1]
    row = np.cumsum(begins) - 1
    return row, np.arange(len(line)) - np.flatnonzero(begins)[row]


def _choose_readings(
    odds: Floats, word_start_p: Floats, opens_line: npt.NDArray[np.bool_]
) -> _Readings:
    """The likeliest readings; before the first letter of a line a gap stands in any case."""
    begin = np.where(opens_line, 0.0, np.clip(word_start_p, *WORD_START_P_RANGE))[:, None]
    both = np.concatenate([odds * (1.0 - begin), odds * begin], axis=1)
    chosen = np.argsort(-both, axis=1, kind="stable")[:, :CANDIDATES_PER_LETTER]
    evidence = np.take_along_axis(both, chosen, axis=1)
    evidence /= evidence.max(axis=1, keepdims=True)
    return _Readings(chosen % LETTER_CLASSES, chosen // LETTER_CLASSES, evidence.astype(np.float32))


def _transitions(readings: _Readings, place: Ints) -> Float32:
    """(N, C, C, C, C) weight of the language for the last of four letters after the three before
    it, by their candidates."""
    # Loaded only here: the text of the Pentateuch is not needed where the portion is known.
    from crownlet.datasets.scribal.pentateuch.sequence import (
        GAP_SYMBOL,
        SYMBOLS,
        sequence_probabilities,
    )

    third, second, first, last = (
        _before(readings.letter, place, back, GAP_SYMBOL).reshape(_axes(back))
        for back in range(LETTERS_BEFORE, -1, -1)
    )
    second_begins, first_begins, last_begins = (
        _before(readings.begins, place, back, 0).reshape(_axes(back)) == 1 for back in (2, 1, 0)
    )
    far, near = _symbols_before(third, second, second_begins, first_begins, GAP_SYMBOL)
    p = sequence_probabilities()
    inside = p[((far * SYMBOLS + near) * SYMBOLS + first) * SYMBOLS + last]
    gap = p[((far * SYMBOLS + near) * SYMBOLS + first) * SYMBOLS + GAP_SYMBOL]
    begun = p[((near * SYMBOLS + first) * SYMBOLS + GAP_SYMBOL) * SYMBOLS + last]
    return np.asarray(np.where(last_begins, gap * begun, inside) ** LANGUAGE_EXPONENT, np.float32)


def _before(values: Ints, place: Ints, back: int, outside: int) -> Ints:
    """(N, ...) values of the letters `back` places before, `outside` beyond the line's first."""
    shifted = np.full_like(values, outside)
    shifted[back:] = values[: len(values) - back]
    shifted[place < back] = outside
    return shifted


def _symbols_before(
    third: Ints, second: Ints, second_begins: Bools, first_begins: Bools, gap: int
) -> tuple[Ints, Ints]:
    """The two symbols before the first letter before another one.

    A gap pushes the letters before it out of the three symbols that bear on the last one.
    """
    far = np.where(first_begins, second, np.where(second_begins, gap, third))
    return far, np.where(first_begins, gap, second)


def _axes(back: int) -> tuple[int, ...]:
    """The shape in which candidates of a letter `back` places before the last broadcast."""
    shape = [-1, 1, 1, 1, 1]
    shape[1 + LETTERS_BEFORE - back] = CANDIDATES_PER_LETTER
    return tuple(shape)
