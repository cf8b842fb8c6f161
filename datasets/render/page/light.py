"""Light on the sheet: a falling lamp, shadows with soft and hard edges, glare, coloured light."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.render.page.textures import Field, Kind, crop_texture, in_planes

MAX_GLARE_SHARE = 0.6
"""Most of the light at a glare spot that is mirrored lamp. Ink there keeps four tenths of its
contrast, so that its letters can still be read and stay in the truth; spots that wash letters out
altogether are not drawn, since no reader could read the letter there."""

_SHADOW_SCALE_PX = 4


def add_uneven_light(page: Field, strength: float, rng: np.random.Generator) -> None:
    """Uneven light on (H, W, 3) or (H, W) float32: a falling lamp, dark corners, shadows."""
    if strength <= 0:
        return
    height, width = page.shape[:2]
    small = (max(8, width // _SHADOW_SCALE_PX), max(8, height // _SHADOW_SCALE_PX))
    x = np.linspace(-1, 1, small[0], dtype=np.float32)
    y = np.linspace(-1, 1, small[1], dtype=np.float32)[:, None]
    a, fall = rng.uniform(0, 2 * np.pi), np.float32(strength * rng.uniform(0, 0.3))
    field = 1.0 + fall * (np.float32(np.cos(a)) * x + np.float32(np.sin(a)) * y)
    field -= np.float32(strength * rng.uniform(0, 0.15)) * (x * x + y * y)
    if rng.random() < 0.35:
        field *= 1.0 - np.float32(strength * rng.uniform(0.1, 0.5)) * _shadow(small, rng)
    np.maximum(field, np.float32(0.25), out=field)
    wide = cv2.resize(np.asarray(field, np.float32), (width, height))
    # Shaded places are lit by the sky or by the lamp's reflection: a little bluer, or warmer.
    blue = np.float32(rng.normal(0, 0.12) * strength)
    shade = wide if page.ndim == 2 else cv2.merge([wide, wide, wide + blue * (1.0 - wide)])
    cv2.multiply(page, shade, dst=page)


def _shadow(size: tuple[int, int], rng: np.random.Generator) -> Field:
    """Where the shadow of a hand, a head or a telephone falls: 0 to 1, its edge soft or hard."""
    width, height = size
    mask = np.zeros((height, width), np.uint8)
    side = max(width, height)
    turn = rng.uniform(0, 2 * np.pi)
    ahead = np.array([np.cos(turn), np.sin(turn)])
    aside = np.array([-ahead[1], ahead[0]])
    edge = np.array([width, height]) * rng.uniform(0.2, 0.8, 2)
    half = side * (rng.uniform(0.08, 0.3) if rng.random() < 0.4 else 3.0)
    corners = [edge - half * aside, edge + half * aside]
    corners += [corners[1] + 3 * side * ahead, corners[0] + 3 * side * ahead]
    cv2.fillPoly(mask, [np.rint(np.array(corners)).astype(np.int32)], 255)
    blur = side * float(np.exp(rng.uniform(np.log(0.004), np.log(0.12))))
    coarse = cv2.resize(mask, (64, 64), interpolation=cv2.INTER_AREA) if blur > 16 else mask
    sigma = blur * 64 / side if blur > 16 else blur
    soft = cv2.GaussianBlur(coarse, (0, 0), max(0.5, sigma)).astype(np.float32)
    shadow: Field = cv2.resize(soft, size) * np.float32(1 / 255.0)
    return shadow


def add_glare(page: Field, strength: float, rng: np.random.Generator) -> None:
    """The lamp mirrored by the skin: a bright patch in which ink pales, or streaks of creases."""
    if strength <= 0:
        return
    height, width = page.shape[:2]
    small = (max(8, width // _SHADOW_SCALE_PX), max(8, height // _SHADOW_SCALE_PX))
    x = np.arange(small[0], dtype=np.float32)
    y = np.arange(small[1], dtype=np.float32)[:, None]
    spot = np.zeros((small[1], small[0]), np.float32)
    for _ in range(int(rng.integers(1, 3))):
        at = rng.uniform(0, 1, 2) * small
        reach = max(small) * rng.uniform(0.04, 0.25, 2)
        turn = rng.uniform(0, np.pi)
        c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
        dx, dy = x - np.float32(at[0]), y - np.float32(at[1])
        u, v = (c * dx + s * dy) / np.float32(reach[0]), (c * dy - s * dx) / np.float32(reach[1])
        spot = np.maximum(spot, np.exp(-(u * u + v * v)))
    spot *= np.float32(MAX_GLARE_SHARE * min(1.0, strength) * rng.uniform(0.3, 1.0))
    wide = np.asarray(cv2.resize(spot, (width, height)), np.float32)
    if rng.random() < 0.5:
        kind: Kind = "crumple" if rng.random() < 0.5 else "cells"
        bumps = crop_texture(kind, (width, height), float(rng.uniform(0.7, 3.0)), rng)
        wide *= np.clip(np.float32(0.45) + np.float32(0.4) * bumps, 0.0, 1.0)
    lamp = np.float32(float(page[::16, ::16].max()) * rng.uniform(1.0, 1.4))
    page += in_planes(wide, page) * (lamp - page)


def add_glints(page: Field, q: float, strength: float, rng: np.random.Generator) -> None:
    """Glints on the creases of glossy skin and ink, in patches on one side of the lamp."""
    if strength <= 0:
        return
    height, width = page.shape[:2]
    kind: Kind = "cells" if rng.random() < 0.4 else "crackle"
    creases = crop_texture(kind, (width, height), float(np.clip(0.025 * q, 0.5, 3.0)), rng)
    small = (max(8, width // _SHADOW_SCALE_PX), max(8, height // _SHADOW_SCALE_PX))
    where = crop_texture("cloud", small, max(small) / float(rng.uniform(100, 300)), rng)
    lit = np.clip(creases - np.float32(rng.uniform(1.3, 2.0)), 0.0, 1.0)
    lit *= cv2.resize(np.clip(where - np.float32(0.3), 0.0, 1.0), (width, height))
    lit *= np.float32(min(1.0, strength) * rng.uniform(0.2, 0.6))
    lamp = np.float32(float(page[::16, ::16].max()) * rng.uniform(1.1, 1.6))
    page += in_planes(lit, page) * (lamp - page)


def draw_light_colour(strength: float, rng: np.random.Generator) -> Field:
    """Colour of the light as factors, (3,) RGB: daylight mostly, tungsten, sky, bad tubes."""
    factors = rng.normal(0, 0.06, 3)
    kind = rng.random()
    if kind < 0.2:  # tungsten, up to hardly any blue
        depth = rng.uniform(0.2, 1.0)
        factors += np.array([0.0, -0.22, -1.1]) * depth
    elif kind < 0.28:
        factors += np.array([-0.5, -0.15, 0.0]) * rng.uniform(0.3, 1.0)
    elif kind < 0.34:
        factors += np.array([-0.2, 0.0, -0.35]) * rng.uniform(0.3, 1.0)
    return np.asarray(np.exp(strength * factors), np.float32)
