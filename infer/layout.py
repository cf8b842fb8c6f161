"""Reading order: lines, columns and the neighbours in them, on upright but tilted or bowed pages.

Anchors lie half a body below the ruled line, so letters of one line are level however they are
stretched and whatever they carry above or below.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.chains import Flat, blocks, chains, joined
from crownlet.infer.records import Floats, Ints, Located

COLUMN_GAP = 1.6
"""Least white between columns, in bodies, through all lines (two fingers, Keset HaSofer 14:1)."""
COLUMN_LINES = 3
"""A column has at least so many lines: two words beside each other are none."""


@dataclass(frozen=True)
class Layout:
    """`order` (N,) names the located letters in reading order; `line` (N,) and `column` (N,) tell,
    in that order, where each stands, from 0; `slope` is the page's tilt, dy/dx."""

    order: Ints
    line: Ints
    column: Ints
    slope: float

    def pairs(self) -> list[tuple[int, int]]:
        """Neighbours (right, left) as positions in the reading order."""
        same = np.nonzero(self.line[1:] == self.line[:-1])[0]
        return [(int(i), int(i) + 1) for i in same]


def lay_out(found: Located) -> Layout:
    """Lines and reading order of the letters of an upright page."""
    if not len(found):
        empty = np.zeros(0, np.int64)
        return Layout(empty, empty, empty, 0.0)
    slope = page_slope(found)
    page = straightened(found, slope)
    stretches = chains(page)
    walls = _walls(page, stretches)
    lines = joined(page, stretches, walls)
    columns = [_column_of(page, line, walls) for line in lines]
    ranks = sorted(range(len(lines)), key=lambda k: (columns[k], float(np.mean(page.v[lines[k]]))))
    order, line, column = [], [], []
    for number, k in enumerate(ranks):
        letters = sorted(lines[k], key=lambda i: -page.u[i])
        if np.median(np.abs(found.body[letters, 3] - 180)) < 45:
            letters.reverse()  # Upside down, as on the back of a mezuzah: read from the left.
        order += letters
        line += [number] * len(letters)
        column += [columns[k]] * len(letters)
    return Layout(np.array(order), np.array(line), np.array(column), slope)


def page_slope(found: Located) -> float:
    """Median tilt dy/dx of the links between near neighbours."""
    slopes = [_slopes(found, rows) for rows in blocks(len(found))]
    every = np.concatenate(slopes) if slopes else np.zeros(0)
    return float(np.median(every)) if len(every) >= 4 else 0.0


def _slopes(found: Located, rows: slice) -> Floats:
    """Tilts of the links from the letters `rows` to their near neighbours on the left."""
    x, y = found.anchors.T
    along, down, height = x - x[rows, None], y - y[rows, None], found.body[rows, 2, None]
    near = (along < -0.3 * height) & (along > -3.5 * height)
    near &= np.abs(down) < 0.3 * np.abs(along) + 0.1 * height
    i = np.flatnonzero(near.any(axis=1))
    j = np.where(near, -along, np.inf).argmin(axis=1)[i]
    return down[i, j] / along[i, j]


def straightened(found: Located, slope: float) -> Flat:
    """The letters in axes along and across the writing."""
    c, s = np.cos(np.arctan(slope)), np.sin(np.arctan(slope))
    x, y = found.anchors.T
    u = x * c + y * s
    return Flat(
        u=u,
        v=y * c - x * s,
        left=u + (found.box[:, 0] - x),
        right=u + (found.box[:, 2] - x),
        height=found.body[:, 2],
    )


def _walls(page: Flat, stretches: list[list[int]]) -> list[float]:
    """Middles (values of u) of whites that run through all lines, from right to left."""
    height = float(np.median(page.height))
    spans = sorted(
        (min(page.left[s]), max(page.right[s])) for s in stretches if len(s) >= 3
    )  # Short stretches are noise or words astray; they make no column and close none.
    merged: list[list[float]] = []
    counts: list[int] = []
    for low, high in spans:
        if merged and low < merged[-1][1] + COLUMN_GAP * height:
            merged[-1][1] = max(merged[-1][1], high)
            counts[-1] += 1
        else:
            merged.append([float(low), float(high)])
            counts.append(1)
    walls = [
        (merged[k][1] + merged[k + 1][0]) / 2
        for k in range(len(merged) - 1)
        if min(counts[k], counts[k + 1]) >= COLUMN_LINES
    ]
    return walls[::-1]


def _column_of(page: Flat, line: list[int], walls: list[float]) -> int:
    """Column of a line, counted from the right."""
    middle = float(np.mean(page.u[line]))
    return sum(middle < wall for wall in walls)
