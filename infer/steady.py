"""Neighbours steady each other: one pen and one way up in a neighbourhood.

The locator judges every letter alone. A scribe does not change his pen from letter to letter, and
a line stands one way up, so a letter's height and turn are corrected by those around it; letters
written large on purpose, and lines upside down, keep their own.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.records import Floats, Located

NEAREST = 9
"""A letter and its eight nearest."""
REACH = 5.0
"""Letters farther off than so many bodies have no say."""
LARGE = 0.22
"""A letter whose height differs by more than this (logarithm) from its neighbours' is its own."""
OWN = 0.25
"""Share of a letter's own height in the corrected one."""
ROWS = 512


def steadied(found: Located) -> Located:
    """The same letters with heights and turns that agree with their neighbours'."""
    if len(found) < 3:
        return found
    anchors, height = found.anchors, found.body[:, 2]
    quarters = (found.body[:, 3] / 90).round().astype(int) % 4
    heights, turns = height.copy(), quarters.copy()
    for start in range(0, len(found), ROWS):
        rows = slice(start, min(start + ROWS, len(found)))
        near, heard = _neighbours(anchors, rows, height[rows])
        around = np.where(heard, np.log(height)[near], np.nan)
        usual = np.nanmedian(around, axis=1)
        own = np.log(height[rows])
        close = np.abs(own - usual) < LARGE
        heights[rows] = np.where(close, np.exp(OWN * own + (1 - OWN) * usual), height[rows])
        votes = np.stack([(heard & (quarters[near] == k)).sum(axis=1) for k in range(4)], axis=1)
        ahead = votes.max(axis=1) > votes[np.arange(len(votes)), quarters[rows]]
        turns[rows] = np.where(ahead, votes.argmax(axis=1), quarters[rows])
    return Located(_bodies(anchors, heights, 90.0 * turns), found.box, found.score, found.letters)


def _neighbours(anchors: Floats, rows: slice, height: Floats) -> tuple[np.ndarray, np.ndarray]:
    """(R, k) indices of the nearest letters, the letter itself first, and whether each is heard."""
    away = np.hypot(*(anchors[rows, None, :] - anchors[None, :, :]).transpose(2, 0, 1))
    count = min(NEAREST, len(anchors))
    near = np.argpartition(away, count - 1, axis=1)[:, :count]
    heard = np.take_along_axis(away, near, axis=1) <= REACH * height[:, None]
    return near, heard


def _bodies(anchors: Floats, heights: Floats, turns: Floats) -> Floats:
    """Bodies that keep their anchors: the ruled line follows the height."""
    angle = np.deg2rad(turns)
    down = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
    return np.column_stack([anchors - down * (heights[:, None] / 2), heights, turns])
