"""Letter error rate: edits between what was read and what is written, by letter written."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.alphabet import LETTERS


def letters_of(text: str) -> str:
    """The 27 letters of a text, in order; points, signs and spaces left out."""
    return "".join(letter for letter in text if letter in LETTERS)


def error_rate(read: str, written: str) -> float:
    """Fewest letters put in, left out or exchanged (Levenshtein 1966) by letter of `written`."""
    ours = np.array([ord(letter) for letter in read], np.int64)
    steps = np.arange(len(read) + 1)
    row = steps
    for count, letter in enumerate(written, start=1):
        kept = np.concatenate([[count], np.minimum(row[1:] + 1, row[:-1] + (ours != ord(letter)))])
        # A letter put in costs one more than the cell before it: a running minimum.
        row = np.minimum.accumulate(kept - steps) + steps
    return float(row[-1]) / len(written)
