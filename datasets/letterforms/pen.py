"""The broad pen: outlines of strokes along smooth curves and of blocks with soft corners.

Everything here works on whole arrays, since a page asks for some seven hundred letters.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SAMPLES = 5
"""Points a stroke gets on each side between two control points."""
_EDGE = np.linspace(0.0, 1.0, 4)
_TURN = np.array([0.25, 0.5, 0.75])
_TURN_BASIS = np.stack([(1 - _TURN) ** 2, 2 * _TURN * (1 - _TURN), _TURN**2], axis=1)


@lru_cache(maxsize=16)
def _spline(count: int) -> Floats:
    """Matrix (2n, count): rows of positions, then of tangents, of a Catmull-Rom curve."""
    ghosts = np.zeros((count + 2, count))
    ghosts[1:-1] = np.eye(count)
    # The curve runs straight out at both ends: the ghost mirrors the neighbour.
    ghosts[0, :2] = (2, -1)
    ghosts[-1, -2:] = (-1, 2)
    t = np.linspace(0, 1, SAMPLES, endpoint=False)
    value = [-t + 2 * t**2 - t**3, 2 - 5 * t**2 + 3 * t**3, t + 4 * t**2 - 3 * t**3, -(t**2) + t**3]
    slope = [-1 + 4 * t - 3 * t**2, -10 * t + 9 * t**2, 1 + 8 * t - 9 * t**2, -2 * t + 3 * t**2]
    n = (count - 1) * SAMPLES + 1
    matrix = np.zeros((2 * n, count + 2))
    for k in range(count - 1):
        rows = slice(k * SAMPLES, (k + 1) * SAMPLES)
        matrix[rows, k : k + 4] = np.stack(value, axis=1) / 2
        matrix[n:][rows, k : k + 4] = np.stack(slope, axis=1) / 2
    matrix[n - 1, -2] = 1
    matrix[2 * n - 1, -3:] = (-0.5, 0, 0.5)
    return matrix @ ghosts


def stroke(points: Sequence[tuple[float, float, float]], cuts: tuple[float, float]) -> Floats:
    """Outline (2n, 2) of a stroke through (x, y, thickness), all in q.

    `cuts` are the slopes of its two ends against square: by how much of its half thickness each
    side of the end runs ahead (the left side, seen in the direction of writing, ahead if positive).
    """
    matrix = _spline(len(points))
    n = len(matrix) // 2
    curve = matrix @ np.array(points)
    centre, tangent = curve[:n], curve[n:]
    half = curve[:n, 2] / (2 * np.hypot(tangent[:, 0], tangent[:, 1]) + 1e-9)
    out = np.empty((2 * n, 2))
    side_x, side_y = tangent[:, 1] * half, tangent[:, 0] * half
    out[:n, 0] = centre[:, 0] + side_x
    out[:n, 1] = centre[:, 1] - side_y
    out[n:, 0] = (centre[:, 0] - side_x)[::-1]
    out[n:, 1] = (centre[:, 1] + side_y)[::-1]
    for row, mate, k, cut in ((0, -1, 0, cuts[0]), (n - 1, n, n - 1, cuts[1])):
        lead = cut * half[k] * tangent[k, :2]
        out[row] += lead
        out[mate] -= lead
    return out


def blocks(vertices: Sequence[Sequence[tuple[float, float, float, float]]]) -> list[Floats]:
    """Outlines (7 m, 2) of blocks of m corners (x, y, softness, bow), clockwise on the page.

    Softness is how far from the corner, in q, its rounding begins; bow is how far the edge that
    leaves the corner swells outward (concave if negative) at its middle, in q.
    """
    flat = np.array([corner for block in vertices for corner in block])
    following = []
    for block in vertices:
        start = len(following)
        following.extend(range(start + 1, start + len(block)))
        following.append(start)
    here, soft, bow = flat[:, :2], flat[:, 2], flat[:, 3:]
    there = here[following]
    edge = there - here
    length = np.hypot(edge[:, 0], edge[:, 1]) + 1e-9
    outward = np.stack([edge[:, 1], -edge[:, 0]], axis=1) / length[:, None]
    control = (here + there) / 2 + 2 * bow * outward
    first = np.minimum(soft / length, 0.45)
    last = 1 - np.minimum(soft[following] / length, 0.45)
    t = (first[:, None] + (last - first)[:, None] * _EDGE)[:, :, None]
    s = 1 - t
    sides = s * s * here[:, None] + 2 * t * s * control[:, None] + t * t * there[:, None]
    turns = np.stack([sides[:, -1], there, sides[following, 0]], axis=1)
    out = np.concatenate([sides, _TURN_BASIS @ turns], axis=1)
    outlines, start = [], 0
    for block in vertices:
        outlines.append(out[start : start + len(block)].reshape(-1, 2))
        start += len(block)
    return outlines


def waver(points: Floats, size: float, draws: Sequence[float]) -> Floats:
    """`points` (N, 2) moved by a slow wave of about `size` q; `draws` are 8 numbers in [-1, 1].

    The wave is one field over the letter, so parts that overlap go on overlapping.
    """
    waves = np.array(
        [
            [0.9 + 0.5 * draws[0], 0.6 * draws[1], 2.0 + 0.6 * draws[2], 1.2 * draws[3]],
            [0.7 * draws[3], 1.0 + 0.5 * draws[2], 1.4 * draws[0], 1.8 + 0.7 * draws[1]],
        ]
    )
    phases = 3.14159 * np.array(draws[4:8])
    swings = np.sin(points @ waves + phases)
    mixing = size * np.array([[0.35, 0.9], [0.9, 0.35], [0.15, 0.45], [0.5, 0.2]])
    moved: Floats = points + swings @ mixing
    return moved
