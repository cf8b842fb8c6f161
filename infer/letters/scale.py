"""How high are the letters of this page, and which way up do they stand?

A first guess comes from the width of the pen strokes; then the locator runs on a window full of
writing, and the scale is corrected by its own answer of height and rotation until the two agree.
At that size all letters of the upright page are located.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.image.upright import grey_percentile, rotate_letters_back
from crownlet.infer.layout.lines import page_slope
from crownlet.infer.letters.locator import locate, resize, smooth_neighbours
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import LOCATOR_BODY_PX, Networks
from crownlet.infer.records import Located

_LIMITS = limits_of("letters.scale")

MIN_BODY_PX = _LIMITS.whole("min_body_px")
"""Least body height in px at which defects are judged: below it a kulmus is under six pixels."""

MIN_READ_BODY_PX = _LIMITS.whole("min_read_body_px")
"""Least body height in px at which letters are read: below it they run together."""

MIN_MEASURED_BODY_PX = _LIMITS.number("min_measured_body_px")
"""Measured body height below which a page is only read; 17 px is promised, this its tolerance."""

MIN_RESOLVED_BODY_PX = _LIMITS.number("min_resolved_body_px")
"""Body height in px as fine as the edges of the picture, below which a page is only read as well:
letters of 10 to 13 px are no better for having been enlarged."""

MIN_MEASURED_READ_BODY_PX = _LIMITS.number("min_measured_read_body_px")
"""Measured body height below which a page is refused; 10 px is promised, this is its tolerance."""

MIN_INK_SHARE = 2e-4
"""A page with a smaller share of ink is blank."""

MIN_GREY_RANGE = 24
"""A picture whose grey levels span less than this is one flat tone."""

RELOCATE_LOG_RATIO = 0.2
"""The whole page is located again when its letters differ from the estimate by more than this."""

WINDOW_PX = 448
"""Side of the window that is tried, at the locator's scale."""

AGREED_LOG_RATIO = 0.18
"""The locator's page scale is taken as right when its own answer differs by less than this."""

MAX_CORRECTIONS = 5
"""Corrections of the scale from one first guess."""

MIN_LETTERS, MAX_WEIGHED_LETTERS = 5, 40
"""Letters with which the search may end, and beyond which more letters weigh no more."""

SURE_PROBABILITY = 0.6
"""Mean probability of the window's letters, place and class, at which the search ends."""

INK_LEVEL = 128
"""Grey of the flattened page below which a pixel is ink."""

MIN_LETTERS_FOR_GROWTH, MIN_SURE_FOR_GROWTH, GROWTH_ROUNDS = 20, 0.5, 5
"""Letters, and the probability of each, from which it is known whether they grow over the page; and
rounds in which letters of another size lose weight."""

UPSIDE_DOWN_SHARE = 0.9
"""Only a page of which nearly all letters are upside down is so: on the back of a mezuzah
fourteen letters of seventeen do so by custom (Keset HaSofer 27:7)."""

SCALE_FACTORS = (1.0, 1.5, 0.67, 2.25, 0.45, 3.4, 0.3)
"""Multiples of the first guess that are tried, in this order."""


@dataclass(frozen=True)
class LetterSize:
    """Size and orientation of a page's letters."""

    body_px: float
    """Body height."""
    turn: int
    """Clockwise rotation of most of them in degrees: 0, 90, 180 or 270."""
    letter_count: int
    """Letters in the window that was tried; 0 when none were found at any size."""
    mean_p: float = 0.0
    """Mean probability of those letters."""
    slope: float = 0.0
    """Tilt of their lines, dy/dx, once they are turned upright."""
    growth: float = 0.0
    """By how much they grow from one end of the window to the other, as a logarithm."""

    @property
    def is_sure(self) -> bool:
        """Whether these are letters, of which small ones must look more like it."""
        return self.letter_count > 0 and (
            self.body_px >= MIN_MEASURED_BODY_PX or self.mean_p >= SURE_PROBABILITY
        )

    @property
    def is_readable(self) -> bool:
        """Whether these are letters, large enough to be read."""
        return self.is_sure and self.body_px >= MIN_MEASURED_READ_BODY_PX


def is_blank(gray: Gray, flat: Gray) -> bool:
    """Whether a picture (H, W), with its flattened form, is one flat tone, or holds no ink."""
    return grey_range(gray) < MIN_GREY_RANGE or ink_share(flat) < MIN_INK_SHARE


def grey_range(gray: Gray) -> float:
    """Span of a picture's grey levels, but for the darkest and lightest thousandth."""
    some = np.ascontiguousarray(gray[::4, ::4])
    return grey_percentile(some, 99.9) - grey_percentile(some, 0.1)


def locate_page(networks: Networks, flat: Gray, body: float, threshold: float) -> Located:
    """All letters of an upright page, with heights and rotations that agree with neighbours'.

    Arguments as in `locate`; where `body` proves wrong, letters are located again at their own.
    """
    found = locate(networks, flat, body, threshold)
    if len(found) >= MIN_LETTERS:
        height = float(np.median(found.height))
        if abs(np.log(height / body)) > RELOCATE_LOG_RATIO:
            found = locate(networks, flat, height, threshold)
    return smooth_neighbours(found)


def ink_share(flat: Gray) -> float:
    """Share of the page's pixels that are ink."""
    return float(np.count_nonzero(flat[::2, ::2] < INK_LEVEL) / flat[::2, ::2].size)


def stroke_width(flat: Gray) -> float:
    """Commonest length in px of a run of ink down a column: about one kulmus, the roofs' height.

    0 when the page holds no such runs.
    """
    columns = cv2.transpose(flat[:, :: max(1, flat.shape[1] // 1500)])
    # All columns one after another between white pixels: the ink begins and ends in turn.
    inked = np.zeros(1 + columns.shape[0] * (columns.shape[1] + 1), np.bool_)
    np.less(columns, INK_LEVEL, out=inked[1:].reshape(len(columns), -1)[:, :-1])
    changes = np.flatnonzero(inked[1:] != inked[:-1])
    runs = changes[1::2] - changes[::2]
    runs = runs[(runs >= 3) & (runs < flat.shape[0] // 4)]
    if len(runs) < 50:
        return 0.0
    # Bins grow with length: specks are many and short, but a page's ink lies in its strokes.
    counts = np.bincount(runs)
    levels = np.geomspace(3, max(4, len(counts)), 40)
    share = np.histogram(np.arange(len(counts)), bins=levels, weights=counts)[0]
    smooth = np.convolve(share, [0.25, 0.5, 0.25], "same")
    best = int(smooth.argmax())
    return float(np.sqrt(levels[best] * levels[best + 1]))


def estimate_size(
    networks: Networks, flat: Gray, threshold: float, width: float | None = None
) -> LetterSize:
    """Size and orientation of the letters of a flattened page (H, W).

    `width` is its `stroke_width` where that is known.
    """
    width = stroke_width(flat) if width is None else width
    guess = 3.0 * width if width else 40.0
    best, size = 0.0, LetterSize(guess, 0, 0)
    for factor in SCALE_FACTORS:
        body = float(np.clip(guess * factor, 8, flat.shape[0]))
        found, agreed = _correct_scale(networks, flat, body, threshold)
        if not len(found):
            continue
        # Specks on mottled skin pass for places of letters, but not for any one letter.
        mean_p = float((found.score * found.letters.max(axis=1)).mean())
        # Many doubtful letters at a wrong scale weigh less than a few sure ones at the right one.
        weight = mean_p**2 * min(len(found), MAX_WEIGHED_LETTERS) * (2.0 if agreed else 1.0)
        if weight > best:
            best = weight
            turn = _commonest_turn(found)
            size = LetterSize(
                _median_height(found), turn, len(found), mean_p, _upright_slope(found, turn),
                _growth(found),
            )  # fmt: skip
        if agreed and len(found) >= MIN_LETTERS and mean_p > SURE_PROBABILITY:
            break
    return size


def _correct_scale(
    networks: Networks, flat: Gray, body: float, threshold: float
) -> tuple[Located, bool]:
    """Letters in a window at the scale for `body`, corrected until the letters agree with it."""
    for _ in range(MAX_CORRECTIONS):
        found = _locate_in_window(networks, flat, body, threshold)
        if len(found) < 2:
            return found, False
        height = _median_height(found)
        if abs(np.log(height / body)) < AGREED_LOG_RATIO:
            return found, True
        body = float(np.clip(height, 8, flat.shape[0]))
    return found, False


def _locate_in_window(networks: Networks, flat: Gray, body: float, threshold: float) -> Located:
    side = int(WINDOW_PX * body / LOCATOR_BODY_PX)
    x0, y0 = _busiest_window(flat, side)
    return locate(networks, flat[y0 : y0 + side, x0 : x0 + side], body, threshold)


def _busiest_window(flat: Gray, side: int) -> tuple[int, int]:
    """Corner of the square with the most stroke edges: writing has many, a dark frame few."""
    height, width = flat.shape
    if side >= height and side >= width:
        return 0, 0
    step = max(1, side // 64)
    small = resize(flat, 1 / step)
    edges = cv2.absdiff(small, cv2.blur(small, (5, 5))).astype(np.float32)
    cells = (min(side // step, edges.shape[1]), min(side // step, edges.shape[0]))
    total = cv2.boxFilter(edges, -1, cells, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    valid = total[: edges.shape[0] - cells[1] + 1, : edges.shape[1] - cells[0] + 1]
    row, column = np.unravel_index(int(valid.argmax()), valid.shape)
    return int(column) * step, int(row) * step


def _median_height(found: Located) -> float:
    """Median body height of the half of the letters with the higher score."""
    sure = found.score >= np.median(found.score)
    return float(np.median(found.height[sure]))


def _upright_slope(found: Located, turn: int) -> float:
    """Tilt dy/dx of the lines of letters that are turned by `turn` degrees, once upright."""
    return page_slope(rotate_letters_back(found, (360 - turn) % 360, (0, 0)))


def _growth(found: Located) -> float:
    """Logarithm of the height of letters at one end over that at the other, by a plane through the
    logarithms of all; 0 where few letters are sure."""
    sure = found.score * found.letters.max(axis=1) > MIN_SURE_FOR_GROWTH
    if np.count_nonzero(sure) < MIN_LETTERS_FOR_GROWTH:
        return 0.0
    places, heights = found.anchors[sure], np.log(found.height[sure])
    plane = np.column_stack([np.ones(len(places)), places - places.mean(axis=0)])
    weight = np.ones(len(places))
    for _ in range(GROWTH_ROUNDS):
        fit = np.linalg.lstsq(plane * weight[:, None], heights * weight, rcond=None)[0]
        off = np.abs(heights - plane @ fit)
        weight = 1 / (1 + (off / max(1.5 * float(np.median(off)), 1e-6)) ** 2)
    low, high = np.percentile(plane @ fit, (5, 95))
    return float(high - low)


def _commonest_turn(found: Located) -> int:
    """Commonest turn in degrees, weighted by certainty."""
    shares = np.bincount(found.quarter_turns, weights=found.score, minlength=4)
    best = int(shares.argmax())
    if best == 2 and shares[2] < UPSIDE_DOWN_SHARE * shares.sum():
        return 0
    return 90 * best
