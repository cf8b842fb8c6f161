"""The broad pen: outlines of strokes along smooth curves and of blocks with soft corners.

Everything here works on whole arrays, since a page asks for some seven hundred letters.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

POINTS_PER_SPAN = 6
"""Points a stroke gets on each side between two control points."""

_SLOPE_FADES = np.linspace(0.0, 1.0, POINTS_PER_SPAN + 1)[1:, None]
"""How the slope of a cut end fades out along the stroke, so that no side folds back."""

_WAVE_SHARES = np.array([[0.4, 0.9], [0.9, 0.4], [0.2, 0.5], [0.5, 0.2], [0.1, 0.2], [0.2, 0.1]])
"""Share of each wave in the movement along x and y: the shorter, the smaller."""

_EDGE_STEPS = np.linspace(0.0, 1.0, 5)

_CORNER_STEPS = np.array([0.2, 0.4, 0.6, 0.8])

_CORNER_BASIS = np.stack(
    [(1 - _CORNER_STEPS) ** 2, 2 * _CORNER_STEPS * (1 - _CORNER_STEPS), _CORNER_STEPS**2], axis=1
)


@lru_cache(maxsize=16)
def _spline_matrix(count: int) -> Floats:
    """Matrix (2n, count): rows of positions, then of tangents, of a Catmull-Rom curve."""
    ghosts = np.zeros((count + 2, count))
    ghosts[1:-1] = np.eye(count)
    # The curve runs straight out at both ends: the ghost mirrors the neighbour.
    ghosts[0, :2] = (2, -1)
    ghosts[-1, -2:] = (-1, 2)
    t = np.linspace(0, 1, POINTS_PER_SPAN, endpoint=False)
    value = [-t + 2 * t**2 - t**3, 2 - 5 * t**2 + 3 * t**3, t + 4 * t**2 - 3 * t**3, -(t**2) + t**3]
    slope = [-1 + 4 * t - 3 * t**2, -10 * t + 9 * t**2, 1 + 8 * t - 9 * t**2, -2 * t + 3 * t**2]
    n = (count - 1) * POINTS_PER_SPAN + 1
    matrix = np.zeros((2 * n, count + 2))
    for k in range(count - 1):
        rows = slice(k * POINTS_PER_SPAN, (k + 1) * POINTS_PER_SPAN)
        matrix[rows, k : k + 4] = np.stack(value, axis=1) / 2
        matrix[n:][rows, k : k + 4] = np.stack(slope, axis=1) / 2
    matrix[n - 1, -2] = 1
    matrix[2 * n - 1, -3:] = (-0.5, 0, 0.5)
    return matrix @ ghosts


def stroke_outline(
    points: Sequence[tuple[float, float, float]], cuts: tuple[float, float], soft: float = 0.05
) -> Floats:
    """Outline (2n + 4, 2) of a stroke through (x, y, thickness), all in q.

    `cuts` are the slopes of its two ends against square: by how much of its half thickness each
    side of the end runs ahead (the left side, seen in the direction of writing, ahead if positive).
    `soft` is the q by which the corners of its ends are worn off.
    """
    matrix = _spline_matrix(len(points))
    n = len(matrix) // 2
    curve = matrix @ np.array(points)
    centre, tangent = curve[:n], curve[n:, :2]
    tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None] + 1e-9
    half = curve[:n, 2:] / 2
    side = np.empty_like(tangent)
    side[:, 0], side[:, 1] = tangent[:, 1], -tangent[:, 0]
    side *= half
    left, right = centre[:, :2] + side, centre[:, :2] - side
    if cuts[0]:
        lead = _SLOPE_FADES[::-1] * (cuts[0] * half[0, 0]) * tangent[0]
        left[:POINTS_PER_SPAN] += lead
        right[:POINTS_PER_SPAN] -= lead
    if cuts[1]:
        lead = _SLOPE_FADES * (cuts[1] * half[-1, 0]) * tangent[-1]
        left[-POINTS_PER_SPAN:] += lead
        right[-POINTS_PER_SPAN:] -= lead
    worn = []
    for k, near in ((0, 1), (-1, -2)):
        share = min(0.35, soft / (2 * half[k, 0] + 1e-9))
        across = (right[k] - left[k]) * share
        worn.append((left[k] + across, right[k] - across))
        # The worn corner: each side stops short of the end.
        left[k] += 0.6 * (left[near] - left[k]) * share
        right[k] += 0.6 * (right[near] - right[k]) * share
    (start_left, start_right), (end_left, end_right) = worn
    return np.concatenate([[start_left], left, [end_left, end_right], right[::-1], [start_right]])


def block_outlines(vertices: Sequence[Sequence[tuple[float, float, float, float]]]) -> list[Floats]:
    """Outlines (9 m, 2) of blocks of m corners (x, y, softness, bow), clockwise on the page.

    Softness is how far from the corner, in q, its rounding begins; bow is how far the edge that
    leaves the corner swells outward (concave if negative) at its middle, in q.
    """
    flat = np.array([corner for block in vertices for corner in block])
    following: list[int] = []
    for block in vertices:
        start = len(following)
        following.extend(range(start + 1, start + len(block)))
        following.append(start)
    here, soft, bow = flat[:, :2], flat[:, 2], flat[:, 3:]
    there = here[following]
    edge = there - here
    length = np.hypot(edge[:, 0], edge[:, 1]) + 1e-9
    outward = np.empty_like(edge)
    outward[:, 0], outward[:, 1] = edge[:, 1], -edge[:, 0]
    outward /= length[:, None]
    control = (here + there) / 2 + 2 * bow * outward
    first = np.minimum(soft / length, 0.49)
    last = 1 - np.minimum(soft[following] / length, 0.49)
    t = (first[:, None] + (last - first)[:, None] * _EDGE_STEPS)[:, :, None]
    s = 1 - t
    sides = s * s * here[:, None] + 2 * t * s * control[:, None] + t * t * there[:, None]
    turns = np.empty((len(here), 3, 2))
    turns[:, 0], turns[:, 1], turns[:, 2] = sides[:, -1], there, sides[following, 0]
    out = np.concatenate([sides, _CORNER_BASIS @ turns], axis=1)
    outlines, start = [], 0
    for block in vertices:
        outlines.append(out[start : start + len(block)].reshape(-1, 2))
        start += len(block)
    return outlines


def add_waver(points: Floats, size: float, draws: Sequence[float]) -> Floats:
    """`points` (N, 2) moved by slow waves of about `size` q; `draws` are 12 numbers in [-1, 1].

    The waves are one field over the letter, so parts that overlap go on overlapping.
    """
    a, b, c, d, e, f = draws[:6]
    waves = np.array(
        [
            [0.9 + 0.5 * a, 0.6 * b, 2.0 + 0.6 * c, 1.2 * d, 4.6 + e, 2.0 * f],
            [0.7 * d, 1.0 + 0.5 * c, 1.4 * a, 1.8 + 0.7 * b, 2.0 * f, 4.4 + e],
        ]
    )
    swings = np.sin(points @ waves + np.pi * np.array(draws[6:12]))
    moved: Floats = points + swings @ (size * _WAVE_SHARES)
    return moved
