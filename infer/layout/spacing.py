"""Gaps between neighbours: their width, measured on the ink, and the usual spacing of a line.

A gap is the horizontal distance between the ink of two bodies between ruled line and base line;
crowns, lamed's neck and long legs do not count (they would close gaps that every reader sees).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.image import crops
from crownlet.infer.layout.lines import Layout
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints, Located

_LIMITS = limits_of("layout.spacing")

LETTER_GAP_PERCENTILE = _LIMITS.whole("letter_gap_percentile")
"""Percentile of all gaps from which the search for the usual letter gap starts."""

MAX_SPACING_ROUNDS = _LIMITS.whole("max_spacing_rounds")
"""Rounds of that search."""

WORD_GAP_RANGE_YUDS = _LIMITS.span("word_gap_range_yuds")
"""Usual word gap beyond the usual letter gap, in yuds."""

DARK_AND_SKIN_QUANTILES = _LIMITS.span("dark_and_skin_quantiles")
"""Quantiles of the greys that stand for ink and skin."""

YUD_WIDTH_RANGE_Q = _LIMITS.span("yud_width_range_q")
"""Widths in q between which the head of a yud is counted."""

MIN_OTHER_LINE_OFFSET_BODIES = _LIMITS.number("min_other_line_offset_bodies")
"""Distance across the writing from which a letter is of another line."""

MIN_GAPS_FOR_SPACING = _LIMITS.whole("min_gaps_for_spacing")
"""Gaps from which a page's usual letter and word gap are known."""

DEFAULT_LETTER_GAP_Q = _LIMITS.number("default_letter_gap_q")
"""Letter gap of a page with fewer gaps."""

INK_LEVEL = _LIMITS.whole("ink_level")
"""Grey below which a pixel of the flattened page is ink; pale ink has a level of its own."""

PALE_INK_LEVEL = _LIMITS.whole("pale_ink_level")
"""Ink whose darkest tenth is paler than this has its level half way to the skin beside it."""

MAX_SPECK_AREA_Q2 = _LIMITS.number("max_speck_area_q2")
"""Area in square q below which a dark spot between two letters is none of their ink."""

BODY_ZONE_BODIES = _LIMITS.span("body_zone_bodies")
"""Rows that are measured, in bodies below the ruled line: the blur of the base line is left out."""

YUD_HEAD_ZONE_BODIES = _LIMITS.span("yud_head_zone_bodies")
"""Rows of a yud's head, in bodies below the ruled line."""

DEFAULT_YUD_WIDTH_Q = _LIMITS.number("default_yud_width_q")
"""Width of a yud in q where a page shows none."""


@dataclass(frozen=True)
class Gaps:
    """Widths of the gaps of P pairs of neighbours, each (P,); below 0 where letters overlap."""

    width_px: Floats
    width_q: Floats
    """In the mean q of the two letters."""
    yud_q: float
    """Width in q of this page's yud: the median of its yuds."""


@dataclass(frozen=True)
class LineSpacing:
    """How a line is spaced: usual letter gap, word gap and border between them; each (P,), q."""

    letter: Floats
    word: Floats
    border: Floats


def measure_gaps(fitted: crops.FittedPage, found: Located, layout: Layout, letters: str) -> Gaps:
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
    places, rows = np.hstack([pairs, zones]).tolist(), LettersByRow(placed.box)
    widths = [_gap_width(page, placed, rows, *place) for place in places]
    px = np.array(widths) / scale
    q = found.height[layout.order][pairs].sum(axis=1) / 6
    return Gaps(px, px / np.maximum(q, 1e-9), yud_width(fitted, found, layout, letters))


def yud_width(fitted: crops.FittedPage, found: Located, layout: Layout, letters: str) -> float:
    """Width in q of the page's yud, the median of the heads of its yuds; as in `measure_gaps`."""
    page, scale = fitted
    placed = found.scaled(scale).take(layout.order)
    yuds = np.flatnonzero(np.array(list(letters)) == "י")
    heads = np.column_stack([yuds, _zone_rows(page, placed, yuds[:, None], YUD_HEAD_ZONE_BODIES)])
    head_widths = [_head_width(page, placed, *place) for place in heads.tolist()]
    usual = [w for w in head_widths if YUD_WIDTH_RANGE_Q[0] < w < YUD_WIDTH_RANGE_Q[1]]
    return float(np.median(usual)) if usual else DEFAULT_YUD_WIDTH_Q


def line_spacing(gaps: Gaps, line: npt.NDArray[np.int64]) -> LineSpacing:
    """Spacing at each pair, from the line it stands in, `line` (P,), and the page around it."""
    letter, word = _letter_and_word_gap(gaps.width_q, gaps.yud_q)
    letters, words = np.full(len(gaps.width_q), letter), np.full(len(gaps.width_q), word)
    for number in np.unique(line):
        rows = line == number
        q = gaps.width_q[rows]
        border = letter + 0.5 * (word - letter)
        near, far = q[q < border], q[q >= border]
        # A line has few gaps: its own medians count as much as its gaps are many.
        letters[rows] = _shrink_to_prior(near, letter, 6.0)
        words[rows] = _shrink_to_prior(far, word, 4.0)
    words = np.maximum(words, letters + 0.35 * gaps.yud_q)
    return LineSpacing(letters, words, letters + 0.5 * (words - letters))


class LettersByRow:
    """Letters by the rows of the page in which they stand, so that none looks at all others."""

    def __init__(self, box: Floats) -> None:
        """`box` (N, 4) as in `Located`."""
        self._by_top = np.argsort(box[:, 1], kind="stable")
        self._tops = box[self._by_top, 1]
        self._tallest = float((box[:, 3] - box[:, 1]).max(initial=0.0))

    def between(self, top: float, bottom: float) -> Ints:
        """Letters of which a part may stand between two rows, from top to bottom."""
        first = np.searchsorted(self._tops, top - self._tallest, side="left")
        return self._by_top[first : np.searchsorted(self._tops, bottom, side="left")]


def mask_other_lines(
    window: npt.NDArray[np.uint8],
    frame: tuple[int, int, int, int],
    placed: Located,
    rows: LettersByRow,
    right: int,
    left: int,
) -> npt.NDArray[np.uint8]:
    """The window of two neighbours without letters of other lines that reach between them.

    Lamed's head and the legs of finals stand in the zone of their neighbours' bodies; readers
    do not take them for the ink of those. `frame` is the window's x0, y0, x1, y1 on the page.
    """
    x0, y0, x1, y1 = frame
    box, found = placed.box, rows.between(y0, y1)
    near = (box[found, 0] < x1) & (box[found, 2] > x0)
    near &= (box[found, 1] < y1) & (box[found, 3] > y0)
    away = (
        np.abs(placed.centre[found, 1] - placed.centre[right, 1])
        > MIN_OTHER_LINE_OFFSET_BODIES * (placed.height[right])
    )
    others = found[near & away]
    if not len(others):
        return window
    foreign = np.zeros(window.shape, np.bool_)
    cleared = window.copy()
    for i, value in [(int(i), True) for i in others] + [(right, False), (left, False)]:
        a, b = np.clip(np.round(box[i, [0, 2]]).astype(int) - x0 + (-1, 1), 0, window.shape[1])
        c, d = np.clip(np.round(box[i, [1, 3]]).astype(int) - y0 + (-1, 1), 0, window.shape[0])
        foreign[c:d, a:b] = value
    cleared[foreign] = 255
    return cleared


def remove_specks(window: npt.NDArray[np.uint8], level: float, q: float) -> npt.NDArray[np.uint8]:
    """The window without dark spots too small for a stroke: pores of the skin, dust."""
    dark = (window < level).astype(np.uint8)
    spots = cv2.connectedComponents(dark)[1]
    small = np.bincount(spots.ravel()) < MAX_SPECK_AREA_Q2 * q**2
    return np.where(small[spots], 255, window) if len(small) > 1 and small.any() else window


def ink_threshold(window: npt.NDArray[np.uint8]) -> float:
    """Grey below which a pixel of these letters is ink: where ink is pale, half way to its skin."""
    greys = np.sort(window, axis=None, kind="stable")  # Counting sort: six times as quick.
    dark, skin = (
        (_quantile_of_sorted(greys, share) for share in DARK_AND_SKIN_QUANTILES)
        if len(greys)
        else (0.0, 0.0)
    )
    return max(INK_LEVEL, (dark + skin) / 2) if dark > PALE_INK_LEVEL else INK_LEVEL


def _quantile_of_sorted(ordered: npt.NDArray[np.uint8], share: float) -> float:
    """`np.quantile` of greys in order, to the last bit."""
    k, far = divmod((len(ordered) - 1) * share, 1.0)
    low, high = float(ordered[int(k)]), float(ordered[min(int(k) + 1, len(ordered) - 1)])
    return low + (high - low) * far if far < 0.5 else high - (high - low) * (1 - far)


def _zone_rows(
    page: npt.NDArray[np.uint8], placed: Located, letters: Ints, zone: tuple[float, float]
) -> Ints:
    """(P, 2) rows of a zone, in bodies below the ruled line, that `letters` (P, K) share."""
    ruled = placed.centre[letters, 1].mean(axis=1)
    height = placed.height[letters].mean(axis=1)
    down = np.where(placed.upside_down[letters[:, 0]], -1.0, 1.0)
    edges = np.sort(ruled[:, None] + np.outer(down, zone) * height[:, None], axis=1)
    rows: Ints = np.clip(edges, 0, page.shape[0] - 1).astype(np.int64)
    rows[:, 1] = np.maximum(rows[:, 0] + 1, rows[:, 1])
    return rows


def _gap_width(
    page: npt.NDArray[np.uint8],
    placed: Located,
    rows: LettersByRow,
    right: int,
    left: int,
    y0: int,
    y1: int,
) -> float:
    """Width in px of the gap between two neighbours in rows `y0` to `y1`.

    Below 0 where one letter reaches over the other.
    """
    low, high = float(placed.box[left, 2]), float(placed.box[right, 0])
    start, stop = float(placed.centre[left, 0]), float(placed.centre[right, 0])
    x0, x1 = max(0, int(start)), min(page.shape[1], int(np.ceil(stop)) + 1)
    if x1 - x0 < 2:
        return high - low
    window = mask_other_lines(page[y0:y1, x0:x1], (x0, y0, x1, y1), placed, rows, right, left)
    level = ink_threshold(window)
    ink = remove_specks(window, level, float(placed.height[right]) / 3).min(axis=0)
    bare = ink >= level
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bare, [False]]).astype(np.int8)))
    runs = edges.reshape(-1, 2)
    slack = 0.12 * float(placed.height[right])
    a, b = min(low, high) - slack - x0, max(low, high) + slack - x0
    # Skin inside a letter (the window of he, between lamed's arms) does not reach the box's edge.
    near = runs[(runs[:, 1] > a) & (runs[:, 0] < b)]
    if not len(near):
        return min(high - low, 0.0)
    from_ink, to_ink = near[np.argmax(near[:, 1] - near[:, 0])]
    return _subpixel_length(ink, int(from_ink), int(to_ink), level)


def _subpixel_length(ink: npt.NDArray[np.uint8], start: int, stop: int, level: float) -> float:
    """Length of a run of bare columns, its ends placed between columns by their grey values."""
    length = float(stop - start)
    for inside, outside in ((start, start - 1), (stop - 1, stop)):
        if 0 <= outside < len(ink):
            pale, dark = float(ink[inside]), float(ink[outside])
            length += (pale - level) / max(pale - dark, 1.0) - 0.5
    return length


def _head_width(page: npt.NDArray[np.uint8], placed: Located, i: int, y0: int, y1: int) -> float:
    """Width in q of the ink of letter `i` in rows `y0` to `y1`."""
    x0, x1 = max(0, int(placed.box[i, 0])), int(np.ceil(placed.box[i, 2]))
    zone = page[y0:y1, x0:x1]
    if not zone.size:
        return 0.0
    columns = np.flatnonzero((zone < ink_threshold(zone)).any(axis=0))
    width = float(columns[-1] - columns[0] + 1) if len(columns) else 0.0
    return width / float(placed.height[i]) * 3


def _shrink_to_prior(values: Floats, prior: float, weight: float) -> float:
    """Median of the values, drawn to `prior` as if `weight` more values lay there."""
    own = float(np.median(values)) if len(values) else prior
    return (own * len(values) + prior * weight) / (len(values) + weight)


def _letter_and_word_gap(q: Floats, yud: float) -> tuple[float, float]:
    """Usual letter gap and usual word gap of a page in q: medians either side of a border."""
    if len(q) < MIN_GAPS_FOR_SPACING:
        return DEFAULT_LETTER_GAP_Q, DEFAULT_LETTER_GAP_Q + yud
    least, most = WORD_GAP_RANGE_YUDS
    letter = float(np.percentile(q, LETTER_GAP_PERCENTILE))
    word = letter + yud
    for _ in range(MAX_SPACING_ROUNDS):
        border = letter + 0.5 * (word - letter)
        near, far = q[q < border], q[q >= border]
        fresh = float(np.median(near)) if len(near) else letter
        wide = float(np.median(far)) if len(far) >= 2 else fresh + yud
        wide = float(np.clip(wide, fresh + least * yud, fresh + most * yud))
        if abs(fresh - letter) + abs(wide - word) < 1e-4:
            break
        letter, word = fresh, wide
    return letter, word
