"""The runs of a page's text that went astray: letters in a row absent, or in a row extra."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from crownlet.infer.framing import Frame
from crownlet.infer.layout import Layout
from crownlet.infer.matching import Bools, Matched
from crownlet.infer.records import Ints

OUTSIDE = 12
"""A longer run of the text before the page's first or after its last letter is not on the page."""
MANY_CUT = 1 / 3
"""If so many lines that the frame may cut lack letters there, the frame has cut them."""
LEAST_CUT = 3


@dataclass(frozen=True)
class Run:
    """Letters `first` to `last` of the text absent, or glyphs `first` to `last` extra."""

    first: int
    last: int
    before: int
    """The glyph before the run; -1: none."""
    doubted: bool = False
    """Absent letters that may stand outside the picture."""

    @property
    def length(self) -> int:
        """Letters in the run."""
        return self.last - self.first + 1


def span(matched: Matched) -> tuple[int, int]:
    """First and last letter of the text that belong on the page."""
    expected, length = matched.alignment.expected, matched.alignment.length
    answered = expected[expected >= 0]
    if not len(answered):
        return 0, length - 1
    first, last = int(answered.min()), int(answered.max())
    if not (matched.portion.excerpt or first > OUTSIDE):
        first = 0
    if not (matched.portion.excerpt or length - 1 - last > OUTSIDE):
        last = length - 1
    return first, last


def absent_runs(matched: Matched, layout: Layout, view: Frame) -> tuple[list[Run], int]:
    """Runs of absent letters, and how many letters the frame of the picture hides."""
    expected = matched.alignment.expected
    rows = np.flatnonzero(expected >= 0)
    first, last = span(matched)
    edges = [(-1, first - 1), *((int(i), int(expected[i])) for i in rows), (-1, last + 1)]
    runs = []
    for (glyph, a), (_, b) in pairwise(edges):
        if b - a > 1:
            runs.append(Run(a + 1, b - 1, glyph))
    cut = {run for run in runs if _at(run, rows, view.after, view.before)}
    across = {run for run in cut if _new_column(run, rows, layout)}
    breaks = int(view.after.sum()) - len(across)
    hidden = across
    if len(cut) - len(across) >= max(MANY_CUT * breaks, LEAST_CUT):
        ends = {run for run in runs if run.before < 0 or (run is runs[-1] and run.last == last)}
        hidden = ends | across | {r for r in runs if _at(r, rows, view.perhaps, view.before)}
    shown = [replace(run, doubted=run in cut) for run in runs if run not in hidden]
    return shown, sum(run.length for run in hidden)


def _at(run: Run, rows: Ints, mask: Bools, before: bool) -> bool:
    """Whether a run stands where `mask` is set."""
    return before if run.before < 0 else bool(mask[_next(run, rows)])


def _next(run: Run, rows: Ints) -> int:
    """The last glyph, extra ones included, before the one that goes on after a run."""
    k = int(np.searchsorted(rows, run.before))
    return int(rows[k + 1]) - 1 if k + 1 < len(rows) else run.before


def _new_column(run: Run, rows: Ints, layout: Layout) -> bool:
    at = _next(run, rows)
    return (
        run.before >= 0
        and at + 1 < len(layout.column)
        and layout.column[at] != layout.column[at + 1]
    )


def extra_runs(matched: Matched) -> list[Run]:
    """Runs of extra letters; those of other texts apart."""
    runs: list[Run] = []
    for i in np.flatnonzero(matched.alignment.expected < 0):
        glyph = int(i)
        if glyph in matched.foreign:
            continue
        if runs and runs[-1].last == glyph - 1:
            runs[-1] = Run(runs[-1].first, glyph, runs[-1].before)
        else:
            runs.append(Run(glyph, glyph, glyph - 1))
    return runs
