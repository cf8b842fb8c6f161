"""Runs put together into one passage: the chain of runs that page and text have in the same order.

Between two runs of a chain letters may be misread, absent or extra; a chain may also leap over text
that the picture does not show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.datasets.pentateuch.seeds import Runs
from crownlet.datasets.pentateuch.text import Ints

LEAP, PER_LETTER, MOST = 2.0, 0.05, 12.0
"""What a change of step costs, in letters: at once, for each letter of it, and at most."""
MANY = 1200
"""Only so many runs, the longest, are chained."""


@dataclass(frozen=True)
class Chain:
    """A stretch of the text that the page may show; letters of the text `start` to `stop`."""

    score: float
    """Letters that agree, less what the leaps cost."""
    start: int
    stop: int


def candidates(runs: Runs, length: int, most: int) -> list[int]:
    """The shifts (text less page) that explain most letters of a page of `length`, best first."""
    width = max(24, length // 8)
    scores: dict[int, int] = {}
    for half in (0, width // 2):
        bins = (runs.shift + length + half) // width
        names, totals = _distinct(bins, runs, length)
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


def _distinct(bins: Ints, runs: Runs, length: int) -> tuple[Ints, Ints]:
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


def chain(runs: Runs, shift: int, length: int, bounds: tuple[int, int]) -> Chain | None:
    """The best chain near a shift, within `bounds` of the text; None where there is none."""
    reach = length * 0.6 + 120
    near = np.abs(runs.shift - shift) <= reach
    near &= (runs.text >= bounds[0]) & (runs.text + runs.length <= bounds[1])
    rows = np.flatnonzero(near)
    if len(rows) > MANY:
        rows = rows[np.argsort(-runs.length[rows], kind="stable")[:MANY]]
    if not len(rows):
        return None
    rows = rows[np.lexsort((runs.text[rows], runs.page[rows]))]
    return _best(runs.take(rows), length, bounds)


def _best(runs: Runs, length: int, bounds: tuple[int, int]) -> Chain:
    count = len(runs.page)
    score = runs.length.astype(np.float64)
    before = np.full(count, -1)
    page_end, text_end = runs.page + runs.length, runs.text + runs.length
    for i in range(1, count):
        overlap = np.maximum(page_end[:i] - runs.page[i], text_end[:i] - runs.text[i])
        np.maximum(overlap, 0, out=overlap)
        leap = np.abs(runs.shift[:i] - runs.shift[i])
        cost = np.where(leap > 0, np.minimum(LEAP + PER_LETTER * leap, MOST), 0.0)
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
