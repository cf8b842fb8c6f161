"""The slope of the writing by its ink alone, tile by tile, before any letter is known.

In each tile the ink is projected along trial directions; along the lines the projection rises and
falls most sharply, since letters hang from ruled lines and stand on one level.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.image.flatten import SKIN_GREY
from crownlet.infer.records import Floats, Ints

SMALL_BODY_PX = 9.0
"""Body height to which the page is shrunk."""

MAX_SMALL_SIDE_PX = 1400
"""Longest side of the shrunk page."""

TILE_BODIES = 13.0
"""Side of a tile in bodies: four lines or so."""

MIN_TILE_INK_SHARE = 0.25
"""A tile with less ink than this share of the usual one is left out."""

MIN_INK_POINTS, MAX_INK_POINTS = 60, 24_000
"""Least pixels of ink that show a slope, and most that are looked at."""

STEP_DEGREES = 2.0
"""Between trial directions."""

SMALL_INK_RISE = 40
"""Grey below the skin's from which a pixel of the shrunk page is ink."""


CONVERGENCES = np.linspace(-0.9, 0.9, 19)
"""Trial steepness of the lines' direction toward the camera: 0 where the lines are parallel, and
1 where they meet one focal length from the middle of the picture."""

MIN_PLAIN_CONTRAST = 1.5
"""A slope that shows less plainly is looked for again at another size of letters."""

OTHER_BODIES = (1.0, 2.5, 0.5)
"""Multiples of the body height at which it is looked for."""


@dataclass(frozen=True)
class InkSlopes:
    """Directions of the lines of a page by its ink."""

    degrees: float
    """Clockwise slope at the middle of the picture, -90 to 90, all lines being parallel."""
    contrast: float
    """How plainly it shows: the peak over the median of all directions, less 1."""
    converging: tuple[float, float]
    """The same slope and the steepness (see `CONVERGENCES`) where lines may converge."""
    converging_contrast: float
    ink: Floats
    """(N, 2) places of ink, px of the page."""

    @property
    def tilt(self) -> float:
        """The slope but for quarter turns, -45 to 45."""
        return float((self.degrees + 45.0) % 90.0 - 45.0)


def ink_slopes(flat: Gray, body: float) -> InkSlopes | None:
    """Slopes of the writing on a flattened page (H, W) with bodies of about `body` px.

    None where there is too little ink.
    """
    best: InkSlopes | None = None
    for factor in OTHER_BODIES:
        found = _ink_slopes(flat, body * factor)
        if found is not None and (best is None or found.contrast > best.contrast):
            best = found
        if best is None or best.contrast > MIN_PLAIN_CONTRAST:
            break
    return best


def _ink_slopes(flat: Gray, body: float) -> InkSlopes | None:
    scale = min(1.0, SMALL_BODY_PX / body, MAX_SMALL_SIDE_PX / max(flat.shape))
    size = (max(8, round(flat.shape[1] * scale)), max(8, round(flat.shape[0] * scale)))
    small = cv2.resize(flat, size, interpolation=cv2.INTER_AREA)
    dark = np.clip(SKIN_GREY - small.astype(np.float32), 0, 192)
    y, x = np.nonzero(dark > SMALL_INK_RISE)
    if len(x) < MIN_INK_POINTS:
        return None
    if len(x) > MAX_INK_POINTS:
        kept = np.random.default_rng(0).permutation(len(x))[:MAX_INK_POINTS]
        x, y = x[kept], y[kept]
    ink = dark[y, x].astype(np.float64)
    side = TILE_BODIES * max(body * scale, 3.0)
    across, down = max(1, round(size[0] / side)), max(1, round(size[1] / side))
    tile = (y * down // size[1]) * across + x * across // size[0]
    mass = np.bincount(tile, ink, across * down)
    used = np.flatnonzero(mass > MIN_TILE_INK_SHARE * np.median(mass[mass > 0]))
    scores = _scores(x, y, ink, tile, across * down)[used]
    scores /= np.maximum(scores.mean(axis=1, keepdims=True), 1e-9)
    total = scores.mean(axis=0)
    best = int(total.argmax())
    places = np.stack(
        [np.bincount(tile, ink * v, across * down)[used] / mass[used] for v in (x, y)], axis=1
    )
    rays = (places - np.array(size) / 2) / max(size)
    converging, highest = _best_converging(scores, rays)
    usual = float(np.median(total))
    return InkSlopes(
        _peak(total, best), float(total[best]) / usual - 1, converging, highest / usual - 1,
        (np.stack([x, y], axis=1) + 0.5) / scale,
    )  # fmt: skip


def slopes_at(rays: Floats, degrees: Floats | float, steepness: Floats | float) -> Floats:
    """(..., N) slopes in degrees at `rays` (N, 2): places from the middle of the picture, in focal
    lengths."""
    angle, steep = np.deg2rad(np.asarray(degrees))[..., None], np.asarray(steepness)[..., None]
    along, down = np.cos(angle) - rays[:, 0] * steep, np.sin(angle) - rays[:, 1] * steep
    result: Floats = np.rad2deg(np.arctan2(down, along))
    return result


def _best_converging(scores: Floats, rays: Floats) -> tuple[tuple[float, float], float]:
    """(degrees, steepness) at which the tiles' scores are highest, and that mean score."""
    degrees, steep = np.meshgrid(np.arange(-90.0, 90.0, STEP_DEGREES), CONVERGENCES)
    step = np.array([STEP_DEGREES / 2, 0.05])
    best, highest = (0.0, 0.0), -1.0
    for _ in range(3):
        value = _scores_at(scores, slopes_at(rays, degrees.ravel(), steep.ravel())).mean(axis=1)
        k = int(value.argmax())
        best = float(degrees.ravel()[k]), float(steep.ravel()[k])
        highest = float(value[k])
        degrees, steep = np.meshgrid(
            best[0] + step[0] * np.arange(-2, 3), best[1] + step[1] * np.arange(-2, 3)
        )
        step = step / 2
    return ((best[0] + 90) % 180 - 90, best[1]), highest


def _scores_at(scores: Floats, degrees: Floats) -> Floats:
    """(M, T) scores (T, A) of the tiles at directions (M, T), between the trial ones linearly."""
    place = (degrees + 90.0) % 180.0 / STEP_DEGREES
    low = np.floor(place).astype(np.int64) % scores.shape[1]
    part = place - np.floor(place)
    tiles = np.arange(len(scores))
    result: Floats = (1 - part) * scores[tiles, low] + part * scores[
        tiles, (low + 1) % scores.shape[1]
    ]
    return result


def _scores(x: Ints, y: Ints, ink: Floats, tile: Ints, tiles: int) -> Floats:
    """(T, A) energy of the steps of each tile's projection along each trial direction."""
    reach = int(np.hypot(x.max() + 1, y.max() + 1)) + 3
    base = tile * (2 * reach)
    angles = np.deg2rad(np.arange(-90.0, 90.0, STEP_DEGREES))
    scores = np.zeros((tiles, len(angles)))
    for k, angle in enumerate(angles):
        v = y * np.cos(angle) - x * np.sin(angle) + reach
        low = np.floor(v).astype(np.int64)
        part = v - low
        bins = np.bincount(base + low, ink * (1 - part), tiles * 2 * reach)
        bins[1:] += np.bincount(base + low, ink * part, tiles * 2 * reach)[:-1]
        steps = np.diff(bins.reshape(tiles, -1), axis=1)
        scores[:, k] = (steps * steps).sum(axis=1)
    return scores


def _peak(score: Floats, best: int) -> float:
    """The direction of a peak between the trial directions, by a parabola."""
    a, b, c = score[best - 1], score[best], score[(best + 1) % len(score)]
    bend = a - 2 * b + c
    part = 0.5 * (a - c) / bend if bend < 0 else 0.0
    degrees = -90.0 + STEP_DEGREES * (best + np.clip(part, -0.5, 0.5))
    return float((degrees + 90.0) % 180.0 - 90.0)
