"""Where the frame of a picture may hide text: lines cut at their ends, columns cut above or below.

Letters that would stand outside the picture are not absent. A tight frame that leaves less than a
letter's room beside a line shows neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.layout.lines import Layout
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints, Located

_LIMITS = limits_of("layout.frame")

LETTER_ROOM_BODIES = _LIMITS.number("letter_room_bodies")
"""Room in bodies between the last letter and the frame in which another letter would show."""

WORD_ROOM_BODIES = _LIMITS.number("word_room_bodies")
"""The same where a word gap may come between."""

LINE_ROOM_BODIES = _LIMITS.number("line_room_bodies")
"""Bodies by which another line must lie inside the picture to show."""

USUAL_PITCH_BODIES = _LIMITS.number("usual_pitch_bodies")
"""Distance between lines, in bodies, where there is but one line (Orach Chayim 32:32)."""


@dataclass(frozen=True)
class HiddenText:
    """Where text may be hidden between the letters of a page in reading order."""

    before: bool
    """Before the first letter."""
    after: npt.NDArray[np.bool_]
    """(N,) after each letter; after the last one: whether text may be hidden below the page."""
    perhaps: npt.NDArray[np.bool_]
    """(N,) the same where the room up to the frame might be a word gap."""


def hidden_by_frame(
    found: Located, layout: Layout, size: tuple[int, int], frame: Floats | None = None
) -> HiddenText:
    """What the frame of an upright page of `size` (width, height) px may hide.

    `found` is in reading order. `frame` (4, 2) are the corners of the picture as given, where it
    was made straight. Lines written upside down begin at their left.
    """
    count = len(found)
    after = np.zeros(count, bool)
    if not count:
        return HiddenText(False, after, after)
    ends = np.flatnonzero(np.append(np.diff(layout.line) != 0, True))
    heads = np.concatenate([[0], ends[:-1] + 1])
    body = float(np.median(found.height))
    if frame is None:
        frame = np.array([[0.0, 0.0], [size[0], 0.0], [size[0], size[1]], [0.0, size[1]]])
    middle, half = found.anchors[:, 1], found.height / 2
    sides = np.array([_span(frame, middle + offset, 1) for offset in (-half, half)])
    left = np.minimum.reduceat(found.box[:, 0] - sides[:, 0].max(axis=0), heads)
    right = np.minimum.reduceat(sides[:, 1].min(axis=0) - found.box[:, 2], heads)
    over = found.upside_down[heads]
    left, right = np.where(over, right, left), np.where(over, left, right)
    above, below = _neighbour_lines_outside(found, layout, heads, ends, frame, body)
    turns = layout.column[ends[:-1]] != layout.column[heads[1:]]
    columns = turns & (below[:-1] | above[1:])
    perhaps = after.copy()
    for mask, room in ((after, LETTER_ROOM_BODIES * body), (perhaps, WORD_ROOM_BODIES * body)):
        mask[ends[:-1]] = (left[:-1] < room) | (right[1:] < room) | columns
        mask[-1] = left[-1] < room or below[-1]
    return HiddenText(bool(right[0] < WORD_ROOM_BODIES * body or above[0]), after, perhaps)


def _neighbour_lines_outside(
    found: Located, layout: Layout, heads: Ints, ends: Ints, frame: Floats, body: float
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """(L,) whether a line above, and one below, would lie, wholly or mostly, outside the picture.

    Measured where the line is farthest from the frame, so that a tilted page is not cut at once.
    """
    anchors = found.anchors[:, 1]
    middles = np.array([np.median(anchors[a : b + 1]) for a, b in zip(heads, ends, strict=True)])
    columns = layout.column[heads]
    steps = np.diff(middles)[columns[1:] == columns[:-1]]
    pitch = float(np.median(steps)) if len(steps) else USUAL_PITCH_BODIES * body
    pitch = pitch if pitch > 0 else USUAL_PITCH_BODIES * body
    high, low = _span(frame, found.anchors[:, 0], 0)
    room = pitch + LINE_ROOM_BODIES * body
    above = np.maximum.reduceat(anchors - high, heads) < room
    below = np.maximum.reduceat(low - anchors, heads) < room
    return above, below


def _span(frame: Floats, at: Floats, axis: int) -> Floats:
    """(2, N) where lines at x (`axis` 0) or y (1) enter and leave a convex frame (4, 2)."""
    first, last = np.full(len(at), np.inf), np.full(len(at), -np.inf)
    for a, b in zip(frame, np.roll(frame, -1, axis=0), strict=True):
        low, high = min(a[axis], b[axis]), max(a[axis], b[axis])
        if high == low:
            continue
        # Beyond the frame its nearest edge counts.
        part = (np.clip(at, frame[:, axis].min(), frame[:, axis].max()) - a[axis]) / (
            b[axis] - a[axis]
        )
        crosses = (part >= 0) & (part <= 1)
        place = a[1 - axis] + part * (b[1 - axis] - a[1 - axis])
        first = np.where(crosses, np.minimum(first, place), first)
        last = np.where(crosses, np.maximum(last, place), last)
    return np.stack([first, last])
