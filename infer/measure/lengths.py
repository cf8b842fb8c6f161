"""Lengths of legs, feet, heads, heels, points and tags of a letter.

A leg is measured under a roof from its underside, under a head from its top: a head slopes and is
rounded below, so that its end cannot be placed, and Mishnat Sofrim gives the final nun's four pens
with its head. A foot is compared with the other foot of its letter (gimel, Mishnat Sofrim), heads
with each other, and the roof of chet with the top of its right head. A tag rises from the edge of
the head under it to its tip.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.measure import edges
from crownlet.infer.measure.edges import head_top_edge
from crownlet.infer.measure.gaps import gap_between, hanging_leg, nearest_pixels
from crownlet.infer.measure.ink import (
    Length,
    LetterInk,
    horizontal_length,
    once_a_letter,
    vertical_length,
)
from crownlet.infer.records import Bools, Floats

_LIMITS = limits_of("measure.lengths")

MIN_POINT_COLUMNS = _LIMITS.whole("min_point_columns")
"""Columns of a yud's head in which its point can be measured."""

RIGHT_LEG_LETTERS, LEFT_LEG_LETTERS, HEADED_LETTERS = "דהךרף", "ת", "וזיןץ"
"""Letters whose leg stands at the right of a roof, at its left, or under a head."""

ROOF_UNDERSIDE_RANGE_Q = _LIMITS.span("roof_underside_range_q")
"""A roof's underside lies between these, in q below the ruled line; what is higher may be a tag
that leans out over its head."""


MIN_ROOF_COLUMNS = _LIMITS.whole("min_roof_columns")
"""Columns of the roof that show beside the leg, px."""

MIN_INK_ABOVE_HEAD_Q = _LIMITS.number("min_ink_above_head_q")
"""Ink less than this above the head, in q, is the head's own edge."""

LAMED_HEAD_BOTTOM_Q = _LIMITS.number("lamed_head_bottom_q")
"""Lamed's head stands higher than this, in q below the ruled line."""

MIN_TAG_HEIGHT_Q = _LIMITS.number("min_tag_height_q")
"""What rises less than this, in q, is no tag: the roots of tags are sunk by 0.1 q."""

MIN_TAG_MASK_MEAN = _LIMITS.number("min_tag_mask_mean")
"""Mean of the tag mask on a stroke above which it is a tag: 0.24 and more on tags, at most 0.16 on
other ink (1600 strokes by calibration hands)."""


def leg_lengths(ink: LetterInk) -> list[Length]:
    """Lengths of the legs that may be short or long, in q along the upright."""
    found = []
    leg = hanging_leg(ink)
    if ink.letter in RIGHT_LEG_LETTERS + LEFT_LEG_LETTERS + HEADED_LETTERS:
        others = tuple(piece for piece in ink.pieces if piece is not leg)
        found += _attached_leg_length(
            ink, edges.bottom_edges(ink.darkness_of(others) if leg else ink.own_dark)
        )
    if leg is not None:
        dark = ink.darkness_of((leg,))
        top, end = float(np.nanmin(edges.top_edges(dark))), edges.bottom_edges(dark)
        k = int(np.nanargmax(end))
        found.append(
            vertical_length("left_leg_length", "leg_short", k + 0.5, top, float(end[k]), ink.scale)
        )
    return found


def _attached_leg_length(ink: LetterInk, low: Floats) -> list[Length]:
    """A leg that hangs on its roof or head; `low` (w,) are the lower edges of the letter."""
    inked = np.flatnonzero(np.isfinite(low))
    middle = int((inked[0] + inked[-1]) / 2)
    if ink.letter in RIGHT_LEG_LETTERS:
        low[:middle] = np.nan
    elif ink.letter in LEFT_LEG_LETTERS:
        low[middle:] = np.nan
    if not np.isfinite(low).any():
        return []
    k = int(np.nanargmax(low))
    name = "length" if ink.letter in HEADED_LETTERS else "leg_length"
    start = _head_top(ink) if ink.letter in HEADED_LETTERS else _roof_underside(ink, k)
    if start is None:
        return []
    return [vertical_length(name, "leg_short", k + 0.5, start, float(low[k]), ink.scale)]


def _head_top(ink: LetterInk) -> float | None:
    """Level of the upper edge of the head, tags aside, in its middle."""
    top, known = head_top_edge(ink)
    return float(np.median(top[known])) if known.any() else None


def _roof_underside(ink: LetterInk, end: int) -> float | None:
    """Level at which the roof ends beside a leg that ends in column `end`, in the half next to it.

    The other half of a roof may be cut off aslant, and a drop hangs from it.
    """
    above, below = (ink.row(q) for q in ROOF_UNDERSIDE_RANGE_Q)
    if above >= below:
        return None
    under = above + edges.undersides(ink.main_dark[above : below + 1])
    columns = np.arange(len(under))
    beside = columns > end if ink.letter in LEFT_LEG_LETTERS else columns < end
    free = np.flatnonzero((under < below - 1.0) & beside)
    if len(free) < MIN_ROOF_COLUMNS:
        return None
    half = free[: len(free) // 2] if ink.letter in LEFT_LEG_LETTERS else free[len(free) // 2 :]
    return float(np.median(under[half]))


FEET_TOP_Q = _LIMITS.number("feet_top_q")
"""Feet lie lower than this, in q below the ruled line."""

RIGHT_FOOT_WIDTH_Q = _LIMITS.number("right_foot_width_q")
"""The right foot's end lies within this distance, in q, of the right edge of the feet."""

MIN_FEET_WIDTH_Q = _LIMITS.number("min_feet_width_q")

FEET_SEPARATION_Q = _LIMITS.number("feet_separation_q")
"""Ink between the two ends that belongs to neither, in q."""


def foot_drop(ink: LetterInk) -> list[Length]:
    """Height of the left foot's end above the right foot's, q; below 0 if the left is lower."""
    low = edges.bottom_edges(ink.own_dark)
    low[~(low > ink.row(FEET_TOP_Q))] = np.nan
    columns = np.flatnonzero(np.isfinite(low))
    if len(columns) < MIN_FEET_WIDTH_Q * ink.scale:
        return []
    right_start = columns[-1] - RIGHT_FOOT_WIDTH_Q * ink.scale
    right = columns[columns >= right_start]
    left = columns[columns < right_start - FEET_SEPARATION_Q * ink.scale]
    if not len(right) or not len(left):
        return []
    a, b = int(left[low[left].argmax()]), int(right[low[right].argmax()])
    x = a + 0.5
    return [
        Length(
            "foot_drop", "foot_level", float(low[b] - low[a]) / ink.scale,
            np.array([x, low[a]]), np.array([x, low[b]]),
        )
    ]  # fmt: skip


HEADS_OF_LETTER = {"ט": 2, "ע": 2, "צ": 2, "ץ": 2, "ש": 3}

HEADS_RANGE_Q = _LIMITS.span("heads_range_q")
"""Rows of the heads in q below the ruled line: tags stand above, limbs meet below."""

MIN_HEAD_AREA_SQUARE_Q = _LIMITS.number("min_head_area_square_q")
"""A head shows at least this much ink there, in square q."""


def head_gaps(ink: LetterInk) -> list[Length]:
    """The gap between each two neighbouring heads, q; one of 0 where heads are missing."""
    top, foot = ink.row(HEADS_RANGE_Q[0]), ink.row(HEADS_RANGE_Q[1])
    zone = np.zeros_like(ink.own_mask)
    zone[top:foot] = ink.own_mask[top:foot]
    count, labels, stats, centres = cv2.connectedComponentsWithStats(zone, connectivity=8)
    heads = [
        k
        for k in range(1, count)
        if stats[k, cv2.CC_STAT_AREA] > MIN_HEAD_AREA_SQUARE_Q * ink.scale**2
    ]
    heads.sort(key=lambda k: float(centres[k][0]))
    found = []
    for a, b in pairwise(heads):
        near, far = nearest_pixels((labels == a).astype(np.uint8), (labels == b).astype(np.uint8))
        found.append(gap_between(ink, "head_gap", "heads_touch", near, far))
    if len(heads) < HEADS_OF_LETTER[ink.letter] and heads:
        widest = max(heads, key=lambda k: int(stats[k, cv2.CC_STAT_WIDTH]))
        x, y, width, height = (int(v) for v in stats[widest][:4])
        point = np.array([x + width / 2, y + height / 2])
        found.append(Length("head_gap", "heads_touch", 0.0, point, point))
    return found


HEEL_RANGES_Q = _LIMITS.spans_by_name("heel_ranges_q")
"""By letter, rows in q below the ruled line: those of the heel, and of the limb it stands out
from."""


def heel_length(ink: LetterInk) -> list[Length]:
    """Length of the heel to the right of wall or leg, q (Mishnat Sofrim: bet, dalet)."""
    zone, limb = HEEL_RANGES_Q[ink.letter]
    right = edges.right_edges(ink.main_dark)
    out, beside = (right[ink.row(a) : ink.row(b)] for a, b in (zone, limb))
    if not np.isfinite(out).any() or not np.isfinite(beside).any():
        return []
    k = int(np.nanargmax(out))
    edge = float(np.nanmedian(beside))
    y = ink.row(zone[0]) + k + 0.5
    return [horizontal_length("heel", "heel_missing", y, edge, float(out[k]), ink.scale)]


def kotz_length(ink: LetterInk) -> list[Length]:
    """Length of the lower left point of the yud below its head's underside, q.

    It is the deepest fall of the lower edge's level on the way from the left to the leg's end.
    """
    low = edges.bottom_edges(ink.main_dark)
    inked = np.flatnonzero(np.isfinite(low))
    low = low[inked[0] : int(np.nanargmax(low)) + 1]
    if len(low) < MIN_POINT_COLUMNS:
        return []
    low = np.where(np.isfinite(low), low, low[0])
    after = int((np.maximum.accumulate(low) - low).argmax())
    tip = int(low[: after + 1].argmax())
    x = inked[0] + tip + 0.5
    return [
        vertical_length("kotz", "kotz_missing", x, float(low[after]), float(low[tip]), ink.scale)
    ]


HUMP_WIDTH_SHARES, RIGHT_HEAD_WIDTH_SHARES = (
    _LIMITS.span("hump_width_shares"),
    _LIMITS.span("right_head_width_shares"),
)
"""Shares of a chet's width, from its left: where a hump rises, and its right head's top."""


def roof_end(ink: LetterInk) -> list[Length]:
    """Distance from the top of a chet's right head down to its roof's underside in the middle, q.

    Under a hump the space rises to the height of the heads; a flat roof lies there at its full
    thickness. Half of the columns decide, so that a tag that stands there does not.
    """
    top, under = edges.top_edges(ink.main_dark), edges.undersides(ink.main_dark)
    inked = np.flatnonzero(np.isfinite(top))
    if len(inked) < ink.scale:
        return []
    first, width = int(inked[0]), int(inked[-1] - inked[0]) + 1
    middle, right = (
        row[first + int(low * width) : first + int(high * width)]
        for row, (low, high) in ((under, HUMP_WIDTH_SHARES), (top, RIGHT_HEAD_WIDTH_SHARES))
    )
    if not (np.isfinite(middle).any() and np.isfinite(right).any()):
        return []
    level, end = float(np.nanmedian(right)), float(np.nanmedian(middle))
    x = first + 0.5 * (HUMP_WIDTH_SHARES[0] + HUMP_WIDTH_SHARES[1]) * width
    return [vertical_length("roof_end", "custom_form", x, level, end, ink.scale)]


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


@once_a_letter
def strokes_above_head(ink: LetterInk) -> tuple[Floats, list[Bools]]:
    """The edge of the head (w,) and, from the left, the strokes that stand on it."""
    top, known = head_top_edge(ink)
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
    # The stroke and the pixels beside it: a few columns of the letter's many.
    first, last = max(0, int(columns.min()) - 1), int(columns.max()) + 2
    near = cv2.dilate(inked[:, first:last], np.ones((3, 3), np.uint8))
    top = edges.top_edges(ink.dark[: len(near), first:last] * near)
    tip = int(np.nanargmin(top))
    k = first + tip
    start, end = np.array([float(root.mean()) + 0.5, foot]), np.array([k + 0.5, float(top[tip])])
    return Length("tag_height", "tag_missing", (foot - end[1]) / ink.scale, start, end)
