"""The hair side of a skin: follicles as dark dots, in wavering rows and clumps."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.page.textures import Field, texture

_MOST = 30_000
"""Most dots a page gets; small letters on a large sheet would ask for more."""


def hair_side(tone: Field, q: float, rng: np.random.Generator) -> None:
    """Darken `tone`, (H, W) float32 about 1, at follicles; `q` is the pen in px."""
    height, width = tone.shape
    apart = max(3.0, q * float(rng.uniform(0.2, 0.6)))
    apart = max(apart, (height * width / _MOST) ** 0.5)
    x, y = _dots(width, height, apart, rng)
    mask = np.zeros((height, width), np.uint8)
    large = rng.random(len(x)) < rng.uniform(0.1, 0.6)
    deep = rng.integers(60, 256, len(x), dtype=np.uint8)
    mask[y[large], x[large]] = deep[large]
    size = 2 * max(0, round(q * float(rng.uniform(0.02, 0.05)))) + 1
    if size > 1:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        mask = np.asarray(cv2.dilate(mask, disc), np.uint8)
    mask[y[~large], x[~large]] = deep[~large]
    if size > 3:
        mask = np.asarray(cv2.dilate(mask, np.ones((2, 2), np.uint8)), np.uint8)
    soft = cv2.GaussianBlur(mask, (0, 0), max(0.6, 0.3 * size)).astype(np.float32)
    # Skins are hairier along the back than at the belly.
    grown = texture("cloud", (width, height), max(width, height) / 400.0, rng)
    soft *= np.clip(grown * np.float32(0.5) + np.float32(0.6), 0.0, 1.2)
    soft *= np.float32(rng.uniform(0.12, 0.45) / 255.0)
    tone -= soft


def _dots(
    width: int, height: int, apart: float, rng: np.random.Generator
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Columns and rows of the dots within the picture: rows of groups, unsteady, turned."""
    reach = 0.75 * float(np.hypot(width, height))
    along = np.arange(-reach, reach, apart)
    across = np.arange(-reach, reach, apart * float(rng.uniform(1.2, 2.2)))
    u, v = (grid.ravel() for grid in np.meshgrid(along, across))
    wave, phase = rng.uniform(20, 60) * apart, rng.uniform(0, 2 * np.pi)
    v = v + 2.0 * apart * np.sin(u / wave + phase) + rng.normal(0, 0.3 * apart, u.size)
    u = u + rng.normal(0, 0.35 * apart, u.size)
    if rng.random() < 0.4:  # goat: coarse and fine hairs in groups along the row
        u = u - 0.6 * apart * np.sin(2 * np.pi * u / (3.0 * apart))
    turn = rng.uniform(0, np.pi)
    x = np.rint(width / 2 + np.cos(turn) * u - np.sin(turn) * v).astype(np.intp)
    y = np.rint(height / 2 + np.sin(turn) * u + np.cos(turn) * v).astype(np.intp)
    seen = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    return x[seen], y[seen]
