"""Reading order: lines, columns and the neighbours in them, on upright but tilted or bowed pages.

Anchors lie half a body below the ruled line, so letters of one line are level however they are
stretched and whatever they carry above or below.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.records import Bools, Floats, Ints, Located

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

MAX_STRETCH_SLOPE = 0.2
"""Bound of the slope that is fitted to the few letters at the end of a stretch."""

LETTERS_PER_BLOCK = 64
"""Letters compared at once with all near them: the arrays of one step then stay in the cache."""


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
    _, farthest = SLOPE_NEIGHBOUR_RANGE_BODIES
    bodies = MAX_NEIGHBOUR_SLOPE * farthest + NEIGHBOUR_OFFSET_BODIES
    bands = letter_bands(found.anchors[:, 1], bodies * float(found.height.max(initial=0.0)))
    slopes = [_link_slopes(found, rows, near) for rows, near in bands]
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
    """Stretches of one line put together, right to left, never across a column wall (u).

    The two that continue each other best are joined first, then the next two.
    """
    if not stretches:
        return []
    joining = _Joining(page, stretches, walls)
    while joining.join_best():
        pass
    return [line for line in joining.lines if line]


def letter_bands(across: Floats, reach: float) -> Iterator[tuple[Ints, Ints]]:
    """Rows of at most `LETTERS_PER_BLOCK` letters, and of all that may be their neighbours.

    `across` (N,) is where letters stand across the writing; neighbours are no farther than `reach`
    from one another, so that a page takes time by its letters and not by their square. Rows of
    neighbours are in order.
    """
    ranked = np.argsort(across, kind="stable")
    places = across[ranked]
    for start in range(0, len(ranked), LETTERS_PER_BLOCK):
        rows = ranked[start : start + LETTERS_PER_BLOCK]
        low = np.searchsorted(places, across[rows[0]] - reach, side="left")
        high = np.searchsorted(places, across[rows[-1]] + reach, side="right")
        yield rows, np.sort(ranked[low:high])


def _nearest_in_line(page: RotatedLetters, side: int) -> Ints:
    """(N,) each letter's neighbour on its left (-1) or right (1); -1 when there is none."""
    nearest = np.full(len(page.u), -1, np.int64)
    reach = MAX_STEP_OFFSET_BODIES * float(page.height.max(initial=0.0))
    for rows, near in letter_bands(page.v, reach):
        nearest[rows] = _nearest_of(page, rows, near, side)
    return nearest


def _nearest_of(page: RotatedLetters, rows: Ints, near: Ints, side: int) -> Ints:
    """The same of the letters `rows` alone, among the letters `near`."""
    away = (page.u[near] - page.u[rows, None]) * side
    off = np.abs(page.v[near] - page.v[rows, None])
    height = page.height[rows, None]
    fits = (
        (away > MIN_STEP_BODIES * height)
        & (off < MAX_LINK_OFFSET_BODIES * height + OFFSET_PER_DISTANCE * away)
        & (off < MAX_STEP_OFFSET_BODIES * height)
    )
    left, right = (rows[:, None], near) if side < 0 else (near, rows[:, None])
    gap = page.left[left] - page.right[right]
    cost = np.maximum(gap, 0) + STEP_COST * away + OFFSET_COST * off
    cost[~fits | (gap > MAX_LINK_GAP_BODIES * height)] = np.inf
    best = cost.argmin(axis=1)
    return np.where(np.isfinite(cost.min(axis=1)), near[best], -1)


def _link_slopes(found: Located, rows: Ints, near: Ints) -> Floats:
    """Tilts of the links from the letters `rows` to their neighbours on the left, among `near`."""
    x, y = found.anchors.T
    along, down = x[near] - x[rows, None], y[near] - y[rows, None]
    height = found.height[rows, None]
    nearest, farthest = SLOPE_NEIGHBOUR_RANGE_BODIES
    fits = (along < -nearest * height) & (along > -farthest * height)
    fits &= np.abs(down) < MAX_NEIGHBOUR_SLOPE * np.abs(along) + NEIGHBOUR_OFFSET_BODIES * height
    i = np.flatnonzero(fits.any(axis=1))
    j = np.where(fits, -along, np.inf).argmin(axis=1)[i]
    result: Floats = down[i, j] / along[i, j]
    return result


class _Joining:
    """Stretches that are being joined, and for each the one that continues it best.

    Only stretches that may have another best one after a join are compared anew, and only with
    those near enough across the writing.
    """

    def __init__(
        self, page: RotatedLetters, stretches: list[list[int]], walls: list[float]
    ) -> None:
        self.lines = [list(stretch) for stretch in stretches]
        """Those that were joined to another are empty."""
        self._page, self._walls = page, walls
        self._height = float(np.median(page.height))
        self._heads = np.array([line[0] for line in stretches])
        self._tails = np.array([line[-1] for line in stretches])
        self._slope_at_head = np.array([_line_slope(page, line[:6]) for line in stretches])
        self._slope_at_tail = np.array([_line_slope(page, line[-6:]) for line in stretches])
        self._by_head = np.argsort(page.v[self._heads], kind="stable")
        self._by_tail = np.argsort(page.v[self._tails], kind="stable")
        self._places = page.v[self._heads][self._by_head], page.v[self._tails][self._by_tail]
        self._owner = np.arange(len(stretches))
        """Of the tail that each stretch began with: whose tail it is now, -1 for none."""
        self._began_as = np.arange(len(stretches))
        """The inverse: whose tail at the beginning the tail of each stretch is."""
        widest = float((page.u - page.left).max() + (page.right - page.u).max())
        farthest = MAX_JOIN_GAP_BODIES * self._height + widest
        self._reach = MAX_JOIN_OFFSET_BODIES * self._height + MAX_STRETCH_SLOPE * farthest
        self._cost = np.full(len(stretches), np.inf)
        self._next = np.full(len(stretches), -1)
        self._choose(np.arange(len(stretches)))

    def join_best(self) -> bool:
        """Join the two that continue each other best; False where none do."""
        right = int(self._cost.argmin())
        if not np.isfinite(self._cost[right]):
            return False
        left = int(self._next[right])
        self.lines[right] += self.lines[left]
        self.lines[left] = []
        self._cost[left], self._next[left] = np.inf, -1
        self._owner[self._began_as[right]] = -1
        self._began_as[right] = self._began_as[left]
        self._owner[self._began_as[right]] = right
        self._tails[right] = self._tails[left]
        self._slope_at_tail[right] = _line_slope(self._page, self.lines[right][-6:])
        stale = self._next == left
        stale[right] = True
        slope = _line_slope(self._page, self.lines[right][:6])
        if slope != self._slope_at_head[right]:
            self._slope_at_head[right] = slope
            stale |= self._next == right
            self._offer(right, stale)
        self._choose(np.flatnonzero(stale))
        return True

    def _choose(self, rows: Ints) -> None:
        """Find again what continues each of `rows` best."""
        places = self._page.v[self._tails[rows]]
        ranked = np.argsort(places, kind="stable")
        rows, places = rows[ranked], places[ranked]
        for start in range(0, len(rows), LETTERS_PER_BLOCK):
            few = rows[start : start + LETTERS_PER_BLOCK]
            low, high = places[start], places[start + len(few) - 1]
            near = self._within(self._places[0], low, high)
            lefts = np.sort([k for k in self._by_head[near] if self.lines[k]])
            if not len(lefts):
                self._cost[few], self._next[few] = np.inf, -1
                continue
            cost = self._cost_of(few[:, None], lefts)
            best = cost.argmin(axis=1)
            self._cost[few] = cost.min(axis=1)
            self._next[few] = lefts[best]

    def _offer(self, left: int, stale: Bools) -> None:
        """Let those that are not stale and now continue better with `left` take it."""
        place = float(self._page.v[self._heads[left]])
        rows = self._owner[self._by_tail[self._within(self._places[1], place, place)]]
        rows = np.array([k for k in rows if k >= 0 and not stale[k]], np.int64)
        if len(rows):
            cost = self._cost_of(rows, np.array([left]))
            same = (cost == self._cost[rows]) & np.isfinite(cost) & (left < self._next[rows])
            better = (cost < self._cost[rows]) | same
            self._cost[rows[better]], self._next[rows[better]] = cost[better], left

    def _within(self, places: Floats, low: float, high: float) -> slice:
        """Ranks whose places are no farther than the reach from `low` to `high`."""
        first = np.searchsorted(places, low - self._reach, side="left")
        return slice(int(first), int(np.searchsorted(places, high + self._reach, side="right")))

    def _cost_of(self, rights: Ints, lefts: Ints) -> Floats:
        """Costs of joins by right and left stretch, the two broadcast; infinite where none is."""
        page, tails, heads = self._page, self._tails[rights], self._heads[lefts]
        gap = page.left[tails] - page.right[heads]
        apart = page.u[tails] - page.u[heads]
        lean = (self._slope_at_tail[rights] + self._slope_at_head[lefts]) / 2
        off = np.abs(page.v[heads] - page.v[tails] + lean * apart)
        cost: Floats = np.maximum(gap, 0) + JOIN_OFFSET_COST * off
        far = (gap > MAX_JOIN_GAP_BODIES * self._height) | (
            off > MAX_JOIN_OFFSET_BODIES * self._height
        )
        near = apart < MIN_JOIN_DISTANCE_BODIES * self._height
        cost[far | near | (rights == lefts)] = np.inf
        for wall in self._walls:
            cost[(page.u[tails] > wall) & (page.u[heads] < wall)] = np.inf
        return cost


def _line_slope(page: RotatedLetters, letters: list[int]) -> float:
    """Slope dv/du of a few neighbouring letters; 0 when there are fewer than three."""
    if len(letters) < MIN_STRETCH_LETTERS:
        return 0.0
    u, v = page.u[letters], page.v[letters]
    spread = float(np.var(u))
    slope = float(np.mean((u - u.mean()) * (v - v.mean()))) / max(spread, 1e-9)
    return float(np.clip(slope, -MAX_STRETCH_SLOPE, MAX_STRETCH_SLOPE))


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
