"""How thickly the ink lies: pen loads, pen lifts, dry and doubled strokes, wear and cracks.

`InkFlow` holds where on a page there is ink, how its strokes run, and which letter it belongs to.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.page.ink_style import InkStyle
from crownlet.datasets.render.page.textures import TILE_SIDE_PX, Field, Kind, texture_tile

_ROW_PX = 1024

_COARSE_PEN_PX = 6.0
"""Coarse px a pen width: strokes need no finer grid to tell how they run."""

_DIRECTIONS_RAD = np.pi / 4 * np.arange(4)

_DIRECTION_COSINES, _DIRECTION_SINES = (
    np.cos(_DIRECTIONS_RAD).astype(np.float32),
    np.sin(_DIRECTIONS_RAD).astype(np.float32),
)


MIN_HAIRLINE_THICKNESS, MIN_BROAD_THICKNESS = 0.5, 0.12
"""Thickness that is never lost, in hairlines and in broad strokes: no stroke is cut through."""


@dataclass(frozen=True)
class InkFlow:
    """The N inked px of a page, laid out as (N / 1024, 1024) arrays; the last one repeated."""

    index: npt.NDArray[np.int64]
    """Of each px in the flattened page; (N,)."""
    exact: Field
    """The coverage itself, 0 to 1."""
    thin: Field
    """Coverage by what is narrower than about a third of q: tags, joints, tips and hairlines."""
    narrow: Field
    """Gaps narrower than about a quarter of q between ink and ink."""
    x: Field
    y: Field
    """Px from the upper left corner."""
    q: float
    inside: Field
    """Share of ink in the square of 0.9 q around: 1 in broad strokes, near 0 in hairlines."""
    knot: Field
    """0 along a stroke, towards 1 at its ends, at corners and joints."""
    slope_x: Field
    slope_y: Field
    """Towards more ink; about 1 at most."""
    run: npt.NDArray[np.uint8]
    """Direction of the stroke in eighths of a turn: 0 along x, 2 along y."""
    piece: npt.NDArray[np.int32]
    """Number of the connected piece of ink, from 0."""
    centres: npt.NDArray[np.float64]
    """(pieces, 2) px."""

    def sample(self, kind: Kind, grain: float, rng: np.random.Generator) -> Field:
        """Texture `kind`, `grain` page px to a px of its tile."""
        return _sample_texture(kind, self.x, self.y, (grain, grain), rng)

    def along(self, kind: Kind, grain: tuple[float, float], rng: np.random.Generator) -> Field:
        """Texture `kind` turned with the strokes: `grain` along and across them."""
        c, s = _DIRECTION_COSINES.take(self.run), _DIRECTION_SINES.take(self.run)
        return _sample_texture(kind, c * self.x + s * self.y, c * self.y - s * self.x, grain, rng)

    def turned(
        self, kind: Kind, grain: tuple[float, float], angle: float, rng: np.random.Generator
    ) -> Field:
        """Texture `kind` turned by `angle`, its own x and y enlarged by `grain`."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return _sample_texture(kind, c * self.x + s * self.y, c * self.y - s * self.x, grain, rng)

    def by_piece(self, values: npt.NDArray[np.float64]) -> Field:
        """One value of each piece, (pieces,), at its px."""
        return values.astype(np.float32).take(self.piece)


@cache
def _tiled_texture(kind: Kind) -> Field:
    """Nine tiles side by side: OpenCV is seven times quicker where it need not wrap around."""
    return np.tile(texture_tile(kind), (3, 3))


def _sample_texture(
    kind: Kind, x: Field, y: Field, grain: tuple[float, float], rng: np.random.Generator
) -> Field:
    u, v = (
        axis * np.float32(1.0 / size) + np.float32(start - float(axis.min()) / size)
        for axis, size, start in zip((x, y), grain, rng.uniform(0, TILE_SIDE_PX, 2), strict=True)
    )
    wrapped = cv2.remap(_tiled_texture(kind), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.asarray(wrapped, np.float32)


def read_flow(cover: Mask, q: float, reach: Mask | None = None) -> InkFlow | None:
    """Read the strokes of `cover`, uint8 (H, W) with pen width `q` px; None for an empty page.

    The px are those where `reach` is not 0, by default those of `cover`.
    """
    found = cv2.findNonZero(cover if reach is None else reach)
    if found is None:
        return None
    found = found.reshape(-1, 2)
    count = -(-len(found) // _ROW_PX) * _ROW_PX
    spots = np.concatenate([found, np.repeat(found[-1:], count - len(found), axis=0)])
    x, y = (np.ascontiguousarray(spots[:, i], np.float32).reshape(-1, _ROW_PX) for i in (0, 1))
    index = spots[:, 1].astype(np.int64) * cover.shape[1] + spots[:, 0]
    step = max(1.0, q / _COARSE_PEN_PX)
    size = (max(1, round(cover.shape[1] / step)), max(1, round(cover.shape[0] / step)))
    small = np.asarray(cv2.resize(cover, size, interpolation=cv2.INTER_AREA), np.uint8)
    to_x, to_y = np.float32(size[0] / cover.shape[1]), np.float32(size[1] / cover.shape[0])
    u, v = (
        (x + np.float32(0.5)) * to_x - np.float32(0.5),
        (y + np.float32(0.5)) * to_y - np.float32(0.5),
    )
    fields, run = _stroke_fields(small, q / step)
    at = cv2.remap(fields, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    column = np.clip(np.rint(u), 0, size[0] - 1).astype(np.int64)
    flat = np.clip(np.rint(v), 0, size[1] - 1).astype(np.int64) * size[0] + column
    # The skin, piece 0, has no centre on a page that is all ink.
    joined = cv2.dilate(small, np.ones((2, 2), np.uint8))
    _, pieces, _, centres = cv2.connectedComponentsWithStats(joined)
    inside, knot, slope_x, slope_y = (
        np.ascontiguousarray(at[..., i], np.float32) for i in range(4)
    )
    return InkFlow(
        index, *_thin_and_narrow(cover, q, index), x, y, q, inside, knot, slope_x, slope_y,
        run=run.ravel().take(flat),
        piece=np.asarray(pieces, np.int32).ravel().take(flat),
        centres=np.nan_to_num(np.asarray(centres, np.float64)) / (to_x, to_y),
    )  # fmt: skip


def _gather(mask: Mask, index: npt.NDArray[np.int64]) -> Field:
    found = mask.ravel().take(index).astype(np.float32).reshape(-1, _ROW_PX)
    found *= np.float32(1.0 / 255.0)
    return found


def _thin_and_narrow(
    cover: Mask, q: float, index: npt.NDArray[np.int64]
) -> tuple[Field, Field, Field]:
    """Coverage, and what of it opening takes away and closing adds."""
    sizes = (2 * max(1, round(half * q)) + 1 for half in (0.17, 0.12))
    opener, closer = (np.ones((size, size), np.uint8) for size in sizes)
    thin = cv2.subtract(cover, cv2.morphologyEx(cover, cv2.MORPH_OPEN, opener))
    narrow = cv2.subtract(cv2.morphologyEx(cover, cv2.MORPH_CLOSE, closer), cover)
    exact, thin_there, narrow_there = (
        _gather(np.asarray(m, np.uint8), index) for m in (cover, thin, narrow)
    )
    return exact, thin_there, narrow_there


def _stroke_fields(small: Mask, q: float) -> tuple[Field, npt.NDArray[np.uint8]]:
    """(h, w, 4) inside, knot and slopes, and the direction of strokes, of a coarse page."""
    share = small.astype(np.float32) * np.float32(1 / 255.0)
    width = 2 * round(0.45 * q) + 1
    inside = cv2.blur(share, (width, width))
    soft = cv2.GaussianBlur(share, (0, 0), 0.22 * q)
    gx, gy = cv2.Sobel(soft, -1, 1, 0, scale=0.125), cv2.Sobel(soft, -1, 0, 1, scale=0.125)
    near = (2 * round(0.5 * q) + 1,) * 2
    xx, yy, xy = cv2.blur(gx * gx, near), cv2.blur(gy * gy, near), cv2.blur(gx * gy, near)
    difference, twice = xx - yy, 2 * xy
    angle = cv2.phase(-difference, -twice, angleInDegrees=True)
    run = np.rint(angle * np.float32(1 / 90.0)).astype(np.uint8) & 3
    knot = 1.0 - cv2.magnitude(difference, twice) / (xx + yy + np.float32(1e-5))
    sharp = np.float32(0.5 * q)
    return np.asarray(cv2.merge([inside, knot, gx * sharp, gy * sharp]), np.float32), run


def ink_thickness(
    flow: InkFlow, cover: Mask, grip: Field | None, style: InkStyle, rng: np.random.Generator
) -> Field:
    """Thickness of the ink at the px of `flow`, 0 to 1; exactly 1 where all strengths are 0.

    `grip`: how far the skin stands out there; ink lies thinner on what stands out.
    """
    full: Field = np.ones(flow.x.shape, np.float32)
    _vary_pen_load(full, flow, style, rng)
    _vary_strokes(full, flow, cover, style, rng)
    _age_ink(full, flow, style, rng)
    if grip is not None:
        full -= np.float32(0.2 * (style.ragged - 0.5)) * np.clip(0.5 + grip, 0.0, 2.0)
    broad = np.clip((flow.inside - 0.35) * 2.5, 0.0, 1.0) * (1.0 - flow.thin)
    least = MIN_HAIRLINE_THICKNESS + (MIN_BROAD_THICKNESS - MIN_HAIRLINE_THICKNESS) * broad
    return np.asarray(np.clip(full, least, 1.0, out=full), np.float32)


def _vary_pen_load(full: Field, flow: InkFlow, style: InkStyle, rng: np.random.Generator) -> None:
    """What the pen held: clouds, pools, and letters that fade until it is dipped again."""
    q = flow.q
    if style.uneven:
        clouds = flow.sample("mottle", q * float(rng.uniform(0.04, 0.16)), rng)
        full -= np.float32(0.3 * style.uneven) * np.clip(0.5 + 0.5 * clouds, 0.0, 2.0)
    if style.grain:
        speckle = flow.sample("grain", max(0.6, q / float(rng.uniform(15.0, 45.0))), rng)
        full -= np.float32(0.25 * style.grain * min(1.0, q / 12.0)) * np.clip(
            0.3 + speckle, 0.0, 2.0
        )
    if style.pool:
        pooled = np.clip(1.2 * flow.inside + 0.5 * flow.knot, 0.0, 1.0)
        full -= np.float32(style.pool) * (1.0 - pooled)
    if style.dips:
        full -= np.float32(style.dips) * _dip_fading(flow, rng)


def _dip_fading(flow: InkFlow, rng: np.random.Generator) -> Field:
    """0 freshly dipped to about 0.6; Hebrew runs to the left, strokes mostly downwards."""
    q, centres = flow.q, flow.centres
    line = np.floor(centres[:, 1] / (7.0 * q)).astype(int)
    start = rng.random(line.max() + 1)
    wet = q * rng.uniform(8.0, 40.0)
    spent = (start[line] - centres[:, 0] / wet) % 1.0
    lean = rng.normal((-0.02, 0.05), 0.05, (len(centres), 2)) / q
    level = 0.35 * spent + rng.normal(0, 0.08, len(centres)) - (lean * centres).sum(axis=1)
    across, down = (flow.by_piece(lean[:, i]) for i in (0, 1))
    fading: Field = np.maximum(flow.by_piece(level) + across * flow.x + down * flow.y, 0.0)
    return fading


def _vary_strokes(
    full: Field, flow: InkFlow, cover: Mask, style: InkStyle, rng: np.random.Generator
) -> None:
    """What the hand did: dabs put together, strokes gone over twice, a pen run dry."""
    q = flow.q
    if style.lifts:
        wide, high = q * rng.uniform(0.02, 0.07), q * rng.uniform(0.08, 0.2)
        dabs = flow.turned("dabs", (wide, high), float(rng.normal(-0.1, 0.25)), rng)
        full -= np.float32(0.28 * style.lifts) * np.clip(0.4 + dabs, 0.0, 2.0)
    if style.double:
        again = cv2.remap(
            cover,
            flow.x + np.float32(q * rng.uniform(-0.2, 0.2)),
            flow.y + np.float32(q * rng.uniform(-0.2, 0.2)),
            cv2.INTER_LINEAR,
        ).astype(np.float32)
        once = 1.0 - again * np.float32(1 / 255.0)
        once *= np.clip(0.6 + 0.5 * flow.sample("mottle", q * 0.15, rng), 0.0, 1.2)
        full -= np.float32(0.5 * style.double) * once
    if style.dry:
        grain = (q * 0.14, max(0.4, q * float(rng.uniform(0.02, 0.06))))
        if rng.random() < 0.7:
            streaks = flow.along("fibre", grain, rng)
        else:  # Broad strokes are also filled with the pen held one way.
            streaks = flow.turned("fibre", grain, float(rng.normal(1.5, 0.3)), rng)
        here = flow.sample("cloud", q * float(rng.uniform(0.03, 0.1)), rng)
        amount = np.clip(0.45 + 0.7 * here + 0.8 * flow.knot, 0.0, 1.5)
        full -= np.float32(0.6 * style.dry) * np.clip(streaks - 0.1, 0.0, 1.3) * amount


def _age_ink(full: Field, flow: InkFlow, style: InkStyle, rng: np.random.Generator) -> None:
    """What time did: rubbed middles, small flakes, fine cracks and scratches."""
    q = flow.q
    if style.worn:
        here = flow.sample("mottle", q * float(rng.uniform(0.06, 0.25)), rng)
        # Rims stay darker here and there only: a whole dark outline looks drawn.
        deep = np.clip(2.5 * flow.inside - 1.2 + 0.4 * here, 0.0, 1.0)
        full -= np.float32(0.5 * style.worn) * deep * np.clip(0.3 + 0.7 * here, 0.0, 1.5)
    if style.flakes:
        specks = flow.sample("mottle", max(0.25, q * float(rng.uniform(0.012, 0.03))), rng)
        rare = np.float32(2.2 - 1.1 * style.flakes)
        full -= np.clip((specks - rare) * np.float32(1.2), 0.0, 0.85)
    if style.cracks:
        depth = np.float32(0.7 * style.cracks)
        net: Kind = "crackle" if rng.random() < 0.6 else "scratches"
        grain = max(0.7, q * float(rng.uniform(0.02, 0.06)))
        full -= depth * np.clip(flow.sample(net, grain, rng) * 0.4 - 0.3, 0.0, 1.0)
