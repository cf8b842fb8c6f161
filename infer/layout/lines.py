"""Reading order: lines, columns and the neighbours in them, on upright but tilted or bowed pages.

Anchors lie half a body below the ruled line, so letters of one line are level however they are
stretched and whatever they carry above or below.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints, Located

_LIMITS = limits_of("layout.lines")

STEP_COST = _LIMITS.number("step_cost")
"""Cost of a link per unit of distance along the line, beside 1 per unit of gap .."""

OFFSET_COST = _LIMITS.number("offset_cost")
""".. and per unit of offset across it."""

JOIN_OFFSET_COST = _LIMITS.number("join_offset_cost")
"""Cost of a join per unit of offset across the line, beside 1 per unit of gap."""

MAX_UPSIDE_DOWN_OFFSET_DEGREES = _LIMITS.number("max_upside_down_offset_degrees")
"""Median distance of rotations from 180 below which a line is upside down."""

MIN_PAIRS_FOR_SLOPE = _LIMITS.whole("min_pairs_for_slope")
"""Pairs of neighbours from which the slope of a page is known."""

MIN_STEP_BODIES = _LIMITS.number("min_step_bodies")
"""Distance along the line from which two letters are neighbours."""

MAX_STEP_OFFSET_BODIES = _LIMITS.number("max_step_offset_bodies")
"""Offset across the line up to which two letters are neighbours."""

MAX_JOIN_OFFSET_BODIES = _LIMITS.number("max_join_offset_bodies")
"""Offset across the line up to which two stretches are joined."""

MIN_JOIN_DISTANCE_BODIES = _LIMITS.number("min_join_distance_bodies")
"""Distance along the line from which two stretches are joined."""

SLOPE_NEIGHBOUR_RANGE_BODIES = _LIMITS.span("slope_neighbour_range_bodies")
"""Distance to the left at which a neighbour counts for the slope."""

MAX_NEIGHBOUR_SLOPE = _LIMITS.number("max_neighbour_slope")
"""Slope, beside `NEIGHBOUR_OFFSET_BODIES`, up to which a neighbour counts for the slope."""

NEIGHBOUR_OFFSET_BODIES = _LIMITS.number("neighbour_offset_bodies")

MIN_STRETCH_LETTERS = _LIMITS.whole("min_stretch_letters")
"""Letters from which a stretch has a slope and bounds a column."""

MAX_LINK_GAP_BODIES = _LIMITS.number("max_link_gap_bodies")
"""Widest gap of a first link, in bodies."""

MAX_JOIN_GAP_BODIES = _LIMITS.number("max_join_gap_bodies")
"""Widest gap between stretches of one line: a portion gap of nine letters is nine bodies."""

MAX_LINK_OFFSET_BODIES = _LIMITS.number("max_link_offset_bodies")
"""How far a neighbour may lie off the line, beside `OFFSET_PER_DISTANCE` of its distance."""

OFFSET_PER_DISTANCE = _LIMITS.number("offset_per_distance")

MIN_COLUMN_GAP_BODIES = _LIMITS.number("min_column_gap_bodies")
"""Least gap between columns, in bodies, through all lines (two fingers, Keset HaSofer 14:1)."""

MIN_COLUMN_LINES = _LIMITS.whole("min_column_lines")
"""A column has at least this many lines: two words beside each other are no column."""

LETTERS_PER_BLOCK = 64
"""Letters compared at once with all others: the arrays of one step then stay in the cache."""


@dataclass(frozen=True)
class Layout:
    """Reading order of N letters, and where each stands."""

    order: Ints
    """(N,) rows of the located letters in reading order."""
    line: Ints
    """(N,) line of each letter in that order, from 0."""
    column: Ints
    """(N,) column of each letter in that order, from 0."""
    slope: float
    """Tilt of the page, dy/dx."""

    def pairs(self) -> list[tuple[int, int]]:
        """Neighbours (right, left) as positions in the reading order."""
        same = np.nonzero(self.line[1:] == self.line[:-1])[0]
        return [(int(i), int(i) + 1) for i in same]


@dataclass(frozen=True)
class RotatedLetters:
    """Anchors, ink edges and heights of letters on the straightened page; each (N,), px."""

    u: Floats
    v: Floats
    left: Floats
    right: Floats
    height: Floats


def lay_out(found: Located) -> Layout:
    """Lines and reading order of the letters of an upright page."""
    if not len(found):
        empty = np.zeros(0, np.int64)
        return Layout(empty, empty, empty, 0.0)
    slope = page_slope(found)
    page = deskew(found, slope)
    stretches = link_letters(page)
    walls = _column_walls(page, stretches)
    lines = join_stretches(page, stretches, walls)
    columns = [_column_of(page, line, walls) for line in lines]
    ranks = sorted(range(len(lines)), key=lambda k: (columns[k], float(np.mean(page.v[lines[k]]))))
    order, line, column = [], [], []
    for number, k in enumerate(ranks):
        letters = sorted(lines[k], key=lambda i: -page.u[i])
        if np.median(np.abs(found.rotation[letters] - 180)) < MAX_UPSIDE_DOWN_OFFSET_DEGREES:
            letters.reverse()  # Upside down, as on the back of a mezuzah: read from the left.
        order += letters
        line += [number] * len(letters)
        column += [columns[k]] * len(letters)
    return Layout(np.array(order), np.array(line), np.array(column), slope)


def page_slope(found: Located) -> float:
    """Median tilt dy/dx of the links between near neighbours."""
    slopes = [_link_slopes(found, rows) for rows in letter_blocks(len(found))]
    every = np.concatenate(slopes) if slopes else np.zeros(0)
    return float(np.median(every)) if len(every) >= MIN_PAIRS_FOR_SLOPE else 0.0


def deskew(found: Located, slope: float) -> RotatedLetters:
    """The letters in axes along and across the writing."""
    c, s = np.cos(np.arctan(slope)), np.sin(np.arctan(slope))
    x, y = found.anchors.T
    u = x * c + y * s
    return RotatedLetters(
        u=u,
        v=y * c - x * s,
        left=u + (found.box[:, 0] - x),
        right=u + (found.box[:, 2] - x),
        height=found.height,
    )


def link_letters(page: RotatedLetters) -> list[list[int]]:
    """Stretches of neighbouring letters, each from right to left."""
    count = len(page.u)
    to_left, to_right = _nearest_in_line(page, -1), _nearest_in_line(page, 1)
    follow = {i: int(j) for i, j in enumerate(to_left) if j >= 0 and to_right[j] == i}
    starts = sorted(set(range(count)) - set(follow.values()), key=lambda i: page.v[i])
    result = []
    for start in starts:
        chain = [start]
        while chain[-1] in follow:
            chain.append(follow[chain[-1]])
        result.append(chain)
    return result


def join_stretches(
    page: RotatedLetters, stretches: list[list[int]], walls: list[float]
) -> list[list[int]]:
    """Stretches of one line put together, right to left, never across a column wall (u)."""
    lines = [list(s) for s in stretches]
    while len(lines) > 1:
        pair = _best_join(page, lines, walls)
        if pair is None:
            break
        right, left = pair
        lines[right] += lines[left]
        del lines[left]
    return lines


def letter_blocks(count: int) -> Iterator[slice]:
    """The rows 0 to `count`, `LETTERS_PER_BLOCK` at a time."""
    return (slice(start, start + LETTERS_PER_BLOCK) for start in range(0, count, LETTERS_PER_BLOCK))


def _nearest_in_line(page: RotatedLetters, side: int) -> Ints:
    """(N,) each letter's neighbour on its left (-1) or right (1); -1 when there is none."""
    nearest = [_nearest_of(page, rows, side) for rows in letter_blocks(len(page.u))]
    return np.concatenate(nearest) if nearest else np.zeros(0, np.int64)


def _nearest_of(page: RotatedLetters, rows: slice, side: int) -> Ints:
    """The same of the letters `rows` alone."""
    away = (page.u - page.u[rows, None]) * side
    off = np.abs(page.v - page.v[rows, None])
    height = page.height[rows, None]
    near = (
        (away > MIN_STEP_BODIES * height)
        & (off < MAX_LINK_OFFSET_BODIES * height + OFFSET_PER_DISTANCE * away)
        & (off < MAX_STEP_OFFSET_BODIES * height)
    )
    ends = (page.left[rows, None], page.right) if side < 0 else (page.left, page.right[rows, None])
    gap = ends[0] - ends[1]
    cost = np.maximum(gap, 0) + STEP_COST * away + OFFSET_COST * off
    cost[~near | (gap > MAX_LINK_GAP_BODIES * height)] = np.inf
    best = cost.argmin(axis=1)
    return np.where(np.isfinite(cost.min(axis=1)), best, -1)


def _best_join(
    page: RotatedLetters, lines: list[list[int]], walls: list[float]
) -> tuple[int, int] | None:
    """The two stretches that continue each other best; None when none do."""
    tails = np.array([line[-1] for line in lines])
    heads = np.array([line[0] for line in lines])
    height = float(np.median(page.height))
    gap = page.left[tails][:, None] - page.right[heads][None, :]
    apart = page.u[tails][:, None] - page.u[heads][None, :]
    guess_left = np.array([_line_slope(page, line[-6:]) for line in lines])
    guess_right = np.array([_line_slope(page, line[:6]) for line in lines])
    drop = page.v[heads][None, :] - page.v[tails][:, None]
    lean = (guess_left[:, None] + guess_right[None, :]) / 2
    off = np.abs(drop + lean * apart)
    cost = np.maximum(gap, 0) + JOIN_OFFSET_COST * off
    far = (gap > MAX_JOIN_GAP_BODIES * height) | (off > MAX_JOIN_OFFSET_BODIES * height)
    cost[(apart < MIN_JOIN_DISTANCE_BODIES * height) | far] = np.inf
    for wall in walls:
        crosses = (page.u[tails][:, None] > wall) & (page.u[heads][None, :] < wall)
        cost[crosses] = np.inf
    np.fill_diagonal(cost, np.inf)
    best = int(cost.argmin())
    if not np.isfinite(cost.flat[best]):
        return None
    return best // len(lines), best % len(lines)


def _line_slope(page: RotatedLetters, letters: list[int]) -> float:
    """Slope dv/du of a few neighbouring letters; 0 when there are fewer than three."""
    if len(letters) < MIN_STRETCH_LETTERS:
        return 0.0
    u, v = page.u[letters], page.v[letters]
    spread = float(np.var(u))
    slope = float(np.mean((u - u.mean()) * (v - v.mean()))) / max(spread, 1e-9)
    return float(np.clip(slope, -0.2, 0.2))


def _link_slopes(found: Located, rows: slice) -> Floats:
    """Tilts of the links from the letters `rows` to their near neighbours on the left."""
    x, y = found.anchors.T
    along, down, height = x - x[rows, None], y - y[rows, None], found.height[rows, None]
    nearest, farthest = SLOPE_NEIGHBOUR_RANGE_BODIES
    near = (along < -nearest * height) & (along > -farthest * height)
    near &= np.abs(down) < MAX_NEIGHBOUR_SLOPE * np.abs(along) + NEIGHBOUR_OFFSET_BODIES * height
    i = np.flatnonzero(near.any(axis=1))
    j = np.where(near, -along, np.inf).argmin(axis=1)[i]
    result: Floats = down[i, j] / along[i, j]
    return result


def _column_walls(page: RotatedLetters, stretches: list[list[int]]) -> list[float]:
    """Middles (values of u) of gaps that run through all lines, from right to left."""
    height = float(np.median(page.height))
    spans = sorted(
        (min(page.left[s]), max(page.right[s])) for s in stretches if len(s) >= MIN_STRETCH_LETTERS
    )  # Short stretches are noise or misplaced words; they make no column and close none.
    merged: list[list[float]] = []
    counts: list[int] = []
    for low, high in spans:
        if merged and low < merged[-1][1] + MIN_COLUMN_GAP_BODIES * height:
            merged[-1][1] = max(merged[-1][1], high)
            counts[-1] += 1
        else:
            merged.append([float(low), float(high)])
            counts.append(1)
    walls = [
        (merged[k][1] + merged[k + 1][0]) / 2
        for k in range(len(merged) - 1)
        if min(counts[k], counts[k + 1]) >= MIN_COLUMN_LINES
    ]
    return walls[::-1]


def _column_of(page: RotatedLetters, line: list[int], walls: list[float]) -> int:
    """Column of a line, counted from the right."""
    middle = float(np.mean(page.u[line]))
    return sum(middle < wall for wall in walls)
