"""Holes in the sheet, pricks and specks, none of them on ink."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.letterforms.raster import Mask
from crownlet.datasets.page.textures import Field

_TRIES = 12


def pierce(page: Field, cover: Mask, q: float, rng: np.random.Generator) -> None:
    """A few holes with what lies behind the sheet, dark or bright; `cover` is the ink to spare."""
    behind = rng.uniform(5, 60) if rng.random() < 0.6 else rng.uniform(200, 255)
    tint = np.clip(behind * np.exp(rng.normal(0, 0.08, 3)), 0, 255).astype(np.float32)
    for _ in range(int(rng.integers(1, 4))):
        _hole(page, cover, max(1.0, q * float(np.exp(rng.uniform(-1.6, 0.6)))), tint, rng)


def specks(page: Field, cover: Mask, q: float, rng: np.random.Generator) -> None:
    """Small dark dirt and pricks, well away from letters, where no reader takes them for ink."""
    tint = (page[0, 0] * rng.uniform(0.2, 0.6)).astype(np.float32)
    for _ in range(int(rng.integers(1, 9))):
        _hole(page, cover, max(0.7, q * float(rng.uniform(0.04, 0.12))), tint, rng, 0.7 * q)


def _hole(
    page: Field, cover: Mask, radius: float, tint: Field, rng: np.random.Generator, away: float = 0
) -> None:
    """One round hole of about `radius` px, if a place for it is found."""
    height, width = cover.shape
    reach = int(1.6 * radius + 3)
    clear = int(reach + max(away, 0.25 * radius))
    for _ in range(_TRIES):
        x, y = int(rng.integers(width)), int(rng.integers(height))
        near = cover[max(0, y - clear) : y + clear + 1, max(0, x - clear) : x + clear + 1]
        if not near.any():
            break
    else:
        return
    top, left = max(0, y - reach), max(0, x - reach)
    patch = page[top : y + reach + 1, left : x + reach + 1]
    turns = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    waves = rng.normal(0, 0.1, 4)[:, None] * np.sin(np.arange(1, 5)[:, None] * turns + radius)
    far = radius * np.exp(waves.sum(axis=0))
    ring = np.stack([x - left + far * np.cos(turns), y - top + far * np.sin(turns)], axis=1)
    mask = np.zeros(patch.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(ring * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    rim = cv2.GaussianBlur(mask, (0, 0), max(0.8, 0.15 * radius)).astype(np.float32)
    patch *= 1.0 - rim[:, :, None] * np.float32(0.25 / 255.0)
    open_ = mask.astype(np.float32)[:, :, None] * np.float32(1 / 255.0)
    patch += open_ * (tint - patch)
