"""A page made even and upright: dark ink on a ground of one grey, and quarter turns undone.

Even light is used in the same form by training and inference, so that the networks meet one kind of
picture. A page on its side is turned upright; its letters are turned back to the picture as given.

How far its writing is tilted is seen by the ink alone, tile by tile, before any letter is known.
The ink of a tile is projected along trial directions; along the lines the projection rises and
falls most sharply, since letters hang from ruled lines and stand on one level.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints, Located

if TYPE_CHECKING:
    from crownlet.infer.image.perspective import Straightening

_LIMITS = limits_of("image.upright")

SKIN_GREY = 224.0
"""Grey value to which the bare skin is brought."""

INK_GREY = 32.0
"""Grey value to which the darkest ink is brought."""

MIN_GROUND_GREY = 8
"""A darker ground counts as this: dividing by less would make specks of noise."""

_UNDO_TURN = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}

SMALL_BODY_PX = _LIMITS.number("small_body_px")
"""Body height to which the page is shrunk."""

MAX_SMALL_SIDE_PX = _LIMITS.whole("max_small_side_px")
"""Longest side of the shrunk page."""

TILE_BODIES = _LIMITS.number("tile_bodies")
"""Side of a tile in bodies: four lines or so."""

MIN_TILE_INK_SHARE = _LIMITS.number("min_tile_ink_share")
"""A tile with less ink than this share of the usual one is left out."""

MIN_INK_POINTS, MAX_INK_POINTS = _LIMITS.whole_span("ink_points")
"""Least pixels of ink that show a slope, and most that are looked at."""

STEP_DEGREES = _LIMITS.number("step_degrees")
"""Between trial directions."""

SMALL_INK_RISE = _LIMITS.whole("small_ink_rise")
"""Grey below the skin's from which a pixel of the shrunk page is ink."""

CONVERGENCES = np.linspace(*_LIMITS.span("convergences"), _LIMITS.whole("convergence_count"))
"""Trial steepness of the lines' direction toward the camera: 0 where the lines are parallel, and
1 where they meet one focal length from the middle of the picture."""

MIN_PLAIN_CONTRAST = _LIMITS.number("min_plain_contrast")
"""A slope that shows less plainly is looked for again at another size of letters."""

MIN_OTHER_DIRECTION_DEGREES = _LIMITS.number("min_other_direction_degrees")
"""A tile that differs by more shows another direction than the lines."""

MIN_OTHER_TILES_SHARE = _LIMITS.number("min_other_tiles_share")
"""Share of the tiles with ink from which those of another direction are looked at alone."""

OTHER_BODIES = _LIMITS.numbers("other_bodies")
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
    tiles: InkTiles
    """The tiles by which the slope was seen."""

    @property
    def tilt(self) -> float:
        """The slope but for quarter turns, -45 to 45."""
        return float((self.degrees + 45.0) % 90.0 - 45.0)

    def elsewhere(self) -> InkSlopes | None:
        """The slopes of those tiles that show another direction; None where they are few.

        The grain of a table, or the edge of a board, may show more plainly than any writing.
        """
        others = self.tiles.away_from(*self.converging)
        if len(others.number) < MIN_OTHER_TILES_SHARE * len(self.tiles.number):
            return None
        ink = np.isin(self.tiles.of_ink, others.number)
        return slopes_of_tiles(
            replace(others, of_ink=self.tiles.of_ink[ink]), self.ink[ink]
        ) if ink.any() else None  # fmt: skip


@dataclass(frozen=True)
class InkTiles:
    """T tiles of a page by the slope of their ink."""

    number: Ints
    """(T,) which of the page's tiles they are, row by row."""
    rays: Floats
    """(T, 2) middles of their ink, from the middle of the picture in its longer side."""
    scores: Floats
    """(T, A) how plainly each shows each trial direction."""
    of_ink: Ints
    """(N,) the tile of each place of ink."""
    shape: tuple[int, int]
    """Rows and columns of the page's tiles."""

    @property
    def mask(self) -> Gray:
        """(rows, columns) 1 where a tile is one of these, else 0."""
        flags = np.zeros(self.shape, np.uint8)
        flags.ravel()[self.number] = 1
        return flags

    def away_from(self, degrees: float, steepness: float) -> InkTiles:
        """The tiles whose own direction is not that of lines of this slope and steepness."""
        own = STEP_DEGREES * self.scores.argmax(axis=1) - 90.0
        off = (own - slopes_at(self.rays, degrees, steepness) + 90.0) % 180.0 - 90.0
        kept = np.abs(off) > MIN_OTHER_DIRECTION_DEGREES
        return replace(
            self, number=self.number[kept], rays=self.rays[kept], scores=self.scores[kept]
        )


@dataclass(frozen=True)
class Placement:
    """How an upright page lies on the picture as given."""

    turn: int
    """Clockwise rotation in degrees of the straight picture: 0, 90, 180 or 270."""
    size: tuple[int, int]
    """Width and height of the straight picture, px."""
    straightened: Straightening | None = None
    """How the picture was made straight; None where it is straight as given."""

    @property
    def is_identity(self) -> bool:
        """Whether the upright page is the picture as given, pixel for pixel."""
        return self.turn == 0 and self.straightened is None

    @property
    def tilt_degrees(self) -> float:
        """Clockwise rotation of the writing that was undone beside quarter turns."""
        return self.straightened.tilt_degrees if self.straightened else 0.0

    @property
    def slant_degrees(self) -> float:
        """Angle between the writing and the sensor that was undone; 0 if none was."""
        return self.straightened.slant_degrees if self.straightened else 0.0

    def dpi(self, given: float | None) -> float | None:
        """Resolution of the upright page; None of one that was taken at a slant."""
        return None if self.slant_degrees else given

    def letters_back(self, found: Located) -> Located:
        """Letters of the upright page on the picture as given."""
        straight = rotate_letters_back(found, self.turn, self.size)
        return self.straightened.letters_back(straight) if self.straightened else straight

    def points_back(self, points: Floats) -> Floats:
        """Points (N, 2) of the upright page on the picture as given."""
        straight = rotate_points_back(points, self.turn, self.size)
        return self.straightened.points_back(straight) if self.straightened else straight

    def frame(self, upright_size: tuple[int, int]) -> Floats | None:
        """(4, 2) corners of the picture as given on the upright page of (width, height) px.

        None where the picture is straight as given.
        """
        if self.straightened is None:
            return None
        # What turns the upright page back turns its opposite upright.
        return rotate_points_back(self.straightened.frame(), (360 - self.turn) % 360, upright_size)


def flatten(gray: Gray, body: float | None = None) -> Gray:
    """Divide out the ground and stretch the ink, so that skin is near 224 and ink near 32.

    `gray` and `body` as in `divide_ground`.
    """
    ratio = divide_ground(gray, body)
    height, width = gray.shape
    # The darkest half percent may be speckle or frame; the dark mode of the ink lies above it.
    some = np.asarray(ratio[:: max(1, height // 512), :: max(1, width // 512)], np.uint8)
    dark = grey_percentile(some, 2.0)
    if dark < SKIN_GREY - 24:
        gain = (SKIN_GREY - INK_GREY) / (SKIN_GREY - dark)
        lut = np.clip(SKIN_GREY - (SKIN_GREY - np.arange(256)) * gain, 0, 255).astype(np.uint8)
        ratio = np.asarray(cv2.LUT(ratio, lut, dst=ratio), np.uint8)
    return ratio


def divide_ground(gray: Gray, body: float | None = None) -> Gray:
    """Divide out the ground, so that skin is near 224.

    `gray` is (H, W) uint8, `body` the body height of its letters in px if known: the ground is
    taken as the local upper grey level over about two bodies, wider than any stroke.
    """
    height, width = gray.shape
    reach = 2.0 * (body if body else max(32.0, min(height, width) / 12))
    step = max(1.0, reach / 16)
    size = (max(2, round(width / step)), max(2, round(height / step)))
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    ground = cv2.morphologyEx(
        cv2.medianBlur(small, 3),
        cv2.MORPH_CLOSE,
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (17, 17)),
        borderType=cv2.BORDER_REPLICATE,
    )
    ground = cv2.GaussianBlur(ground, (0, 0), 6.0, borderType=cv2.BORDER_REPLICATE)
    darkest = int(ground.min())
    ground = cv2.resize(ground, (width, height), interpolation=cv2.INTER_LINEAR)
    # In place from here on: a page may have hundreds of megabytes.
    if darkest < MIN_GROUND_GREY:
        np.maximum(ground, MIN_GROUND_GREY, out=ground)
    return np.asarray(cv2.divide(gray, ground, dst=ground, scale=SKIN_GREY), np.uint8)


def grey_percentile(gray: Gray, percent: float) -> float:
    """What `np.percentile` gives for `gray` (H, W) uint8 of up to 16 megapixels, ten times as
    quick: greys are counted."""
    counts = cv2.calcHist([np.ascontiguousarray(gray)], [0], None, [256], [0, 256])
    ranked = np.cumsum(counts.ravel().astype(np.int64))
    place = (gray.size - 1) * (percent / 100)
    rank = int(place)
    low, high = (int(np.searchsorted(ranked, k, side="right")) for k in (rank, rank + 1))
    high, share = min(high, 255), place - rank
    # Rounded as numpy rounds it, from the nearer of the two.
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1 - share)


def turn_upright(image: Gray, turn: int) -> Gray:
    """Undo a clockwise turn of 0, 90, 180 or 270 degrees."""
    return image if turn == 0 else np.asarray(cv2.rotate(image, _UNDO_TURN[turn]), np.uint8)


def rotate_points_back(points: Floats, turn: int, size: tuple[int, int]) -> Floats:
    """Points (N, 2) of the upright page on the picture as given, `size` its (width, height)."""
    x, y = points.T
    width, height = size
    if turn == 90:
        return np.stack([width - y, x], axis=1)
    if turn == 180:
        return np.stack([width - x, height - y], axis=1)
    if turn == 270:
        return np.stack([y, height - x], axis=1)
    return points


def rotate_letters_back(found: Located, turn: int, size: tuple[int, int]) -> Located:
    """Letters of the upright page on the picture as given, `size` its (width, height).

    Boxes end where the picture does.
    """
    if turn == 0:
        return replace(found, box=np.clip(found.box, 0.0, np.tile(size, 2)))
    ends = found.box[:, :2], found.box[:, 2:]
    corners = np.stack([rotate_points_back(points, turn, size) for points in ends])
    body = found.body.copy()
    body[:, :2] = rotate_points_back(found.centre, turn, size)
    body[:, 3] = (body[:, 3] + turn) % 360
    box = np.concatenate([corners.min(axis=0), corners.max(axis=0)], axis=1)
    return Located(body, np.clip(box, 0.0, np.tile(size, 2)), found.score, found.letters)


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
    places = np.stack(
        [np.bincount(tile, ink * v, across * down)[used] / mass[used] for v in (x, y)], axis=1
    )
    rays = (places - np.array(size) / 2) / max(size)
    return slopes_of_tiles(
        InkTiles(used, rays, scores, tile, (down, across)),
        (np.stack([x, y], axis=1) + 0.5) / scale,
    )


def slopes_of_tiles(tiles: InkTiles, ink: Floats) -> InkSlopes:
    """The slopes that tiles show together; `ink` (N, 2) are their places of ink, px of the page."""
    total = tiles.scores.mean(axis=0)
    best = int(total.argmax())
    converging, highest = _best_converging(tiles.scores, tiles.rays)
    usual = float(np.median(total))
    return InkSlopes(
        _peak(total, best), float(total[best]) / usual - 1, converging, highest / usual - 1, ink,
        tiles,
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
    high = (low + 1) % scores.shape[1]
    tiles = np.arange(len(scores))
    return np.asarray((1 - part) * scores[tiles, low] + part * scores[tiles, high])


def _scores(x: Ints, y: Ints, ink: Floats, tile: Ints, tiles: int) -> Floats:
    """(T, A) energy of the steps of each tile's projection along each trial direction."""
    reach = int(np.hypot(x.max() + 1, y.max() + 1)) + 3
    base = tile * (2 * reach)
    angles = np.deg2rad(np.arange(-90.0, 90.0, STEP_DEGREES))
    scores = np.zeros((tiles, len(angles)))
    for k, angle in enumerate(angles):
        v = y * np.cos(angle) - x * np.sin(angle) + reach
        low = v.astype(np.int64)  # Rounds down: v is above 0.
        part = ink * (v - low)
        place = base + low
        bins = np.bincount(place, ink - part, tiles * 2 * reach)
        bins[1:] += np.bincount(place, part, tiles * 2 * reach)[:-1]
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
