"""Measures on outlines in numpy: crossings, distances, trimming. Lengths in q, y grows down.

Rendering is a training hot path: these do on small arrays what a geometry library does in general.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.pen import Floats

Flags = npt.NDArray[np.bool_]


def next_points(outlines: Sequence[Outline]) -> Floats:
    """The point after each point of closed outlines, all in one array; much quicker than rolling
    each."""
    return np.concatenate([piece for o in outlines for piece in (o[1:], o[:1])])


def split_points(points: npt.NDArray[Any], outlines: Sequence[Any]) -> Iterator[npt.NDArray[Any]]:
    """Points (N, 2) in one array as outlines of the lengths of `outlines`."""
    start = 0
    for outline in outlines:
        yield points[start : start + len(outline)]
        start += len(outline)


class Region:
    """The union of outlines, prepared for questions about many points at once."""

    def __init__(self, outlines: Sequence[Outline]) -> None:
        if not outlines:
            raise ValueError("a region needs at least one outline")
        self._starts = np.cumsum([0] + [len(outline) for outline in outlines[:-1]])
        self._a = np.concatenate(outlines)
        self._b = next_points(outlines)
        self._d = self._b - self._a
        self._length2 = np.maximum((self._d**2).sum(axis=1), 1e-18)

    def contains(self, points: Floats) -> Flags:
        """Which of the points (N, 2) lie in the ink, by non-zero winding of each outline."""
        px, py = points[:, 0, None], points[:, 1, None]
        ay, by = self._a[:, 1], self._b[:, 1]
        left = self._d[:, 0] * (py - ay) - (px - self._a[:, 0]) * self._d[:, 1]
        up = (ay <= py) & (by > py) & (left > 0)
        down = (ay > py) & (by <= py) & (left < 0)
        winding = up.astype(np.int8) - down.astype(np.int8)
        turns = np.add.reduceat(winding, self._starts, axis=1)
        inked: Flags = (turns != 0).any(axis=1)
        return inked

    def distance(self, points: Floats) -> Floats:
        """Distance of each point (N, 2) to the nearest edge."""
        ox = points[:, 0, None] - self._a[:, 0]
        oy = points[:, 1, None] - self._a[:, 1]
        t = (ox * self._d[:, 0] + oy * self._d[:, 1]) / self._length2
        np.clip(t, 0.0, 1.0, out=t)
        ox -= t * self._d[:, 0]
        oy -= t * self._d[:, 1]
        nearest: Floats = np.sqrt((ox * ox + oy * oy).min(axis=1))
        return nearest

    def nearest(self, point: Floats) -> Floats:
        """The point on an edge that is nearest to `point` (2,)."""
        t = ((point - self._a) * self._d).sum(axis=1) / self._length2
        feet = self._a + np.clip(t, 0.0, 1.0)[:, None] * self._d
        foot: Floats = feet[int(((feet - point) ** 2).sum(axis=1).argmin())]
        return foot

    def clearance(self, points: Floats) -> Floats:
        """Distance to the ink, negative inside it."""
        return np.where(self.contains(points), -1.0, 1.0) * self.distance(points)

    def along(self, origin: Floats, direction: Floats) -> Floats:
        """Sorted parameters at which the line origin + t * direction crosses an edge."""
        nx, ny = -direction[1], direction[0]
        a = (self._a[:, 0] - origin[0]) * nx + (self._a[:, 1] - origin[1]) * ny
        b = (self._b[:, 0] - origin[0]) * nx + (self._b[:, 1] - origin[1]) * ny
        hit = (a < 0) != (b < 0)
        share = a[hit] / (a[hit] - b[hit])
        where = self._a[hit] + share[:, None] * self._d[hit] - origin
        t: Floats = np.sort(where @ direction / float(direction @ direction))
        return t

    def tops(self, x: Floats) -> Floats:
        """Smallest y of the ink at each x (N,); nan where there is none."""
        a, b = self._a[:, 0] - x[:, None], self._b[:, 0] - x[:, None]
        hit = (a < 0) != (b < 0)
        share = a / np.where(hit, a - b, 1.0)
        y: Floats = np.where(hit, self._a[:, 1] + share * self._d[:, 1], np.inf).min(axis=1)
        y[np.isinf(y)] = np.nan
        return y

    def spans(self, y: Floats) -> tuple[Floats, Floats]:
        """Leftmost and rightmost x of the ink at each height y (N,); nan where there is none."""
        a, b = self._a[:, 1] - y[:, None], self._b[:, 1] - y[:, None]
        hit = (a < 0) != (b < 0)
        x = self._a[:, 0] + a / np.where(hit, a - b, 1.0) * self._d[:, 0]
        left, right = np.where(hit, x, np.inf).min(axis=1), np.where(hit, x, -np.inf).max(axis=1)
        left[np.isinf(left)] = np.nan
        right[np.isinf(right)] = np.nan
        return left, right


def densify(outline: Outline, step: float = 0.06) -> Outline:
    """The outline with points added so that no edge is longer than `step` q."""
    following = next_points([outline])
    length = np.hypot(*(following - outline).T)
    counts = np.maximum(1, np.ceil(length / step).astype(np.int64))
    index = np.repeat(np.arange(len(outline)), counts)
    place = np.arange(len(index)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (place / counts[index])[:, None]
    dense: Outline = outline[index] * (1 - share) + following[index] * share
    return dense


def retreat(outline: Outline, region: Region, gap: float) -> Outline | None:
    """The outline less everything nearer than `gap` to the region; the largest piece of it.

    None if nothing of at least three points is left.
    """
    dense = densify(outline)
    clear = region.clearance(dense) - gap
    keep = clear >= 0
    if keep.all():
        return outline
    if keep.sum() < 3:
        return None
    runs = _runs(keep)
    if len(runs) > 1:
        runs.sort(key=lambda run: -float(np.ptp(dense[run], axis=0).max()))
    run = runs[0]
    before, after = (run[0] - 1) % len(dense), (run[-1] + 1) % len(dense)
    entry = _crossing(dense, clear, before, run[0])
    leave = _crossing(dense, clear, run[-1], after)
    steps = np.linspace(0.0, 1.0, 4 + int(np.hypot(*(entry - leave)) / 0.05))[1:-1, None]
    closing = _push_off(leave + steps * (entry - leave), region, gap)
    return np.concatenate([entry[None], dense[run], leave[None], closing])


def _push_off(points: Floats, region: Region, gap: float) -> Floats:
    """The points (N, 2), those nearer than `gap` to the region moved out to that distance."""
    clear = region.clearance(points)
    for k in np.flatnonzero(clear < gap - 1e-3):
        foot = region.nearest(points[k])
        away = (points[k] - foot) * (1.0 if clear[k] > 0 else -1.0)
        points[k] = foot + away * (gap / (float(np.hypot(*away)) + 1e-9))
    return points


def _runs(keep: Flags) -> list[npt.NDArray[np.int64]]:
    """Cyclic runs of True as index arrays."""
    start = int(np.flatnonzero(~keep)[0])
    order = (np.arange(len(keep)) + start) % len(keep)
    flags = keep[order]
    breaks = np.flatnonzero(np.diff(flags.astype(np.int8))) + 1
    return [order[piece] for piece in np.split(np.arange(len(keep)), breaks) if flags[piece[0]]]


def _crossing(points: Floats, values: Floats, i: int, j: int) -> Floats:
    """Where `values`, linear between points i and j, is zero."""
    share = values[i] / (values[i] - values[j])
    point: Floats = points[i] + share * (points[j] - points[i])
    return point
