"""Height of each tag above its head, from the head's edge under it to its tip."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.measure import edges
from crownlet.infer.measure.ink import Length, LetterInk
from crownlet.infer.records import Bools, Floats

_LIMITS = limits_of("measure.crowns")

MIN_INK_ABOVE_HEAD_Q = _LIMITS.number("min_ink_above_head_q")
"""Ink less than this above the head, in q, is the head's own edge."""

LAMED_HEAD_BOTTOM_Q = _LIMITS.number("lamed_head_bottom_q")
"""Lamed's head stands higher than this, in q below the ruled line."""

MIN_TAG_HEIGHT_Q = _LIMITS.number("min_tag_height_q")
"""What rises less than this, in q, is no tag: the roots of tags are sunk by 0.1 q."""

MIN_TAG_MASK_MEAN = _LIMITS.number("min_tag_mask_mean")
"""Mean of the tag mask on a stroke above which it is a tag: 0.24 and more on tags, at most 0.16 on
other ink (1600 strokes by calibration hands)."""


def tag_heights(ink: LetterInk) -> list[Length]:
    """The height of every tag that is seen, in q, from the left."""
    top, strokes = strokes_above_head(ink)
    return [_tag_height(ink, stroke, top) for stroke in strokes]


def count_separate_strokes(strokes: list[Bools]) -> int:
    """Least number of tags in these strokes: tags that touch are separate in some row."""
    total = 0
    for stroke in strokes:
        edge = np.diff(stroke.astype(np.int8), axis=1, prepend=0) > 0
        total += int(edge.sum(axis=1).max())
    return total


def strokes_above_head(ink: LetterInk) -> tuple[Floats, list[Bools]]:
    """The edge of the head (w,) and, from the left, the strokes that stand on it."""
    top, known = edges.head_top_edge(ink)
    if not known.any():
        return top, []
    rows = np.arange(int(np.nanmax(top)) + 1)[:, None]
    above = ink.own_mask[: len(rows)] * (rows < top - MIN_INK_ABOVE_HEAD_Q * ink.scale).astype(
        np.uint8
    )
    count, labels, stats, centres = cv2.connectedComponentsWithStats(above, connectivity=8)
    high = [
        k for k in range(1, count) if stats[k, cv2.CC_STAT_HEIGHT] > MIN_TAG_HEIGHT_Q * ink.scale
    ]
    high.sort(key=lambda k: float(centres[k][0]))
    strokes = [np.asarray(labels == k) for k in high]
    return top, [stroke for stroke in strokes if _is_tag(ink, stroke)]


def _is_tag(ink: LetterInk, stroke: Bools) -> bool:
    if ink.letter == "ל":  # Its crown lies at the edge of the assessor's crop.
        return bool(stroke[: ink.row(LAMED_HEAD_BOTTOM_Q)].any())
    return float(ink.tag_mask[: len(stroke)][stroke].mean()) > MIN_TAG_MASK_MEAN


def _tag_height(ink: LetterInk, stroke: Bools, seat: Floats) -> Length:
    """From the head's edge under the stroke's root to its tip."""
    inked = stroke.view(np.uint8)
    columns, rows = cv2.findNonZero(inked).reshape(-1, 2).T
    root = columns[rows >= rows.max() - 1]
    foot = float(seat[root].mean())
    near = cv2.dilate(inked, np.ones((3, 3), np.uint8))
    top = edges.top_edges(ink.dark[: len(near)] * near)
    k = int(np.nanargmin(top))
    start, end = np.array([float(root.mean()) + 0.5, foot]), np.array([k + 0.5, float(top[k])])
    return Length("tag_height", "tag_missing", (foot - end[1]) / ink.scale, start, end)
