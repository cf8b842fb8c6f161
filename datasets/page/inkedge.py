"""Where ink ends: it stops at pores and cells of the skin, here sharp and there blunt; spatter."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.letterforms.raster import Mask
from crownlet.datasets.page.inkflow import Flow
from crownlet.datasets.page.inkstyle import InkStyle
from crownlet.datasets.page.textures import Field

REACH = 0.08
"""Standard deviation in q of the blur within which a ragged edge may wander."""


def wander(cover: Mask, q: float, style: InkStyle) -> Mask:
    """Coverage blurred as far as its edges may wander; `cover` itself if they are clean."""
    if not style.ragged:
        return cover
    soft = cv2.GaussianBlur(cover, (0, 0), max(0.6, REACH * q))
    return np.asarray(cv2.threshold(soft, 24, 255, cv2.THRESH_TOZERO)[1], np.uint8)


def ragged(
    flow: Flow, soft: Mask, grip: Field | None, style: InkStyle, rng: np.random.Generator
) -> Field:
    """Coverage at the px of `flow`, 0 to 1; `soft` is the coverage blurred by `wander`.

    `grip` is the skin's own relief at those px: ink runs into what is dark and stops at creases.
    """
    if not style.ragged:
        return flow.exact
    q = flow.q
    # Waves of 0.1 to 0.8 q together: one length alone makes teeth of a saw.
    noise = 0.4 * flow.sample("mottle", max(0.3, q * float(rng.uniform(0.01, 0.025))), rng)
    noise += 0.6 * flow.sample("mottle", q * float(rng.uniform(0.035, 0.08)), rng)
    noise += 0.25 * flow.sample("grain", max(0.7, q * 0.05), rng)
    if grip is not None:
        noise -= 0.6 * grip
    here = flow.sample("mottle", q * 0.12, rng)
    noise *= np.clip(0.65 + 0.55 * here, 0.1, 1.9)
    sharpest = max(1.0, 2.5 * max(0.6, REACH * q))
    steep = np.clip(sharpest * (0.75 - 0.45 * style.ragged * here), 0.7, sharpest)
    # Held within 0.36 of the middle: an edge moves by about its blur, gaps stay open.
    moved = np.clip(np.float32(0.23 * style.ragged) * noise, -0.36, 0.36)
    wide = soft.ravel().take(flow.index).astype(np.float32).reshape(noise.shape) / 255.0
    edge = np.clip((wide - 0.5 + moved) * steep + 0.5, 0.0, 1.0)
    # The blur would eat hairlines and joints: they keep their own coverage.
    edge = np.maximum(edge, flow.thin)
    # It would also close hair gaps, and those are findings.
    edge = np.minimum(edge, 1.0 - flow.narrow)
    share = np.float32(min(1.0, 4.0 * style.ragged))
    return np.asarray(flow.exact + share * (edge - flow.exact), np.float32)


def relief(skin: Field, flow: Flow, q: float) -> Field:
    """How much lighter the skin is than around it at the px of `flow`, about -2 to 2."""
    green = cv2.extractChannel(skin, 1)
    width = 2 * max(1, round(0.2 * q)) + 1
    detail = green - cv2.blur(green, (width, width))
    found = detail.ravel().take(flow.index).reshape(flow.x.shape)
    spread = np.float32(max(1.0, float(found.std())))
    return np.asarray(np.clip(found / spread, -2.0, 2.0), np.float32)


def spatter(cover: Mask, q: float, amount: float, rng: np.random.Generator) -> Mask:
    """`cover` with drops of 0.03 to 0.1 q strewn about the letters; too small to be strokes."""
    found = cv2.findNonZero(cover)
    if found is None or not amount:
        return cover
    spots = found.reshape(-1, 2)
    count = int(rng.integers(0, 2 + int(len(spots) / (q * q) * 0.2 * amount)))
    middles = spots[rng.integers(0, len(spots), count)] + rng.normal(0, 0.9 * q, (count, 2))
    radii = q * (0.015 + 0.035 * rng.random(count) ** 2)
    out = cover.copy()
    for (x, y), radius in zip(np.rint(middles * 16).astype(int), radii, strict=True):
        # Drops smaller than a px are as much paler.
        dark = 255 if radius > 0.5 else int(255 * max(0.3, (2 * radius) ** 2))
        size = max(6, round(16 * float(radius)))
        cv2.circle(out, (int(x), int(y)), size, dark, -1, cv2.LINE_AA, 4)
    return np.maximum(out, cover)
