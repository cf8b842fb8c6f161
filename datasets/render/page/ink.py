"""How ink takes the skin: spread, rough edges, sheen, and a colour that follows its thickness.

Edges stop at pores and cells of the skin, here sharp and there blunt. Raised ink has a dull sheen,
and lights on the side that faces the lamp.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np

from crownlet.datasets.render.letterforms.raster import InkMask, Mask, edge_table
from crownlet.datasets.render.page.ink_body import InkFlow, ink_thickness, read_flow
from crownlet.datasets.render.page.ink_style import InkStyle
from crownlet.datasets.render.page.textures import Field, Kind, crop_texture

EDGE_BLUR_Q = 0.08
"""Standard deviation in q of the blur within which a ragged edge may wander."""


LAMP_RGB = (262.0, 266.0, 262.0)

SHEEN_RGB = (96.0, 102.0, 94.0)


MAX_HAIRLINE_Q = 0.13
"""Strokes and gaps narrower than this, in q, stay as they were drawn: blur would undo them."""


def blur_edges(cover: Mask, q: float, style: InkStyle) -> Mask:
    """Coverage blurred as far as its edges may wander; `cover` itself if they are clean."""
    if not style.ragged:
        return cover
    soft = cv2.GaussianBlur(cover, (0, 0), max(0.6, EDGE_BLUR_Q * q))
    return np.asarray(cv2.threshold(soft, 24, 255, cv2.THRESH_TOZERO)[1], np.uint8)


def roughen_edges(
    flow: InkFlow, soft: Mask, grip: Field | None, style: InkStyle, rng: np.random.Generator
) -> Field:
    """Coverage at the px of `flow`, 0 to 1; `soft` is the coverage blurred by `blur_edges`.

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
    sharpest = max(1.0, 2.5 * max(0.6, EDGE_BLUR_Q * q))
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


def skin_relief(skin: Field, flow: InkFlow, q: float) -> Field:
    """How much lighter the skin is than around it at the px of `flow`, about -2 to 2."""
    green = cv2.extractChannel(skin, 1)
    width = 2 * max(1, round(0.2 * q)) + 1
    detail = green - cv2.blur(green, (width, width))
    found = detail.ravel().take(flow.index).reshape(flow.x.shape)
    spread = np.float32(max(1.0, float(found.std())))
    return np.asarray(np.clip(found / spread, -2.0, 2.0), np.float32)


def add_spatter(cover: Mask, q: float, amount: float, rng: np.random.Generator) -> Mask:
    """`cover` with drops of 0.03 to 0.1 q scattered about the letters; too small to be strokes."""
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


def add_shine(paint: list[Field], flow: InkFlow, style: InkStyle, rng: np.random.Generator) -> None:
    """Lay sheen and lights over the planes of colour, or the one of grey, in place."""
    q = flow.q
    toward_x, toward_y = np.float32(np.cos(style.lamp)), np.float32(np.sin(style.lamp))
    # Ink slopes down where there is less of it; the slope that looks to the lamp mirrors it.
    facing = -(flow.slope_x * toward_x + flow.slope_y * toward_y)
    # Lights gather on small bumps, or along the cells of the skin beneath.
    kind: Kind = ("mottle", "mottle", "cells", "crackle")[int(rng.integers(4))]
    bumps = flow.sample(kind, max(0.3, q * float(rng.uniform(0.01, 0.035))), rng)
    np.minimum(bumps, 0.9 if kind == "crackle" else 1.8, out=bumps)
    places = flow.sample("mottle", q * float(rng.uniform(0.08, 0.35)), rng)
    broad = np.clip((flow.inside - 0.15) * 4.0, 0.3, 1.0) * (1.0 - 0.5 * flow.thin)
    dull = np.clip(0.1 + 0.6 * facing + 0.25 * places + 0.3 * bumps, 0.0, 0.9)
    dull *= np.float32(style.gloss) * broad
    level = np.float32(1.85 - 0.95 * style.gloss)
    lit = np.clip((1.1 * facing + 0.4 * places + 0.5 * bumps - level) * 1.1, 0.0, 1.0) * broad
    for plane, sheen, lamp in zip(paint, SHEEN_RGB, LAMP_RGB, strict=False):
        plane += dull * (np.float32(sheen) - plane)
        plane += lit * (np.float32(lamp) - plane)


class InkSpreader:
    """Turns the exact masks of letters into the ink that stands on the page.

    `pooled` edges take their roughness from a field that is drawn once a process.
    """

    def __init__(
        self, style: InkStyle, q: float, finer: int, rng: np.random.Generator, pooled: bool = False
    ) -> None:
        fine = q * finer
        # The edge moves by the noise within its own ramp, so rough edges need a wide one.
        self.sigma = max(0.7, style.soft * fine, 0.06 * style.rough * fine)
        gain = style.gain * fine
        self.table = edge_table(self.sigma, gain)
        reach = 2 * int(np.ceil(max(0.0, gain) + 1.0)) + 1
        self._reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
        self._core = np.ones((3, 3), np.uint8)
        hair = max(3, round(MAX_HAIRLINE_Q * fine))
        self._hair = np.ones((hair, hair), np.uint8)
        self.rough = style.rough
        if style.rough:
            self._noise = (
                _pooled_noise(round(4 * np.log2(fine))) if pooled else _edge_noise(fine, rng)
            )

    def __call__(self, ink: InkMask, rng: np.random.Generator) -> Mask:
        """Coverage of page px. Hairlines stay, and gaps are never bridged."""
        mask = ink.mask
        soft = cv2.GaussianBlur(mask, (0, 0), self.sigma, borderType=cv2.BORDER_CONSTANT)
        if self.rough:
            height, width = mask.shape
            rows = int(rng.integers(0, max(1, self._noise.shape[0] - height)))
            columns = int(rng.integers(0, max(1, self._noise.shape[1] - width)))
            noise = self._noise[rows : rows + height, columns : columns + width]
            if noise.shape == mask.shape:
                soft = cv2.addWeighted(soft, 1.0, noise, self.rough, -128.0 * self.rough)
        edged = np.asarray(cv2.LUT(soft, self.table), np.uint8)
        cv2.min(edged, cv2.dilate(mask, self._reach), dst=edged)
        cv2.max(edged, cv2.erode(mask, self._core), dst=edged)
        opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, self._hair)
        closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, self._hair)
        cv2.max(edged, cv2.subtract(mask, opened), dst=edged)
        cv2.subtract(edged, cv2.subtract(closed, mask), dst=edged)
        return InkMask(edged, ink.x0, ink.y0, ink.finer).on_page()


@cache
def _pooled_noise(size: int) -> Mask:
    """Roughness for a pen of about 2 to the power of a quarter of `size` px."""
    return _edge_noise(2.0 ** (size / 4), np.random.default_rng([0x1A, size]))


def _edge_noise(fine: float, rng: np.random.Generator) -> Mask:
    """Roughness of edges as uint8 about 128: waves of a fifth of a pen and finer."""
    side = 1024
    wave = crop_texture("mottle", (side, side), fine / 28.0, rng)
    grit = crop_texture("grain", (side, side), max(1.0, fine / 20.0), rng)
    return np.clip(128.0 + 30.0 * wave + 16.0 * grit, 0, 255).astype(np.uint8)


def lay_ink(skin: Field, cover: Mask, q: float, style: InkStyle, rng: np.random.Generator) -> Field:
    """Ink of `cover` laid on `skin`, (H, W, 3) float32 RGB; the skin is changed in place."""
    style = _spare_small_edges(style, q)
    cover = add_spatter(cover, q, style.spatter, rng)
    darken_around(skin, cover, q, style, rng)
    soft = blur_edges(cover, q, style)
    flow = read_flow(cover, q, soft)
    if flow is None:
        return skin
    grip = skin_relief(skin, flow, q) if style.ragged > 0.5 else None
    paint, alpha = _paint_ink(flow, cover, soft, grip, style, rng)
    under = skin.reshape(-1, 3)
    spots = under.take(flow.index, axis=0)
    laid = np.stack([plane.ravel() for plane in paint], axis=1)
    laid -= spots
    laid *= alpha.reshape(-1, 1)
    laid += spots
    under[flow.index] = laid
    return skin


def ink_layer(
    cover: Mask, q: float, style: InkStyle, rng: np.random.Generator
) -> tuple[Mask, Mask]:
    """Ink of `cover` (H, W) without a skin under it: how far it covers, 0 to 255, and its grey
    times that share. The colours of `style` are greys."""
    style = _spare_small_edges(style, q)
    cover = add_spatter(cover, q, style.spatter, rng)
    soft = blur_edges(cover, q, style)
    flow = read_flow(cover, q, soft)
    layers = np.zeros_like(cover), np.zeros_like(cover)
    if flow is None:
        return layers
    (gray,), alpha = _paint_ink(flow, cover, soft, None, style, rng)
    for layer, laid in zip(layers, (alpha * np.float32(255.0), alpha * gray), strict=True):
        layer.ravel()[flow.index] = cv2.convertScaleAbs(laid).ravel()
    return layers


def _spare_small_edges(style: InkStyle, q: float) -> InkStyle:
    """Of small writing, edges are finer than the px: blurring them would only soften it."""
    return replace(style, ragged=style.ragged * float(np.clip((q - 5.0) / 8.0, 0.0, 1.0)))


def _paint_ink(
    flow: InkFlow, cover: Mask, soft: Mask, grip: Field | None, style: InkStyle,
    rng: np.random.Generator,
) -> tuple[list[Field], Field]:  # fmt: skip
    """Planes of colour of the ink at the px of `flow`, and how far it hides the skin, 0 to 1."""
    body = ink_thickness(flow, cover, grip, style, rng)
    paint = _colour_ink(flow, body, style, rng)
    # Thin ink still covers: half the body hides two thirds of the skin.
    opaque = (1.0 - (1.0 - body) ** 1.6) * np.float32(style.opacity)
    return paint, opaque * roughen_edges(flow, soft, grip, style, rng)


def _colour_ink(
    flow: InkFlow, body: Field, style: InkStyle, rng: np.random.Generator
) -> list[Field]:
    """Red, green and blue of the ink at the px of `flow`; `body` grows where it is retouched."""
    tone: Field | float = 1.0
    if style.grain:
        # Finer grain than a px averages out.
        grain = np.float32(style.grain * min(1.0, flow.q / 12.0))
        tone = 1.0 + grain * flow.sample("grain", max(0.6, flow.q / 30.0), rng)
        tone = np.maximum(tone, 0.3)
    thin = 1.0 - body
    planes = [
        np.asarray((np.float32(c) + thin * np.float32(t - c)) * tone, np.float32)
        for c, t in zip(style.colour, style.thin, strict=True)
    ]
    if style.retouch:
        over = _retouched_share(flow, style.retouch, rng)
        body += 0.9 * over * (1.0 - body)
        for plane, c in zip(planes, style.patch, strict=True):
            plane += over * (np.float32(c) - plane)
    if style.gloss:
        add_shine(planes, flow, style, rng)
    return planes


def _retouched_share(flow: InkFlow, share: float, rng: np.random.Generator) -> Field:
    """1 where a letter was gone over later: one side of it, with an uneven border."""
    count = len(flow.centres)
    turn = rng.uniform(0, 2 * np.pi, count)
    away = np.stack([np.cos(turn), np.sin(turn)], axis=1) / flow.q
    offset = np.where(rng.random(count) < 0.3 * share, rng.uniform(-0.2, 1.0, count), -99.0)
    offset -= (away * flow.centres).sum(axis=1)
    side = flow.by_piece(offset) + flow.by_piece(away[:, 0]) * flow.x
    side += flow.by_piece(away[:, 1]) * flow.y
    side += 0.15 * flow.sample("mottle", flow.q * 0.05, rng)
    return np.clip(4.0 * side, 0.0, 1.0)


def darken_around(
    skin: Field, cover: Mask, q: float, style: InkStyle, rng: np.random.Generator
) -> None:
    """Oil about the letters, and the narrow border where ink crept; both darken the skin, which is
    in colour or grey."""
    tint: tuple[float, ...]
    for strength, reach, tint in (
        (style.halo, float(rng.uniform(0.4, 1.3)), (0.8, 1.0, 1.25)),
        (0.6 * style.fringe, 0.2, (0.85, 1.0, 1.15)),
    ):
        if strength:
            wide = _odd_size(reach * q)
            bleed = cv2.blur(cv2.blur(cover, (wide, wide)), (wide, wide))
            if skin.ndim == 2:
                tint, bleeds = tint[1:2], bleed
            else:
                bleeds = cv2.merge([bleed] * 3)
            table = 1.0 - np.linspace(0.0, strength, 256)[:, None] * np.array(tint)
            shade = cv2.LUT(bleeds, table.astype(np.float32).reshape(256, 1, len(tint)))
            cv2.multiply(skin, shade, dst=skin)


def _odd_size(px: float) -> int:
    return 2 * max(1, round(px / 2)) + 1
