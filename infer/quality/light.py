"""Light and dark of every letter in the picture as given, before its light was evened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Floats

Gray = npt.NDArray[np.uint8]

SIDE = 24
"""A letter's box is looked at in so many rows and columns of pixels."""
AROUND = 0.1
"""Part of its size by which a box is widened, so that skin is in it."""
INK, SKIN = 0.10, 0.80
"""Quantiles of a box taken as ink and as skin: ink covers a fifth to a half of a letter's box."""
WHITE, BLACK = 250, 5
"""From here on, and down from here, a sensor tells no more."""
PAPER = 0.9
"""On white paper a letter's box is white but for its ink, of which a letter has over a tenth."""


@dataclass(frozen=True)
class Light:
    """Measures of N letters, each (N,)."""

    contrast: Floats
    """Michelson: (skin - ink) / (skin + ink)."""
    glare: Floats
    """Share of the box that is burnt out, 0 to 1; on white paper what exceeds nine tenths."""
    dark: Floats
    """Share of the box that is black beyond telling."""
    rise: Floats
    """Skin less ink, in grey levels."""


def light(gray: Gray, box: Floats) -> Light:
    """Light of the letters in `box` (N, 4) px of the picture `gray` (H, W)."""
    if not len(box):
        return Light(*(np.zeros(0) for _ in range(4)))
    seen = np.sort(_samples(gray, box), axis=1)
    ink = seen[:, round(INK * (seen.shape[1] - 1))].astype(np.float64)
    skin = seen[:, round(SKIN * (seen.shape[1] - 1))].astype(np.float64)
    white = (seen >= WHITE).mean(axis=1)
    # White paper is burnt out everywhere and loses nothing, until hardly any ink is left.
    free = PAPER if np.median(white) > 1.0 - PAPER else 0.0
    return Light(
        contrast=(skin - ink) / np.maximum(skin + ink, 1.0),
        glare=np.clip((white - free) / (1.0 - free), 0.0, 1.0),
        dark=(seen <= BLACK).mean(axis=1),
        rise=skin - ink,
    )


def _samples(gray: Gray, box: Floats) -> Gray:
    """(N, SIDE * SIDE) pixels on a grid over each box."""
    height, width = gray.shape
    grow = AROUND * (box[:, 2:] - box[:, :2])
    low, high = box[:, :2] - grow, box[:, 2:] + grow
    steps = (np.arange(SIDE) + 0.5) / SIDE
    x = low[:, :1] + (high - low)[:, :1] * steps
    y = low[:, 1:] + (high - low)[:, 1:] * steps
    columns = np.clip(x, 0, width - 1).astype(np.int64)
    rows = np.clip(y, 0, height - 1).astype(np.int64)
    index = rows[:, :, None] * width + columns[:, None, :]
    return np.asarray(np.ascontiguousarray(gray).ravel()[index].reshape(len(box), -1), np.uint8)


def noise(gray: Gray, lines: int = 300) -> float:
    """Standard deviation of the picture's noise in grey levels, from about `lines` of its rows.

    Second differences cancel slopes of light; of white noise of deviation s they have the deviation
    s * sqrt(6), and their median size is 0.6745 of it, whatever edges there are besides.
    """
    rows = gray[:: max(1, len(gray) // lines)].astype(np.int16)
    if rows.shape[1] < 3:
        return 0.0
    second = np.abs(rows[:, :-2] - 2 * rows[:, 1:-1] + rows[:, 2:])
    counts = np.bincount(second.ravel(), minlength=2).astype(np.float64)
    return float(_middle(counts)) / (0.6745 * 6.0**0.5)


def _middle(counts: Floats) -> float:
    """Median of values 0, 1, 2, ... that were counted, taken as spread evenly around each."""
    total = np.cumsum(counts)
    k = int(np.searchsorted(total, total[-1] / 2))
    before = total[k - 1] if k else 0.0
    inside = (total[-1] / 2 - before) / max(counts[k], 1.0)
    # Sizes of differences are folded at 0: the bin of 0 is half as wide as the others.
    return 0.5 * inside if k == 0 else k - 0.5 + inside
