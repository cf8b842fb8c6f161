"""How thickly the ink lies: pen loads, pen lifts, dry and doubled strokes, wear and cracks."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.letterforms.raster import Mask
from crownlet.datasets.page.inkflow import Flow
from crownlet.datasets.page.inkstyle import InkStyle
from crownlet.datasets.page.textures import Field, Kind

LEAST_THIN, LEAST_BROAD = 0.5, 0.12
"""Thickness that is never lost, in hairlines and in broad strokes: no stroke is cut through."""


def thickness(
    flow: Flow, cover: Mask, grip: Field | None, style: InkStyle, rng: np.random.Generator
) -> Field:
    """Thickness of the ink at the px of `flow`, 0 to 1; exactly 1 where all strengths are 0.

    `grip`: how far the skin stands out there; ink lies thinner on what stands out.
    """
    full: Field = np.ones(flow.x.shape, np.float32)
    _load(full, flow, style, rng)
    _strokes(full, flow, cover, style, rng)
    _age(full, flow, style, rng)
    if grip is not None:
        full -= np.float32(0.2 * (style.ragged - 0.5)) * np.clip(0.5 + grip, 0.0, 2.0)
    broad = np.clip((flow.inside - 0.35) * 2.5, 0.0, 1.0) * (1.0 - flow.thin)
    least = LEAST_THIN + (LEAST_BROAD - LEAST_THIN) * broad
    return np.asarray(np.clip(full, least, 1.0, out=full), np.float32)


def _load(full: Field, flow: Flow, style: InkStyle, rng: np.random.Generator) -> None:
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
        full -= np.float32(style.dips) * _dips(flow, rng)


def _dips(flow: Flow, rng: np.random.Generator) -> Field:
    """0 freshly dipped to about 0.6; Hebrew runs to the left, strokes mostly downwards."""
    q, centres = flow.q, flow.centres
    line = np.floor(centres[:, 1] / (7.0 * q)).astype(int)
    start = rng.random(line.max() + 1)
    wet = q * rng.uniform(8.0, 40.0)
    spent = (start[line] - centres[:, 0] / wet) % 1.0
    lean = rng.normal((-0.02, 0.05), 0.05, (len(centres), 2)) / q
    level = 0.35 * spent + rng.normal(0, 0.08, len(centres)) - (lean * centres).sum(axis=1)
    across, down = (flow.by_piece(lean[:, i]) for i in (0, 1))
    return np.maximum(flow.by_piece(level) + across * flow.x + down * flow.y, 0.0)


def _strokes(
    full: Field, flow: Flow, cover: Mask, style: InkStyle, rng: np.random.Generator
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


def _age(full: Field, flow: Flow, style: InkStyle, rng: np.random.Generator) -> None:
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
