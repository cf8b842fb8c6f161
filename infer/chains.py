"""Letters chained right to left into stretches of one line, on pages that tilt and bow.

All coordinates are (u along the writing, v across it) in px; a link joins two letters that are each
other's nearest neighbour in the local direction, and stretches are then joined over wide whites.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crownlet.infer.records import Floats, Ints

REACH = 3.0
"""Widest white of a first link, in bodies."""
JUMP = 12.0
"""Widest white between stretches of one line: a portion gap of nine letters is nine bodies."""
DRIFT = 0.33
"""How far a neighbour may lie off the line, in bodies, beside `TILT` of its distance."""
TILT = 0.10
ROWS = 64
"""Letters compared at once with all others: what a step works on then stays in the cache."""


@dataclass(frozen=True)
class Flat:
    """Anchors, ink edges and heights of letters on the straightened page; each (N,), px."""

    u: Floats
    v: Floats
    left: Floats
    right: Floats
    height: Floats


def chains(page: Flat) -> list[list[int]]:
    """Stretches of neighbouring letters, each from right to left."""
    count = len(page.u)
    to_left, to_right = _nearest(page, -1), _nearest(page, 1)
    follow = {i: int(j) for i, j in enumerate(to_left) if j >= 0 and to_right[j] == i}
    starts = sorted(set(range(count)) - set(follow.values()), key=lambda i: page.v[i])
    result = []
    for start in starts:
        chain = [start]
        while chain[-1] in follow:
            chain.append(follow[chain[-1]])
        result.append(chain)
    return result


def blocks(count: int) -> Iterator[slice]:
    """The rows 0 to `count`, `ROWS` at a time."""
    return (slice(start, start + ROWS) for start in range(0, count, ROWS))


def _nearest(page: Flat, side: int) -> Ints:
    """(N,) each letter's neighbour on its left (-1) or right (1); -1 when there is none."""
    nearest = [_nearest_of(page, rows, side) for rows in blocks(len(page.u))]
    return np.concatenate(nearest) if nearest else np.zeros(0, np.int64)


def _nearest_of(page: Flat, rows: slice, side: int) -> Ints:
    """The same of the letters `rows` alone."""
    away = (page.u - page.u[rows, None]) * side
    off = np.abs(page.v - page.v[rows, None])
    height = page.height[rows, None]
    near = (away > 0.12 * height) & (off < DRIFT * height + TILT * away) & (off < 0.8 * height)
    ends = (page.left[rows, None], page.right) if side < 0 else (page.left, page.right[rows, None])
    white = ends[0] - ends[1]
    cost = np.maximum(white, 0) + 0.5 * away + 1.5 * off
    cost[~near | (white > REACH * height)] = np.inf
    best = cost.argmin(axis=1)
    return np.where(np.isfinite(cost.min(axis=1)), best, -1)


def joined(page: Flat, stretches: list[list[int]], walls: list[float]) -> list[list[int]]:
    """Stretches of one line put together, right to left, never across a column wall (u)."""
    lines = [list(s) for s in stretches]
    while len(lines) > 1:
        pair = _best_pair(page, lines, walls)
        if pair is None:
            break
        right, left = pair
        lines[right] += lines[left]
        del lines[left]
    return lines


def _best_pair(page: Flat, lines: list[list[int]], walls: list[float]) -> tuple[int, int] | None:
    """The two stretches that continue each other best; None when none do."""
    tails = np.array([line[-1] for line in lines])
    heads = np.array([line[0] for line in lines])
    height = float(np.median(page.height))
    white = page.left[tails][:, None] - page.right[heads][None, :]
    apart = page.u[tails][:, None] - page.u[heads][None, :]
    guess_left = np.array([_slope(page, line[-6:]) for line in lines])
    guess_right = np.array([_slope(page, line[:6]) for line in lines])
    drop = page.v[heads][None, :] - page.v[tails][:, None]
    lean = (guess_left[:, None] + guess_right[None, :]) / 2
    off = np.abs(drop + lean * apart)
    cost = np.maximum(white, 0) + 3 * off
    cost[(apart < 0.1 * height) | (white > JUMP * height) | (off > 0.5 * height)] = np.inf
    for wall in walls:
        crosses = (page.u[tails][:, None] > wall) & (page.u[heads][None, :] < wall)
        cost[crosses] = np.inf
    np.fill_diagonal(cost, np.inf)
    best = int(cost.argmin())
    if not np.isfinite(cost.flat[best]):
        return None
    return best // len(lines), best % len(lines)


def _slope(page: Flat, letters: list[int]) -> float:
    """Slope dv/du of a few neighbouring letters; level when they are too few to tell."""
    if len(letters) < 3:
        return 0.0
    u, v = page.u[letters], page.v[letters]
    spread = float(np.var(u))
    slope = float(np.mean((u - u.mean()) * (v - v.mean()))) / max(spread, 1e-9)
    return float(np.clip(slope, -0.2, 0.2))
