"""Body cells guessed from boxes, for labels that give boxes and letters only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from crownlet.datasets.page.truth import Box

HANGING = frozenset("אוכמםספרת")
"""Letters that take no tags: their top is the ruled line."""
STANDING = frozenset("אבגדהוזחטכלמםנסעפצרשת")
"""Letters that end at the base line: not yud, kuf and the long finals."""

Body = tuple[float, float, float, float]
Floats = npt.NDArray[np.float64]


def estimate_bodies(
    letters: Sequence[str], boxes: Sequence[Box], lines: Sequence[int]
) -> list[Body]:
    """(centre x, y of the ruled line, body height, 0.0) in px for each letter.

    `lines` groups letters by written line; -1 for unknown, when lines are found from the boxes.
    For upright pages. A line without letters that show its height takes that of the page.
    """
    if not letters:
        return []
    grid = np.array(boxes, np.float64)
    numbers = np.array(lines)
    if (numbers < 0).any():
        numbers = group_lines(grid)
    typical = _typical_height(letters, grid)
    bodies: list[Body] = [(0.0, 0.0, 0.0, 0.0)] * len(letters)
    for number in np.unique(numbers):
        rows = np.flatnonzero(numbers == number)
        top, base = _line_edges([letters[i] for i in rows.tolist()], grid[rows], typical)
        for i, y0, y1 in zip(rows, top, base, strict=True):
            x = float(grid[i, 0] + grid[i, 2]) / 2
            bodies[i] = (x, float(y0), max(1.0, float(y1 - y0)), 0.0)
    return bodies


def group_lines(boxes: Floats) -> npt.NDArray[np.int64]:
    """Line numbers of boxes (N, 4), by their vertical middles; for lines that do not cross."""
    middle = (boxes[:, 1] + boxes[:, 3]) / 2
    order = np.argsort(middle)
    step = 0.6 * float(np.median(boxes[:, 3] - boxes[:, 1]))
    rises = np.diff(middle[order]) > step
    numbers = np.empty(len(boxes), np.int64)
    numbers[order] = np.concatenate([[0], np.cumsum(rises)])
    return numbers


def _typical_height(letters: Sequence[str], boxes: Floats) -> float:
    heights = boxes[:, 3] - boxes[:, 1]
    plain = [h for h, c in zip(heights, letters, strict=True) if c in HANGING & STANDING]
    return float(np.median(plain if plain else heights))


def _line_edges(letters: list[str], boxes: Floats, typical: float) -> tuple[Floats, Floats]:
    """y of the ruled line and of the base line at each letter of one line."""
    x = (boxes[:, 0] + boxes[:, 2]) / 2
    hangs = np.array([c in HANGING for c in letters])
    stands = np.array([c in STANDING for c in letters])
    if hangs.any() and stands.any():
        return _fit(x, boxes[:, 1], hangs), _fit(x, boxes[:, 3], stands)
    if stands.any():
        base = _fit(x, boxes[:, 3], stands)
        return base - typical, base
    top = _fit(x, boxes[:, 1], hangs if hangs.any() else np.ones(len(letters), bool))
    return top, top + typical


def _fit(x: Floats, y: Floats, use: npt.NDArray[np.bool_]) -> Floats:
    """A level line through the chosen y, sloping if there are enough letters to tell."""
    level = np.full(len(x), float(np.median(y[use])))
    if use.sum() < 4 or np.ptp(x[use]) <= 0:
        return level
    middle = float(np.median(x[use]))
    slopes = (y[use] - level[0]) / np.where(np.abs(x[use] - middle) < 1, np.nan, x[use] - middle)
    slope = float(np.nanmedian(slopes))
    return np.asarray(level + slope * (x - middle)) if np.isfinite(slope) else level
