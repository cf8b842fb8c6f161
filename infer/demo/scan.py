"""What a flat-bed scanner does to a clean page: white balance, softness, grain, falling light.

Positions never change, so the truth of the page stays true.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

PARCHMENT = np.array([233.0, 223.0, 201.0], np.float32)
"""Tone to which the scanner balances bare skin, so that two sides of one scroll look alike."""


def scanned(page: npt.NDArray[np.uint8], seed: int) -> npt.NDArray[np.uint8]:
    """A page (H, W, 3) RGB uint8 as scanned."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(page, (0, 0), float(rng.uniform(0.6, 0.9)))
    height, width = page.shape[:2]
    fall = 1 - 0.05 * np.linspace(0, 1, width, dtype=np.float32) ** 2
    grain = rng.normal(0, 2.5, (height, width)).astype(np.float32)
    bare = np.median(page[::8, ::8].reshape(-1, 3), axis=0).astype(np.float32)
    out = soft.astype(np.float32)
    out *= fall[None, :, None] * (PARCHMENT / np.maximum(bare, 1.0))
    out += grain[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)
