"""The letters of a page whose class its text confirms: from them the hand's forms are learned.

A label comes from the alignment of the whole page with its text, not from how the networks read the
single letter: a letter that they misread teaches most about a hand they do not know.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Bools, Floats, Ints

if TYPE_CHECKING:
    from crownlet.infer.text.match import AlignedText

_LIMITS = limits_of("hand.labels")

UNLABELLED = -1
"""Class of a letter without a label."""

NEIGHBOUR_REACH = _LIMITS.whole("neighbour_reach")
"""Neighbours on either side that are checked for agreement with the text."""

MIN_AGREEING_NEIGHBOURS = _LIMITS.number("min_agreeing_neighbours")
"""Least share of them that agree; of a hand never seen a fifth of all letters is misread."""


def label_letters(aligned: AlignedText, odds: Floats) -> Ints:
    """(N,) the class that the text has at each glyph, `UNLABELLED` where the alignment is in doubt.

    `odds` (N, 27), in reading order, are those with which the text was aligned. In doubt are glyphs
    beside absent or extra letters, and those most of whose neighbours are read otherwise.
    """
    expected = aligned.alignment.expected
    text = np.array([index_of(char) for char in aligned.text], np.int64)
    in_text = expected >= 0
    labels = np.where(in_text, text[np.maximum(expected, 0)], UNLABELLED)
    agree = in_text & (labels == odds.argmax(axis=1))
    sound = in_text & in_sequence(expected)
    sound &= share_of_agreeing_neighbours(agree) >= MIN_AGREEING_NEIGHBOURS
    return np.where(sound, labels, UNLABELLED)


def in_sequence(expected: Ints) -> Bools:
    """(N,) glyphs whose neighbours on both sides are aligned to the letters next to their own."""
    follows = np.ones(len(expected) + 1, bool)
    here, after = expected[:-1], expected[1:]
    follows[1:-1] = (here >= 0) & (after >= 0) & (after - here == 1)
    return np.asarray(follows[:-1] & follows[1:])


def share_of_agreeing_neighbours(agree: Bools) -> Floats:
    """(N,) share of each glyph's neighbours, itself left out, that agree with the text."""
    kernel = np.ones(2 * NEIGHBOUR_REACH + 1)
    kernel[NEIGHBOUR_REACH] = 0.0
    inner = slice(NEIGHBOUR_REACH, NEIGHBOUR_REACH + len(agree))
    agreeing = np.convolve(agree.astype(np.float64), kernel, "full")[inner]
    neighbours = np.convolve(np.ones(len(agree)), kernel, "full")[inner]
    return np.asarray(agreeing / np.maximum(neighbours, 1.0))
