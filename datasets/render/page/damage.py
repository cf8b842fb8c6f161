"""Wear of a written sheet: folds, creases, holes, pricks and specks.

Folds crack the ink visibly but sever no stroke; holes and specks never lie on ink.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.page.skin import draw_polylines
from crownlet.datasets.render.page.textures import Field, in_planes

_MAX_BARE_SHARE = 0.5
"""Most that a crease lightens ink towards skin: half the ink's darkness stays, so the stroke runs
on. A severed stroke is a defect and comes from `crownlet.datasets.render.defects` alone."""


_HOLE_ATTEMPTS = 12


def add_fold(page: Field, q: float, rng: np.random.Generator) -> None:
    """A fold across the sheet, ink included: shade on one side, light on the other, a crack."""
    height, width = page.shape[:2]
    upright = bool(rng.random() < 0.5)
    at, lean = float(rng.uniform(0.1, 0.9)), float(rng.normal(0, 0.05))
    middle = at * (width if upright else height)
    x = np.arange(width, dtype=np.float32)
    y = np.arange(height, dtype=np.float32)[:, None]
    far = x - middle + lean * (y - height / 2) if upright else y - middle + lean * (x - width / 2)
    reach = np.float32(max(2.0, q * rng.uniform(0.4, 3.0)))
    slope = np.exp(-np.abs(far) / reach) * np.sign(far)
    shade = np.asarray(1.0 + np.float32(rng.uniform(-0.14, 0.14)) * slope, np.float32)
    cv2.multiply(page, in_planes(shade, page), dst=page)
    along = np.linspace(-5.0, (height if upright else width) + 5.0, 60)
    half = (height if upright else width) / 2
    across = middle - lean * (along - half) + np.cumsum(rng.normal(0, 0.03 * q, 60))
    line = np.stack([across, along] if upright else [along, across], axis=1)
    if rng.random() < 0.6:
        _crack(page, line, _skin_colour(page), q, rng)


def add_creases(page: Field, q: float, rng: np.random.Generator) -> None:
    """Short wrinkles scattered over the sheet, most of them one way."""
    height, width = page.shape[:2]
    way = rng.uniform(0, np.pi)
    skin = _skin_colour(page)
    for _ in range(int(rng.integers(3, 14))):
        turns = rng.normal(way, 0.3) + np.cumsum(rng.normal(0, 0.15, 12))
        steps = np.stack([np.cos(turns), np.sin(turns)], axis=1) * q * rng.uniform(0.1, 0.7)
        line = rng.uniform(0, 1, 2) * (width, height) + np.cumsum(steps, axis=0)
        _crack(page, line, skin, q, rng)


def _skin_colour(page: Field) -> Field:
    """Colour of the skin, (3,) or () of grey, if the page is not mostly ink."""
    some = page[::16, ::16]
    return np.asarray(np.quantile(some.reshape(-1, *some.shape[2:]), 0.7, axis=0), np.float32)


def _crack(
    page: Field, line: npt.NDArray[np.float64], skin: Field, q: float, rng: np.random.Generator
) -> None:
    """A hair crack along `line` (px), through which a little of the `skin` shows."""
    height, width = page.shape[:2]
    room = 4 + int(0.5 * q)
    x0, y0 = np.maximum(np.floor(line.min(axis=0)).astype(int) - room, 0)
    x1, y1 = np.minimum(np.ceil(line.max(axis=0)).astype(int) + room, (width, height))
    if x1 <= x0 or y1 <= y0:
        return
    patch = page[y0:y1, x0:x1]
    mask = np.zeros(patch.shape[:2], np.uint8)
    draw_polylines(mask, [line - (x0, y0)], max(1, round(0.05 * q)))
    bare = mask.astype(np.float32) * np.float32(rng.uniform(0.15, _MAX_BARE_SHARE) / 255.0)
    gaps = rng.uniform(0.2, 1.0, (max(1, patch.shape[0] // 6), max(1, patch.shape[1] // 6)))
    bare *= cv2.resize(gaps.astype(np.float32), (patch.shape[1], patch.shape[0]))
    shown = skin * np.float32(rng.uniform(0.9, 1.15))
    patch += in_planes(bare, page) * (shown - patch)
    # The wrinkle stands up a little: one flank is lit, the other shaded.
    flank = cv2.GaussianBlur(mask, (0, 0), max(0.8, q * float(rng.uniform(0.05, 0.2))))
    step = max(1, round(0.1 * q))
    slope = np.zeros(mask.shape, np.float32)
    slope[step:] = flank[step:].astype(np.float32) - flank[:-step]
    slope *= np.float32(rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.35) / 255.0)
    patch *= 1.0 + in_planes(slope, page)


def add_holes(page: Field, cover: Mask, q: float, rng: np.random.Generator) -> None:
    """A few holes with what lies behind the sheet, dark or bright; `cover` is the ink to spare."""
    behind = rng.uniform(5, 60) if rng.random() < 0.6 else rng.uniform(200, 255)
    tint = np.clip(behind * np.exp(rng.normal(0, 0.08, 3)), 0, 255).astype(np.float32)
    if page.ndim == 2:
        tint = tint[1]
    for _ in range(int(rng.integers(1, 4))):
        _hole(page, cover, max(1.0, q * float(np.exp(rng.uniform(-1.6, 0.6)))), tint, rng)


def add_specks(page: Field, cover: Mask, q: float, rng: np.random.Generator) -> None:
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
    for _ in range(_HOLE_ATTEMPTS):
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
    patch *= 1.0 - in_planes(rim * np.float32(0.25 / 255.0), page)
    open_ = mask.astype(np.float32) * np.float32(1 / 255.0)
    patch += in_planes(open_, page) * (tint - patch)


def wear_page(
    page: Field, cover: Mask | None, q: float, strength: float, rng: np.random.Generator
) -> None:
    """Wear `page`, float32 in colour or grey, on which `cover` is the ink and `q` the pen in px.

    Without a cover, of a sheet that will be laid under other writing, it gets no holes and specks:
    these spare the ink.
    """
    chances = rng.random(4)
    if chances[0] < 0.2 * strength:
        add_fold(page, q, rng)
    if chances[1] < 0.12 * strength:
        add_creases(page, q, rng)
    if cover is None:
        return
    if chances[2] < 0.06 * strength:
        add_holes(page, cover, q, rng)
    if chances[3] < 0.2 * strength:
        add_specks(page, cover, q, rng)
