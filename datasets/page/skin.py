"""Parchment: its colour and pores, veins and stains, scored lines, folds, show-through."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.letterforms.raster import Mask
from crownlet.datasets.page.textures import Field, Kind, texture

Polyline = npt.NDArray[np.float64]

PALETTE: tuple[tuple[float, float, float], ...] = (
    (246, 243, 236), (240, 233, 214), (232, 220, 192), (222, 205, 168), (205, 180, 135),
    (186, 152, 92), (168, 128, 66), (160, 92, 44), (128, 84, 48), (150, 138, 84), (138, 122, 86),
    (172, 150, 60),
)  # fmt: skip
"""White, cream, tan, ochre, brown, olive: skins in RGB as they look in fair light."""

_GRAINS: tuple[Kind, ...] = ("pores", "cells", "mottle", "crumple", "fibre")
_COMMON = (0.32, 0.28, 0.2, 0.12, 0.08)
_DEEP = {"pores": 0.06, "cells": 0.06, "mottle": 0.035, "crumple": 0.045, "fibre": 0.025}


def draw_skin(size: tuple[int, int], q: float, strength: float, rng: np.random.Generator) -> Field:
    """Bare skin as (H, W, 3) float32 RGB, 0 to 255; `strength` 0 is plain white."""
    width, height = size
    if strength <= 0:
        return np.full((height, width, 3), 255.0, np.float32)
    pale = PALETTE[: 5 if rng.random() < 0.5 else None]
    colour = np.array(pale[int(rng.integers(len(pale)))]) + rng.normal(0, 6, 3)
    colour = 255.0 + (np.clip(colour, 20, 255) - 255.0) * min(1.0, 0.4 + strength)
    tone = np.ones((height, width), np.float32)
    darkness = 1.0 - colour.mean() / 255.0
    amount = strength * (0.5 + 2.0 * darkness)
    tone += texture("grain", size, float(rng.uniform(0.7, 2.0)), rng) * (0.012 * amount)
    for kind in rng.choice(_GRAINS, size=int(rng.integers(1, 4)), replace=False, p=_COMMON):
        grain = float(np.clip(q * rng.uniform(0.02, 0.08), 0.35, 4.0))
        tone += texture(kind, size, grain, rng) * (_DEEP[kind] * amount * rng.random())
    cloud = texture("cloud", size, max(width, height) / float(rng.uniform(150, 500)), rng)
    cloud *= np.float32(0.05 * amount * rng.random())
    warmth = rng.uniform(0.2, 1.2)
    planes = [
        (tone + cloud * share) * c
        for c, share in zip(colour, (0.7, 1.0, 1.0 + warmth), strict=True)
    ]
    skin: Field = np.asarray(
        cv2.merge([np.asarray(plane, np.float32) for plane in planes]), np.float32
    )
    if rng.random() < 0.35 * strength:
        _stain(skin, rng)
    if rng.random() < 0.3 * strength:
        _veins(skin, q, rng)
    return skin


def _stain(skin: Field, rng: np.random.Generator) -> None:
    """A patch of water or grease with a darker rim."""
    height, width = skin.shape[:2]
    field = texture("cloud", (width, height), max(width, height) / 220.0, rng)
    edge = float(rng.uniform(0.8, 1.8))
    inside = np.clip((field - edge) * 4.0, 0.0, 1.0)
    rim = np.exp(-(((field - edge) * 9.0) ** 2))
    depth = np.float32(rng.uniform(0.04, 0.14))
    tint = np.array([0.7, 1.0, 1.5], np.float32) * depth
    skin *= 1.0 - (0.6 * inside + 0.5 * rim)[:, :, None] * tint


def _veins(skin: Field, q: float, rng: np.random.Generator) -> None:
    """A few branching threads, lighter or darker than the skin."""
    height, width = skin.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    for _ in range(int(rng.integers(2, 6))):
        turns = np.cumsum(rng.normal(0, 0.25, 40)) + rng.uniform(0, 2 * np.pi)
        steps = np.stack([np.cos(turns), np.sin(turns)], 1) * max(width, height) / 45
        path = np.cumsum(steps, axis=0) + rng.uniform(0, 1, 2) * (width, height)
        draw_lines(mask, [path], max(1, round(0.12 * q)))
    soft = cv2.GaussianBlur(mask, (0, 0), max(0.8, 0.12 * q)).astype(np.float32)
    skin *= 1.0 + soft[:, :, None] * np.float32(rng.uniform(-0.12, 0.08) / 255.0)


def score_lines(
    skin: Field, lines: Sequence[Polyline], q: float, strength: float, rng: np.random.Generator
) -> None:
    """Ruled lines pressed with a blunt point: a furrow with a lit and a shaded bank."""
    if strength <= 0 or not lines:
        return
    height, width = skin.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    draw_lines(mask, lines, max(1, round(q * float(rng.uniform(0.04, 0.14)))))
    soft = cv2.GaussianBlur(mask, (0, 0), max(0.6, 0.05 * q)).astype(np.float32)
    shade = np.float32(strength * rng.uniform(0.02, 0.16) / 255.0)
    lit = np.float32(strength * rng.uniform(-0.02, 0.12) / 255.0)
    step = max(1, round(0.12 * q))
    bank = np.zeros_like(soft)
    bank[step:] = soft[:-step]
    skin *= (1.0 - shade * soft + lit * bank)[:, :, None]


def draw_lines(mask: Mask, lines: Sequence[Polyline], thickness: int) -> None:
    """Draw open lines of (N, 2) px into `mask`, anti-aliased."""
    fixed = [np.rint((line - 0.5) * 16).astype(np.int32) for line in lines]
    cv2.polylines(mask, fixed, False, 255, thickness, cv2.LINE_AA, 4)


def fold(skin: Field, q: float, rng: np.random.Generator) -> None:
    """A crease across the whole sheet, ink included: shade on one side, light on the other."""
    height, width = skin.shape[:2]
    angle = float(rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.05))
    middle = np.array([rng.uniform(0.1, 0.9) * width, rng.uniform(0.1, 0.9) * height])
    x = np.arange(width, dtype=np.float32) - np.float32(middle[0])
    y = np.arange(height, dtype=np.float32) - np.float32(middle[1])
    far = np.float32(np.cos(angle)) * x + np.float32(np.sin(angle)) * y[:, None]
    reach = np.float32(q * rng.uniform(0.5, 3.0))
    slope = np.exp(-np.abs(far) / reach) * np.sign(far)
    skin *= (1.0 + np.float32(rng.uniform(-0.1, 0.1)) * slope)[:, :, None]


def show_through(skin: Field, other: Mask, q: float, rng: np.random.Generator) -> None:
    """A faint blurred shadow of the writing on the other side; `other` is its coverage."""
    soft = cv2.GaussianBlur(other[:, ::-1], (0, 0), max(1.0, q * float(rng.uniform(0.15, 0.4))))
    shade = np.float32(rng.uniform(0.02, 0.09) / 255.0)
    skin *= (1.0 - shade * soft.astype(np.float32))[:, :, None]
