"""Seed and chain: runs of letters that page and text share, chained in the order of both.

A seed is a few letters in a row, final letters counted as their bent forms. Six in a row are equal
in a third of all places even where every seventh letter is misread, and rarely by chance in 300,000
letters; a short page needs shorter seeds. Seeds that follow each other make a run. Between two runs
of a chain letters may be misread, absent or extra; a chain may also leap over text that the picture
does not show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.datasets.scribal.pentateuch.text import Codes, Ints

LONG_SEED_LETTERS, SHORT_SEED_LETTERS = 6, 4

MAX_SEED_OCCURRENCES = 600
"""A seed that stands in the text more often is not used: it hardly narrows the search."""

SEPARATOR_CLASS = 27
"""Class that separates two texts of an index; no seed spans it."""

_CLASSES = 28

FOLDED_CLASSES: Codes = np.array(
    [ord(letter.final_of) - 0x5D0 if letter.final_of else letter.index for letter in ALPHABET]
    + [SEPARATOR_CLASS],
    np.uint8,
)
"""Class of each letter with finals as their bent forms."""


LEAP_COST_LETTERS, LEAP_COST_PER_LETTER, MAX_LEAP_COST_LETTERS = 2.0, 0.05, 12.0
"""Cost of a change of shift, in letters: fixed, for each letter of the change, and at most."""

MAX_CHAINED_RUNS = 1200
"""Longest runs that are chained; the others are left out."""


@dataclass(frozen=True)
class SharedRuns:
    """Stretches in which page and text agree; each (S,)."""

    page: Ints
    """First letter on the page."""
    text: Ints
    """First letter in the text."""
    length: Ints
    """Letters, at least those of a seed."""

    @property
    def shift(self) -> Ints:
        """(S,) position in the text less position on the page."""
        return self.text - self.page

    def take(self, rows: Ints) -> SharedRuns:
        """Some of the stretches, in the order of `rows`."""
        return SharedRuns(self.page[rows], self.text[rows], self.length[rows])


class SeedIndex:
    """An index of all `seed` letters in a row of a text (N,) of classes, `GAP` between texts."""

    def __init__(self, text: Codes, seed: int) -> None:
        keys = _seed_keys(FOLDED_CLASSES[text], seed)
        self.seed = seed
        self._order = np.argsort(keys, kind="stable")
        self._sorted = keys[self._order]

    def runs(self, page: Codes) -> SharedRuns:
        """Where stretches of `page` stand in the text."""
        wanted = _seed_keys(FOLDED_CLASSES[page], self.seed)
        low = np.searchsorted(self._sorted, wanted, "left")
        count = np.searchsorted(self._sorted, wanted, "right") - low
        count[(count > MAX_SEED_OCCURRENCES) | (wanted < 0)] = 0
        place = np.repeat(np.arange(len(wanted)), count)
        within = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
        return _merge_seeds(place, self._order[np.repeat(low, count) + within], self.seed)


def _seed_keys(codes: Codes, seed: int) -> Ints:
    """A number for each `seed` letters in a row; -1 across a gap."""
    count = max(len(codes) - seed + 1, 0)
    keys = np.zeros(count, np.int64)
    broken = np.zeros(count, bool)
    for k in range(seed):
        part = codes[k : k + count]
        keys = keys * _CLASSES + part
        broken |= part == SEPARATOR_CLASS
    keys[broken] = -1
    return keys


def _merge_seeds(page: Ints, text: Ints, seed: int) -> SharedRuns:
    """Seeds that follow each other in step, as one run each."""
    order = np.lexsort((page, text - page))
    page, text = page[order], text[order]
    if not len(page):
        return SharedRuns(page, text, page)
    breaks = np.flatnonzero((np.diff(page) != 1) | (np.diff(text) != 1)) + 1
    first = np.concatenate([[0], breaks])
    last = np.concatenate([breaks, [len(page)]])
    return SharedRuns(page[first], text[first], last - first + seed - 1)


@dataclass(frozen=True)
class Chain:
    """A stretch of the text that the page may show; letters of the text `start` to `stop`."""

    score: float
    """Letters that agree, less what the leaps cost."""
    start: int
    stop: int


def candidate_shifts(runs: SharedRuns, length: int, most: int) -> list[int]:
    """The shifts (text less page) that explain most letters of a page of `length`, best first."""
    width = max(24, length // 8)
    scores: dict[int, int] = {}
    for half in (0, width // 2):
        bins = (runs.shift + length + half) // width
        names, totals = _count_explained(bins, runs, length)
        for name, total in zip(names.tolist(), totals.tolist(), strict=True):
            middle = name * width + width // 2 - length - half
            scores[middle] = max(total, scores.get(middle, 0))
    best = sorted(scores, key=lambda shift: (-scores[shift], shift))
    kept: list[int] = []
    for shift in best[: 8 * most]:
        if all(abs(shift - other) > width for other in kept):
            kept.append(shift)
        if len(kept) == most:
            break
    return kept


def _count_explained(bins: Ints, runs: SharedRuns, length: int) -> tuple[Ints, Ints]:
    """Bins of shifts and how many letters of the page each explains, each letter counted once."""
    names, inverse = np.unique(bins, return_inverse=True)
    order = np.lexsort((runs.page, inverse))
    totals = np.zeros(len(names), np.int64)
    where, page = inverse[order], runs.page[order]
    stop = page + runs.length[order]
    # Each run counts from where the runs before it in its bin end.
    reach = np.maximum.accumulate(stop + where * 2 * (length + 1)) - where * 2 * (length + 1)
    before = np.concatenate([[0], reach[:-1]])
    before[np.concatenate([[True], where[1:] != where[:-1]])] = 0
    np.add.at(totals, where, np.maximum(stop - np.maximum(page, before), 0))
    return names, totals


def find_best_chain(
    runs: SharedRuns, shift: int, length: int, bounds: tuple[int, int]
) -> Chain | None:
    """The best chain near a shift, within `bounds` of the text; None where there is none."""
    reach = length * 0.6 + 120
    near = np.abs(runs.shift - shift) <= reach
    near &= (runs.text >= bounds[0]) & (runs.text + runs.length <= bounds[1])
    rows = np.flatnonzero(near)
    if len(rows) > MAX_CHAINED_RUNS:
        rows = rows[np.argsort(-runs.length[rows], kind="stable")[:MAX_CHAINED_RUNS]]
    if not len(rows):
        return None
    rows = rows[np.lexsort((runs.text[rows], runs.page[rows]))]
    return _chain_runs(runs.take(rows), length, bounds)


def _chain_runs(runs: SharedRuns, length: int, bounds: tuple[int, int]) -> Chain:
    count = len(runs.page)
    score = runs.length.astype(np.float64)
    before = np.full(count, -1)
    page_end, text_end = runs.page + runs.length, runs.text + runs.length
    for i in range(1, count):
        overlap = np.maximum(page_end[:i] - runs.page[i], text_end[:i] - runs.text[i])
        np.maximum(overlap, 0, out=overlap)
        leap = np.abs(runs.shift[:i] - runs.shift[i])
        cost = np.where(
            leap > 0,
            np.minimum(LEAP_COST_LETTERS + LEAP_COST_PER_LETTER * leap, MAX_LEAP_COST_LETTERS),
            0.0,
        )
        total = score[:i] + runs.length[i] - overlap - cost
        total[(overlap >= np.minimum(runs.length[:i], runs.length[i]))] = -np.inf
        total[(runs.text[:i] >= runs.text[i]) | (runs.page[:i] >= runs.page[i])] = -np.inf
        best = int(total.argmax())
        if total[best] > score[i]:
            score[i], before[i] = total[best], best
    last = first = int(score.argmax())
    while before[first] >= 0:
        first = int(before[first])
    start = int(runs.text[first] - runs.page[first])
    stop = int(text_end[last] + length - page_end[last])
    return Chain(float(score[last]), max(start, bounds[0]), min(stop, bounds[1]))
