"""Thin strokes that were located as letters: marks of division between words, and holes.

Codices and some scrolls divide verses by a stroke as high as a letter; the networks know no such
mark and read a vav. It is far narrower than the hand's own vavs: on nine pages by scribes of the
Middle Ages strokes have 0.30 to 0.65 of the width that is usual for the letter read, letters 0.70
and more, on drawn pages one of 1,500 narrow letters less than that.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.limits import limits_of
from crownlet.infer.quality.familiarity import measure_extent, stretch_ratios
from crownlet.infer.records import Bools, Floats, Ints, Located

_LIMITS = limits_of("quality.strokes")

MAX_STROKE_WIDTH_SHARE = _LIMITS.number("max_width_share")
"""Share of the hand's usual width of the letter read up to which a narrow letter is a stroke."""

INK_GREY = 160.0
"""Grey of a flattened page, whose skin has 224, below which there is ink."""

STROKE_LETTERS = "וזין"
"""Letters as which a stroke is read."""


def stroke_shares(found: Located, letter: Ints) -> Floats:
    """(N,) width of each letter as a share of the hand's usual one, infinite for letters as which
    no stroke is read; `letter` (N,) is the class of each as read."""
    share = stretch_ratios(measure_extent(found).width, letter)
    return np.where(np.isin(letter, [index_of(char) for char in STROKE_LETTERS]), share, np.inf)


def is_thin(share: Floats) -> Bools:
    """(N,) which letters are thin strokes, by their `stroke_shares`."""
    return np.asarray(share <= MAX_STROKE_WIDTH_SHARE)


def ink_areas(flat: npt.NDArray[np.uint8], found: Located) -> Floats:
    """(N,) ink in the box of each letter of a flattened page (H, W), as full black, in square q."""
    dark = np.clip(INK_GREY - flat.astype(np.float32), 0.0, None) / INK_GREY
    total = cv2.integral(dark)
    x0, y0, x1, y1 = (
        np.clip(edge.round().astype(np.int64), 0, size)
        for edge, size in zip(found.box.T, (*flat.shape[::-1], *flat.shape[::-1]), strict=True)
    )
    area = total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]
    return np.asarray(area / found.q**2, np.float64)
