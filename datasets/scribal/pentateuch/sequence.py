"""How probable a letter is after the letters and gaps before it, by the text of the Pentateuch.

Sequences of four symbols are counted, a gap between words being one of them, and each count is
interpolated with that of the shorter sequence by the method of Witten and Bell (1991, "The
zero-frequency problem", IEEE Transactions on Information Theory 37; their method C). So no letter
is impossible anywhere, and final letters are improbable but at the end of a word.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.pentateuch.text import Codes, Ints, load_pentateuch

GAP_SYMBOL = 27
"""Symbol of the gap between two words; the others are classes of letters."""

SYMBOLS = 28

SEQUENCE_SYMBOLS = 4
"""Symbols of the longest sequences that are counted."""

Float32 = npt.NDArray[np.float32]


@cache
def letter_frequencies() -> Float32:
    """(27,) share of each letter among all letters of the text."""
    codes = load_pentateuch().codes
    return (np.bincount(codes, minlength=GAP_SYMBOL) / len(codes)).astype(np.float32)


@cache
def sequence_probabilities() -> Float32:
    """(28 ** 4,) probability of a symbol after three others, all of them digits of the index: of
    `d` after `a`, `b`, `c` that at `((a * 28 + b) * 28 + c) * 28 + d`. Counted once, in 15 ms."""
    text = load_pentateuch()
    return interpolate_counts(join_words(text.codes, text.word_starts[:-1]), SEQUENCE_SYMBOLS)


def join_words(codes: Codes, word_starts: Ints) -> Ints:
    """The symbols of a text: its letters (N,) with a gap before each word and after the last."""
    begins = np.zeros(len(codes), np.int64)
    begins[word_starts] = 1
    symbols = np.full(len(codes) + len(word_starts) + 1, GAP_SYMBOL, np.int64)
    symbols[np.arange(len(codes)) + np.cumsum(begins)] = codes
    return symbols


def interpolate_counts(symbols: Ints, length: int) -> Float32:
    """(28 ** length,) probability of the last symbol of each sequence after those before it."""
    p = np.full((1, SYMBOLS), 1.0 / SYMBOLS, np.float32)
    for size in range(1, length + 1):
        keys = np.zeros(len(symbols) - size + 1, np.int64)
        for k in range(size):
            keys = keys * SYMBOLS + symbols[k : k + len(keys)]
        counts = np.bincount(keys, minlength=SYMBOLS**size).astype(np.float32)
        counts = counts.reshape(-1, SYMBOLS)
        shorter = p if size == 1 else np.tile(p.reshape(-1, SYMBOLS), (SYMBOLS, 1))
        # Before what was never met the shorter sequence decides alone.
        kinds = np.maximum((counts > 0).sum(axis=1, keepdims=True, dtype=np.float32), 1.0)
        total = counts.sum(axis=1, keepdims=True)
        p = (counts + kinds * shorter) / (total + kinds)
    return np.ascontiguousarray(p.reshape(-1))
