"""Runs of letters that a page and a long text have in common, found through an index of seeds.

A seed is a few letters in a row, final letters counted as their bent forms. Six in a row are alike
in a third of all places even where every seventh letter is misread, and rarely by chance in 300,000
letters; a short page needs shorter seeds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.datasets.alphabet import ALPHABET
from crownlet.datasets.pentateuch.text import Codes, Ints

LONG_SEED, SHORT_SEED = 6, 4
COMMON = 600
"""A seed that stands more often in the text tells too little."""
GAP = 27
"""Class of what stands between two texts of an index; no seed goes across."""
_CLASSES = 28

FOLDED: Codes = np.array(
    [ord(letter.final_of) - 0x5D0 if letter.final_of else letter.index for letter in ALPHABET]
    + [GAP],
    np.uint8,
)
"""Class of each letter with finals as their bent forms."""


@dataclass(frozen=True)
class Runs:
    """Stretches in which page and text agree; each (S,)."""

    page: Ints
    """First letter on the page."""
    text: Ints
    """First letter in the text."""
    length: Ints
    """Letters, at least those of a seed."""

    @property
    def shift(self) -> Ints:
        """(S,) how far on in the text than on the page each stretch stands."""
        return self.text - self.page

    def take(self, rows: Ints) -> Runs:
        """Some of the stretches, in the order of `rows`."""
        return Runs(self.page[rows], self.text[rows], self.length[rows])


class Seeds:
    """An index of all `seed` letters in a row of a text (N,) of classes, `GAP` between texts."""

    def __init__(self, text: Codes, seed: int) -> None:
        keys = _keys(FOLDED[text], seed)
        self.seed = seed
        self._order = np.argsort(keys, kind="stable")
        self._sorted = keys[self._order]

    def runs(self, page: Codes) -> Runs:
        """Where stretches of `page` stand in the text."""
        wanted = _keys(FOLDED[page], self.seed)
        low = np.searchsorted(self._sorted, wanted, "left")
        count = np.searchsorted(self._sorted, wanted, "right") - low
        count[(count > COMMON) | (wanted < 0)] = 0
        place = np.repeat(np.arange(len(wanted)), count)
        within = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
        return _merged(place, self._order[np.repeat(low, count) + within], self.seed)


def _keys(codes: Codes, seed: int) -> Ints:
    """A number for each `seed` letters in a row; -1 across a gap."""
    count = max(len(codes) - seed + 1, 0)
    keys = np.zeros(count, np.int64)
    broken = np.zeros(count, bool)
    for k in range(seed):
        part = codes[k : k + count]
        keys = keys * _CLASSES + part
        broken |= part == GAP
    keys[broken] = -1
    return keys


def _merged(page: Ints, text: Ints, seed: int) -> Runs:
    """Seeds that follow each other in step, as one run each."""
    order = np.lexsort((page, text - page))
    page, text = page[order], text[order]
    if not len(page):
        return Runs(page, text, page)
    breaks = np.flatnonzero((np.diff(page) != 1) | (np.diff(text) != 1)) + 1
    first = np.concatenate([[0], breaks])
    last = np.concatenate([breaks, [len(page)]])
    return Runs(page[first], text[first], last - first + seed - 1)
