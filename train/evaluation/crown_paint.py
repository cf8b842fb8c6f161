"""The crowns of letters in a picture found, and painted out with the skin around them.

The ink that stands higher than the roof of a crowned letter is taken for its crown; so a letter
whose crown is painted out looks like one whose scribe wrote none.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Box

Pixels = npt.NDArray[np.uint8]

Floats = npt.NDArray[np.float64]

WORKING_Q_PX = 24.0
"""Kulmus in px of the crop in which crowns are found, whatever the size of the letter."""

ROOF_Q = 0.12
"""Ink higher than this above the ruled line, in q, is no part of the letter's body."""

MIN_STROKE_Q = 0.45
"""Height above the ruled line, in q, from which ink is a crown and no uneven head."""

MAX_STROKE_Q = 2.9
"""What reaches higher comes down from the line above."""

STROKE_DARKNESS, BODY_DARKNESS = 0.25, 0.5
"""Shares of the contrast of ink and skin from which a pixel belongs to a stroke, to a body."""

MIN_BODY_STROKE_Q = 0.42
"""Least width in q of the strokes of a letter's body; stems of crowns are thinner."""


@dataclass(frozen=True)
class CrownedBody:
    """A letter as far as its crown is concerned, in px of the picture."""

    x: float
    """Middle of the body."""
    y: float
    """The ruled line."""
    q: float
    box: Box

    def distance(self, x: float) -> float:
        """How far a column lies from the letter's middle, in halves of its width."""
        return abs(x - (self.box[0] + self.box[2]) / 2) / max((self.box[2] - self.box[0]) / 2, 1.0)


@dataclass(frozen=True)
class Crown:
    """The ink of a crown: a mask (h, w) over a window of the picture."""

    window: tuple[int, int, int, int]
    """x0, y0, x1, y1 in px of the picture."""
    mask: npt.NDArray[np.uint8]
    """1 where ink of the crown is, at `WORKING_Q_PX`."""
    roof: int
    """Row of the mask at which the letter's body begins."""
    q: float


def find_crown(gray: Pixels, letter: CrownedBody, others: Sequence[CrownedBody]) -> Crown | None:
    """The crown of a letter in the picture (H, W); None where no stroke stands on it.

    `others` are all letters of the page: a stroke belongs to the letter of its line in whose middle
    its root stands nearest.
    """
    q, (x0, _, x1, _) = letter.q, letter.box
    height, width = gray.shape
    window = (
        max(0, int(x0 - 1.5 * q)), max(0, int(letter.y - 3 * q)),
        min(width, int(x1 + 1.5 * q) + 1), min(height, int(letter.y + 3.3 * q) + 1),
    )  # fmt: skip
    scale = WORKING_Q_PX / q
    darkness = _darkness(gray[window[1] : window[3], window[0] : window[2]], scale)
    line = (letter.y - window[1]) * scale
    roof = max(0, int(line - ROOF_Q * WORKING_Q_PX))
    body = cv2.morphologyEx(
        (darkness > BODY_DARKNESS).astype(np.uint8), cv2.MORPH_OPEN, _disc(MIN_BODY_STROKE_Q)
    )
    body = cv2.dilate(body, _disc(0.16))
    body[:roof] = 0
    ink = (darkness > STROKE_DARKNESS).astype(np.uint8) * (1 - body)
    lowest = line + 0.5 * WORKING_Q_PX
    ink[int(lowest) :] = 0
    near_body = cv2.dilate(body, _disc(0.5)) > 0
    count, labels, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    rivals = [other for other in others if abs(other.y - letter.y) < 1.5 * q]
    mask, highest = np.zeros(ink.shape, np.uint8), 0.0
    for k in range(1, count):
        top, tall = int(stats[k, cv2.CC_STAT_TOP]), int(stats[k, cv2.CC_STAT_HEIGHT])
        above_q = (line - top) / WORKING_Q_PX
        here = labels == k
        if not 0.25 <= above_q <= MAX_STROKE_Q or not near_body[here].any():
            continue
        rows, columns = np.nonzero(here)
        root = window[0] + float(columns[rows >= rows.max() - 2].mean()) / scale
        if not x0 - 1 <= root <= x1 + 1:
            continue
        if any(other.distance(root) < letter.distance(root) for other in rivals):
            continue
        mask[here] = 1
        if tall > 0.3 * WORKING_Q_PX:
            highest = max(highest, above_q)
    return Crown(window, mask, roof, q) if highest >= MIN_STROKE_Q else None


def paint_out(image: Pixels, crowns: Iterable[Crown]) -> Pixels:
    """The picture (H, W, 3) with skin in place of these crowns."""
    painted = image.copy()
    for crown in crowns:
        x0, y0, x1, y1 = crown.window
        crop = painted[y0:y1, x0:x1]
        painted[y0:y1, x0:x1] = _paint_window(crop, crown)
    return painted


def _paint_window(crop: Pixels, crown: Crown) -> Pixels:
    """One window (h, w, 3) with skin in place of its crown."""
    q, scale = crown.q, WORKING_Q_PX / crown.q
    # The soft edge of a stroke is a picture's pixel or two wide, and is painted over as well; on
    # the letter's own body it is left as it is.
    wide = cv2.dilate(crown.mask, _disc(max(0.3, 3.0 * scale / WORKING_Q_PX)))
    wide[crown.roof :] = crown.mask[crown.roof :]
    size = (crop.shape[1], crop.shape[0])
    cover = cv2.resize(wide.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    unknown = ((cover > 0.02) | _near_ink(crop, q)).astype(np.uint8)
    skin = cv2.inpaint(crop, unknown * 255, max(2.0, round(0.3 * q)), cv2.INPAINT_TELEA)
    skin = cv2.GaussianBlur(skin, (0, 0), max(0.8, 0.15 * q)).astype(np.float32)
    share = np.clip(1.15 * cv2.GaussianBlur(cover, (0, 0), max(0.6, 0.06 * q)), 0, 1)[..., None]
    new = (skin + _grain(crop, unknown, q)) * share + crop * (1 - share)
    return np.asarray(np.clip(new + 0.5, 0, 255), np.uint8)


def _near_ink(crop: Pixels, q: float) -> npt.NDArray[np.bool_]:
    """(h, w) where ink, or its soft edge, hides the skin."""
    gray = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    smooth = cv2.GaussianBlur(gray, (0, 0), max(0.5, 0.08 * q)).astype(np.float32)
    skin, ink = np.percentile(smooth, (75, 3))
    dark = (smooth < skin - 0.22 * (skin - ink)).astype(np.uint8)
    side = max(3, round(0.35 * q)) | 1
    return np.asarray(
        cv2.dilate(dark, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))) > 0
    )


def _grain(crop: Pixels, unknown: Pixels, q: float) -> npt.NDArray[np.float32]:
    """(h, w, 3) fine unevenness of the skin, copied from beside to where the skin is unknown."""
    blurred = cv2.GaussianBlur(crop, (0, 0), max(1.0, 0.3 * q)).astype(np.float32)
    fine = crop.astype(np.float32) - blurred
    free = fine[unknown == 0]
    limit = 2.5 * 1.4826 * float(np.median(np.abs(free))) if len(free) else 0.0
    fine = np.clip(fine, -limit, limit)
    grain, done = np.zeros_like(fine), np.zeros(unknown.shape, np.bool_)
    for step in range(2, 12):
        for axis, sign in ((1, 1), (0, 1), (1, -1), (0, -1)):
            shift = round(sign * step * 0.35 * q)
            use = (np.roll(unknown, shift, axis) == 0) & ~done
            grain[use] = np.roll(fine, shift, axis)[use]
            done |= use
    return np.asarray(grain, np.float32)


def _darkness(crop: Pixels, scale: float) -> Floats:
    """Darkness of a crop at `WORKING_Q_PX`: 0 for skin, 1 for ink."""
    how = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    large = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=how).astype(np.float32)
    smooth = cv2.GaussianBlur(large, (0, 0), 0.15 * WORKING_Q_PX)
    skin = cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, _disc(3.2))
    skin = cv2.GaussianBlur(skin, (0, 0), 0.5 * WORKING_Q_PX)
    ink = float(np.percentile(large, 5))
    return np.asarray((skin - large) / np.maximum(skin - ink, 8.0), np.float64)


def _disc(diameter_q: float) -> Pixels:
    side = max(1, round(diameter_q * WORKING_Q_PX)) | 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)
