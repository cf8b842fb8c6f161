"""The other side of the sheet: writing that shines through, mirrored."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.letterforms.raster import Mask
from crownlet.datasets.page.textures import Field

_COARSE = 3
"""The shadow is blurred, so a third of the resolution will do."""


def show_through(tone: Field, cover: Mask, q: float, rng: np.random.Generator) -> None:
    """Darken `tone`, (H, W) about 1, by faint mirrored writing of this hand.

    `cover` is the ink of this side; mirrored, moved and at times upside down it stands behind other
    letters than its own, and reads as another text.
    """
    height, width = cover.shape
    small = (max(2, width // _COARSE), max(2, height // _COARSE))
    other = np.asarray(cv2.resize(cover, small, interpolation=cv2.INTER_AREA), np.uint8)[:, ::-1]
    if rng.random() < 0.4:
        other = other[::-1]
    moved = np.roll(other, (int(rng.integers(small[1])), int(rng.integers(small[0]))), (0, 1))
    sigma = max(0.5, q * float(rng.uniform(0.08, 0.4)) / _COARSE)
    soft = cv2.GaussianBlur(moved, (0, 0), sigma).astype(np.float32)
    soft *= np.float32(rng.uniform(0.03, 0.14) / 255.0)
    tone -= cv2.resize(soft, (width, height), interpolation=cv2.INTER_LINEAR)
