"""How ink takes the skin: it spreads, its edges are rough, it pools, runs dry and flakes."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.letterforms.raster import InkMask, Mask, edge_table
from crownlet.datasets.page.textures import Field, texture

Colour = tuple[float, float, float]

MOST_GAIN = 0.04
"""Most that ink spreads over each edge, in q: strokes thicken by twice this; he stays open."""


@dataclass(frozen=True)
class InkStyle:
    """One page's ink. Lengths in q, strengths 0 to 1, colour in RGB 0 to 255."""

    colour: Colour = (12.0, 10.0, 8.0)
    gain: float = 0.0
    soft: float = 0.0
    rough: float = 0.0
    dry: float = 0.0
    pool: float = 0.0
    halo: float = 0.0
    flakes: float = 0.0
    gloss: float = 0.0


_BLACK, _BROWN, _GREY = (14.0, 12.0, 11.0), (62.0, 38.0, 20.0), (46.0, 46.0, 48.0)


def draw_ink(strength: float, rng: np.random.Generator) -> InkStyle:
    """Ink of a page; `strength` 0 is even black with sharp edges."""
    if strength <= 0:
        return InkStyle()
    u = rng.random(8) * strength
    old = u[0] ** 2
    toward = np.array(_BROWN if rng.random() < 0.7 else _GREY)
    colour = np.array(_BLACK) * (1 - old) + toward * old
    return InkStyle(
        colour=(float(colour[0]), float(colour[1]), float(colour[2])),
        gain=float(MOST_GAIN * (1.4 * u[1] - 0.4)),
        soft=float(0.02 + 0.06 * u[2]),
        rough=float(u[3]),
        dry=float(0.45 * u[4] ** 2),
        pool=float(0.3 * u[5]),
        halo=float(0.25 * u[6] ** 2),
        flakes=float(u[7] ** 3),
        gloss=float(strength * rng.random() if rng.random() < 0.2 else 0.0),
    )


class Spreader:
    """Turns the exact masks of letters into the ink that stands on the page."""

    def __init__(self, style: InkStyle, q: float, finer: int, rng: np.random.Generator) -> None:
        fine = q * finer
        self.sigma = max(0.7, style.soft * fine)
        gain = style.gain * fine
        self.table = edge_table(self.sigma, gain)
        reach = 2 * int(np.ceil(max(0.0, gain) + 1.0)) + 1
        self._reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
        self._core = np.ones((3, 3), np.uint8)
        self.rough = style.rough
        if style.rough:
            self._noise = _edge_noise(fine, rng)

    def __call__(self, ink: InkMask, rng: np.random.Generator) -> Mask:
        """Coverage of page px. Hairlines keep a core, and gaps are never bridged."""
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
        cv2.max(edged, cv2.erode(mask, self._core), dst=edged)
        cv2.min(edged, cv2.dilate(mask, self._reach), dst=edged)
        return InkMask(edged, ink.x0, ink.y0, ink.finer).on_page()


def _edge_noise(fine: float, rng: np.random.Generator) -> Mask:
    """Roughness of edges as uint8 about 128: waves of a fifth of a pen and finer."""
    side = 1024
    wave = texture("mottle", (side, side), fine / 28.0, rng)
    grit = texture("grain", (side, side), max(1.0, fine / 20.0), rng)
    return np.clip(128.0 + 22.0 * wave + 10.0 * grit, 0, 255).astype(np.uint8)


def density(cover: Mask, q: float, style: InkStyle, rng: np.random.Generator) -> Field:
    """Opacity of the ink at each px of the page, 0 to 1, from its coverage (uint8)."""
    alpha: Field = cover.astype(np.float32)
    alpha *= 1.0 / 255.0
    if not (style.dry or style.pool or style.flakes):
        return alpha
    size = (cover.shape[1], cover.shape[0])
    thin = np.full(cover.shape, 1.0, np.float32)
    if style.pool:
        inside = cv2.blur(cover, (_odd(0.9 * q), _odd(0.9 * q))).astype(np.float32)
        thin -= style.pool * (1.0 - np.float32(1 / 255.0) * inside)
    if style.dry:
        streaks = texture("mottle", size, max(0.3, q / 9.0), rng)
        thin -= style.dry * np.clip(0.3 + 0.35 * streaks, 0.0, 1.0)
    if style.flakes:
        specks = texture("mottle", size, max(0.25, q / 45.0), rng)
        thin -= style.flakes * 0.45 * np.clip(specks - 1.2, 0.0, 1.0)
    np.maximum(thin, 0.45, out=thin)
    alpha *= thin
    return alpha


def lay(skin: Field, cover: Mask, q: float, style: InkStyle, rng: np.random.Generator) -> Field:
    """Ink of `cover` laid on `skin`, (H, W, 3) float32 RGB; the skin is changed in place."""
    alpha = density(cover, q, style, rng)
    if style.halo:
        bleed = cv2.blur(cover, (_odd(0.5 * q), _odd(0.5 * q))).astype(np.float32)
        bleed *= np.float32(style.halo / 255.0)
        skin *= (1.0 - bleed)[:, :, None]
    size = (cover.shape[1], cover.shape[0])
    tone = 1.0 + 0.25 * texture("grain", size, max(0.6, q / 20.0), rng)
    shine: Field | float = 0.0
    if style.gloss:
        spots = texture("mottle", size, max(0.3, q / 40.0), rng)
        shine = (70.0 * style.gloss) * np.clip(spots - 1.3, 0.0, 1.0)
    planes = [np.asarray(tone * c + shine, np.float32) for c in style.colour]
    paint: Field = np.asarray(cv2.merge(planes), np.float32)
    paint -= skin
    paint *= alpha[:, :, None]
    skin += paint
    return skin


def _odd(px: float) -> int:
    return 2 * max(1, round(px / 2)) + 1
