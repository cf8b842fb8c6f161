"""Writing that is not of the text: lines above, below and beside it that belong to other texts.

A photograph of one column often shows the edge of the next. Such letters were not compared; they
are no extra letters of the text.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crownlet.infer.layout import COLUMN_GAP, Layout
from crownlet.infer.records import Ints, Located

ALMOST_ALL = 0.8
"""A line of which so many letters answer none of the text is of another text."""
FEWEST = 4
MOST = 0.5
"""If more of the page's letters were foreign, it is the text that is in doubt."""

Bools = npt.NDArray[np.bool_]


def foreign(expected: Ints, found: Located, layout: Layout) -> Bools:
    """(N,) which letters, in reading order, belong to other texts at the edge of this one."""
    extra = expected < 0
    strange = _strange_lines(extra, layout)
    edge = _at_edges(strange, layout)
    mask = edge[layout.line] if len(edge) else np.zeros(0, bool)
    mask = mask | _beside(extra, found, layout)
    return mask if mask.mean() <= MOST else np.zeros(len(expected), bool)


def _strange_lines(extra: Bools, layout: Layout) -> Bools:
    """(L,) lines that hardly answer the text."""
    letters = np.bincount(layout.line)
    share = np.bincount(layout.line, weights=extra) / np.maximum(letters, 1)
    return np.asarray((share >= ALMOST_ALL) & (letters >= FEWEST))


def _at_edges(strange: Bools, layout: Layout) -> Bools:
    """Strange lines from the first of their column on, or up to its last."""
    kept = np.zeros(len(strange), bool)
    column = np.zeros(len(strange), np.int64)
    column[layout.line] = layout.column
    for name in np.unique(column):
        lines = np.flatnonzero(column == name)
        for order in (lines, lines[::-1]):
            for line in order:
                if not strange[line]:
                    break
                kept[line] = True
    return kept


def _beside(extra: Bools, found: Located, layout: Layout) -> Bools:
    """Extra letters at either end of a line, parted from it by the white between columns."""
    mask = np.zeros(len(extra), bool)
    room = COLUMN_GAP * float(np.median(found.body[:, 2])) if len(found) else 0.0
    for line in np.unique(layout.line):
        rows = np.flatnonzero(layout.line == line)
        right = np.maximum(found.box[rows[:-1], 0], found.box[rows[1:], 0])
        left = np.minimum(found.box[rows[:-1], 2], found.box[rows[1:], 2])
        for k in np.flatnonzero(right - left > room):
            for part in (rows[: k + 1], rows[k + 1 :]):
                if extra[part].all() and not extra[rows].all():
                    mask[part] = True
    return mask
