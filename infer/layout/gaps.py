"""Widths of the gaps between neighbours on the ink, all pairs of a page together.

A gap is the horizontal distance between the ink of two bodies between ruled line and base line;
crowns, lamed's neck and long legs do not count (they would close gaps that every reader sees).

The window of a pair goes from the middle of the one letter to that of the other, over the rows that
both bodies share. Letters of other lines that reach into it and specks do not count as ink. Windows
stand side by side on one canvas, a column between two of them, so that NumPy and OpenCV are called
once for many pairs: called pair by pair they take longer to call than to work.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.image.crops import FittedPage
from crownlet.infer.layout.lines import Layout
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints, Located

_LIMITS = limits_of("layout.gaps")

DARK_AND_SKIN_QUANTILES = _LIMITS.span("dark_and_skin_quantiles")
"""Quantiles of the greys that stand for ink and skin."""

MIN_OTHER_LINE_OFFSET_BODIES = _LIMITS.number("min_other_line_offset_bodies")
"""Distance across the writing from which a letter is of another line."""

INK_LEVEL = _LIMITS.whole("ink_level")
"""Grey below which a pixel of the flattened page is ink; pale ink has a level of its own."""

PALE_INK_LEVEL = _LIMITS.whole("pale_ink_level")
"""Ink whose darkest tenth is paler than this has its level half way to the skin beside it."""

MAX_SPECK_AREA_Q2 = _LIMITS.number("max_speck_area_q2")
"""Area in square q below which a dark spot between two letters is none of their ink."""

EDGE_SLACK_BODIES = _LIMITS.number("edge_slack_bodies")
"""Room beside the edges of both boxes, in bodies, in which the gap is looked for."""

YUD_WIDTH_RANGE_Q = _LIMITS.span("yud_width_range_q")
"""Widths in q between which the head of a yud is counted."""

BODY_ZONE_BODIES = _LIMITS.span("body_zone_bodies")
"""Rows that are measured, in bodies below the ruled line: the blur of the base line is left out."""

YUD_HEAD_ZONE_BODIES = _LIMITS.span("yud_head_zone_bodies")
"""Rows of a yud's head, in bodies below the ruled line."""

DEFAULT_YUD_WIDTH_Q = _LIMITS.number("default_yud_width_q")
"""Width of a yud in q where a page shows none."""

MAX_CANVAS_PX = 400_000
"""Pixels of a canvas, unless one window has more: memory stays bounded."""

Grey = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Gaps:
    """Widths of the gaps of P pairs of neighbours, each (P,); below 0 where letters overlap."""

    width_px: Floats
    width_q: Floats
    """In the mean q of the two letters."""
    yud_q: float
    """Width in q of this page's yud: the median of its yuds."""


@dataclass(frozen=True)
class GapWindows:
    """Windows of P pairs, side by side; the arrays are (P,) each."""

    canvas: Grey
    """(H, W) windows below the same upper edge, 255 beyond them."""
    first: Ints
    """First column of each window."""
    width: Ints
    height: Ints
    level: Floats
    """Grey below which a pixel of the window is ink."""
    body: Floats
    """Body height of the right letter, px."""


def measure_gaps(fitted: FittedPage, found: Located, layout: Layout, letters: str) -> Gaps:
    """Gaps of all neighbours on a flattened upright page; `letters` as recognised, in order.

    `found` is in px of the page as it was before it was fitted, and so are the widths.
    """
    if not len(found):
        return Gaps(np.zeros(0), np.zeros(0), DEFAULT_YUD_WIDTH_Q)
    page, scale = fitted
    placed = found.scaled(scale).take(layout.order)
    pairs = np.array(layout.pairs(), np.int64).reshape(-1, 2)
    back = placed.centre[pairs[:, 1], 0] > placed.centre[pairs[:, 0], 0]
    pairs[back] = pairs[back, ::-1]  # Upside-down lines run from left to right.
    zones = _zone_rows(page, placed, pairs, BODY_ZONE_BODIES)
    px = measure_gap_widths(page, placed, pairs, zones) / scale
    q = found.height[layout.order][pairs].sum(axis=1) / 6
    return Gaps(px, px / np.maximum(q, 1e-9), yud_width(fitted, found, layout, letters))


def yud_width(fitted: FittedPage, found: Located, layout: Layout, letters: str) -> float:
    """Width in q of the page's yud, the median of the heads of its yuds; as in `measure_gaps`."""
    page, scale = fitted
    placed = found.scaled(scale).take(layout.order)
    yuds = np.flatnonzero(np.array(list(letters)) == "י")
    heads = np.column_stack([yuds, _zone_rows(page, placed, yuds[:, None], YUD_HEAD_ZONE_BODIES)])
    head_widths = [_head_width(page, placed, *place) for place in heads.tolist()]
    usual = [w for w in head_widths if YUD_WIDTH_RANGE_Q[0] < w < YUD_WIDTH_RANGE_Q[1]]
    return float(np.median(usual)) if usual else DEFAULT_YUD_WIDTH_Q


def measure_gap_widths(page: Grey, placed: Located, pairs: Ints, zones: Ints) -> Floats:
    """(P,) widths in px of the gaps of `pairs` (P, 2), right and left, in rows `zones` (P, 2).

    Below 0 where one letter reaches over the other. `placed` are all letters of the page (H, W).
    """
    right, left = pairs.T
    low, high = placed.box[left, 2], placed.box[right, 0]
    x0 = np.maximum(0, placed.centre[left, 0].astype(np.int64))
    x1 = np.minimum(page.shape[1], np.ceil(placed.centre[right, 0]).astype(np.int64) + 1)
    widths: Floats = high - low
    shown = np.flatnonzero(x1 - x0 >= 2)
    frames = np.column_stack([x0, zones[:, 0], x1, zones[:, 1]])
    others = _letters_of_other_lines(placed, right, frames)
    for rows in _batches(shown, frames):
        windows = _cut_windows(page, placed, pairs, frames, rows, others)
        ink = _darkest_of_columns(windows)
        widths[rows] = _widest_gaps(windows, ink, low[rows], high[rows], x0[rows])
    return widths


def ink_threshold(window: Grey) -> float:
    """Grey below which a pixel of these letters is ink: where ink is pale, half way to its skin."""
    if not window.size:
        return INK_LEVEL
    return float(_ink_thresholds(_count_greys(window)[None])[0])


def _zone_rows(page: Grey, placed: Located, letters: Ints, zone: tuple[float, float]) -> Ints:
    """(P, 2) rows of a zone, in bodies below the ruled line, that `letters` (P, K) share."""
    ruled = placed.centre[letters, 1].mean(axis=1)
    height = placed.height[letters].mean(axis=1)
    down = np.where(placed.upside_down[letters[:, 0]], -1.0, 1.0)
    edges = np.sort(ruled[:, None] + np.outer(down, zone) * height[:, None], axis=1)
    rows: Ints = np.clip(edges, 0, page.shape[0] - 1).astype(np.int64)
    rows[:, 1] = np.maximum(rows[:, 0] + 1, rows[:, 1])
    return rows


def _head_width(page: Grey, placed: Located, i: int, y0: int, y1: int) -> float:
    """Width in q of the ink of letter `i` in rows `y0` to `y1`."""
    x0, x1 = max(0, int(placed.box[i, 0])), int(np.ceil(placed.box[i, 2]))
    zone = page[y0:y1, x0:x1]
    if not zone.size:
        return 0.0
    columns = np.flatnonzero((zone < ink_threshold(zone)).any(axis=0))
    width = float(columns[-1] - columns[0] + 1) if len(columns) else 0.0
    return width / float(placed.height[i]) * 3


def _batches(rows: Ints, frames: Ints) -> Iterator[Ints]:
    """Parts of the rows whose windows fill a canvas each."""
    if not len(rows):
        return
    tallest = (frames[rows, 3] - frames[rows, 1]).max()
    filled = np.cumsum((frames[rows, 2] - frames[rows, 0] + 1) * tallest) // MAX_CANVAS_PX
    yield from np.split(rows, np.flatnonzero(np.diff(filled)) + 1)


def _letters_of_other_lines(placed: Located, right: Ints, frames: Ints) -> dict[int, list[int]]:
    """By pair, the letters of other lines that reach into its window.

    `frames` (P, 4) are x0, y0, x1, y1 of the windows.
    """
    box = placed.box
    by_top = np.argsort(box[:, 1], kind="stable")
    tops, tallest = box[by_top, 1], float((box[:, 3] - box[:, 1]).max(initial=0.0))
    start = np.searchsorted(tops, frames[:, 1] - tallest, side="left")
    count = np.searchsorted(tops, frames[:, 3], side="left") - start
    pair = np.repeat(np.arange(len(frames)), count)
    begin = np.cumsum(count) - count
    letter = by_top[np.arange(len(pair)) - np.repeat(begin - start, count)]
    x0, y0, x1, y1 = frames[pair].T
    near = (box[letter, 0] < x1) & (box[letter, 2] > x0)
    near &= (box[letter, 1] < y1) & (box[letter, 3] > y0)
    away = np.abs(placed.centre[letter, 1] - placed.centre[right[pair], 1])
    near &= away > MIN_OTHER_LINE_OFFSET_BODIES * placed.height[right[pair]]
    others: dict[int, list[int]] = {}
    for k, i in zip(pair[near].tolist(), letter[near].tolist(), strict=True):
        others.setdefault(k, []).append(i)
    return others


def _cut_windows(
    page: Grey,
    placed: Located,
    pairs: Ints,
    frames: Ints,
    rows: Ints,
    others: dict[int, list[int]],
) -> GapWindows:
    """The windows of the pairs `rows`, on a canvas."""
    width, height = frames[rows, 2] - frames[rows, 0], frames[rows, 3] - frames[rows, 1]
    first = np.cumsum(width + 1) - width - 1
    canvas = np.full((int(height.max()), int(width.sum()) + len(rows)), 255, np.uint8)
    for pair, column, (x0, y0, x1, y1) in zip(
        rows.tolist(), first.tolist(), frames[rows].tolist(), strict=True
    ):
        window = page[y0:y1, x0:x1]
        if pair in others:
            window = _mask_letters(window, (x0, y0), placed.box, others[pair], pairs[pair].tolist())
        canvas[: y1 - y0, column : column + x1 - x0] = window
    level = _ink_levels(canvas, first, width, height)
    return GapWindows(canvas, first, width, height, level, placed.height[pairs[rows, 0]])


def _mask_letters(
    window: Grey, corner: tuple[int, int], box: Floats, others: list[int], own: list[int]
) -> Grey:
    """The window of two neighbours without letters of other lines that reach between them.

    Lamed's head and the legs of finals stand in the zone of their neighbours' bodies; readers
    do not take them for the ink of those.
    """
    foreign = np.zeros(window.shape, np.bool_)
    cleared = window.copy()
    x0, y0 = corner
    for i, value in [(i, True) for i in others] + [(i, False) for i in own]:
        a, b = np.clip(np.round(box[i, [0, 2]]).astype(int) - x0 + (-1, 1), 0, window.shape[1])
        c, d = np.clip(np.round(box[i, [1, 3]]).astype(int) - y0 + (-1, 1), 0, window.shape[0])
        foreign[c:d, a:b] = value
    cleared[foreign] = 255
    return cleared


def _ink_levels(canvas: Grey, first: Ints, width: Ints, height: Ints) -> Floats:
    """(P,) `ink_threshold` of each window of a canvas."""
    dark = np.add.reduceat(np.count_nonzero(canvas <= PALE_INK_LEVEL, axis=0), first)
    # With more dark pixels than the quantile needs the ink is not pale, whatever its greys.
    needed = (width * height - 1) * DARK_AND_SKIN_QUANTILES[0] + 1
    level = np.full(len(first), float(INK_LEVEL))
    for k in np.flatnonzero(dark <= needed).tolist():
        level[k] = ink_threshold(canvas[: height[k], first[k] : first[k] + width[k]])
    return level


def _count_greys(window: Grey) -> Ints:
    """(256,) pixels of each grey."""
    return cv2.calcHist([window], [0], None, [256], [0, 256]).ravel().astype(np.int64)


def _ink_thresholds(counts: Ints) -> Floats:
    """`ink_threshold` of windows by the counts (P, 256) of their greys, to the last bit of
    `np.quantile`."""
    ranked = counts.cumsum(axis=1)
    last = ranked[:, -1] - 1

    def grey_at(rank: Ints) -> Floats:
        return np.asarray(np.count_nonzero(ranked <= rank[:, None], axis=1), np.float64)

    found = []
    for share in DARK_AND_SKIN_QUANTILES:
        k, far = np.divmod(last * share, 1.0)
        at = k.astype(np.int64)
        low, high = grey_at(at), grey_at(np.minimum(at + 1, last))
        rise = high - low
        found.append(np.where(far < 0.5, low + rise * far, high - rise * (1 - far)))
    dark, skin = found
    level = np.where(dark > PALE_INK_LEVEL, np.maximum(INK_LEVEL, (dark + skin) / 2), INK_LEVEL)
    return np.asarray(level, np.float64)


def _darkest_of_columns(windows: GapWindows) -> Grey:
    """(W,) darkest grey of each column of the canvas, without dark spots too small for a stroke:
    pores of the skin, dust."""
    canvas, columns = windows.canvas, windows.width + 1
    pair = np.repeat(np.arange(len(columns)), columns)
    # Greys are whole: compared with whole levels they need no conversion.
    dark = canvas < np.ceil(windows.level).astype(np.uint8)[pair]
    labels = cv2.connectedComponents(dark.view(np.uint8))[1]
    area = np.bincount(labels.ravel())
    most = MAX_SPECK_AREA_Q2 * (windows.body / 3) ** 2
    # Bare skin is a spot like others where a window shows hardly any.
    inked = np.add.reduceat(np.count_nonzero(dark, axis=0), windows.first)
    bare = windows.width * windows.height - inked
    small = area < most.max()
    small[0] = False
    spots = np.flatnonzero(small.take(labels)) if small.any() else np.zeros(0, np.int64)
    spots = spots[area[labels.ravel()[spots]] < most[pair[spots % canvas.shape[1]]]]
    canvas.ravel()[spots] = 255
    darkest: Grey = canvas.min(axis=0)
    for k in np.flatnonzero((bare < most) & (inked > 0)).tolist():
        shown = slice(windows.first[k], windows.first[k] + windows.width[k])
        window = canvas[: windows.height[k], shown]
        darkest[shown] = np.where(dark[: windows.height[k], shown], window, 255).min(axis=0)
    return darkest


def _widest_gaps(windows: GapWindows, ink: Grey, low: Floats, high: Floats, x0: Ints) -> Floats:
    """(P,) length of the widest run of bare columns between two letters, its ends placed between
    columns by their grey values; `low`, `high` are the edges of both boxes and `x0` the windows'
    first columns, px of the page."""
    last = windows.first + windows.width
    pair = np.repeat(np.arange(len(last)), windows.width + 1)
    bare = ink >= windows.level[pair]
    bare[last] = False  # The column between two windows.
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bare]).astype(np.int8), append=0))
    start, stop = edges.reshape(-1, 2).T
    of = pair[start]
    slack = EDGE_SLACK_BODIES * windows.body
    a, b = np.minimum(low, high) - slack - x0, np.maximum(low, high) + slack - x0
    # Skin inside a letter (the window of he, between lamed's arms) does not reach the box's edge.
    near = (stop - windows.first[of] > a[of]) & (start - windows.first[of] < b[of])
    start, stop, of = start[near], stop[near], of[near]
    order = np.lexsort((start, start - stop, of))
    seen, best = np.unique(of[order], return_index=True)
    start, stop = start[order[best]], stop[order[best]]
    length = (stop - start).astype(np.float64)
    level = windows.level[seen]
    for inside, outside, within in (
        (start, start - 1, start > windows.first[seen]),
        (stop - 1, stop, stop < last[seen]),
    ):
        pale = ink[inside].astype(np.float64)
        dark = ink[np.where(within, outside, inside)].astype(np.float64)
        length += np.where(within, (pale - level) / np.maximum(pale - dark, 1.0) - 0.5, 0.0)
    widths = np.minimum(high - low, 0.0)
    widths[seen] = length
    return np.asarray(widths)
