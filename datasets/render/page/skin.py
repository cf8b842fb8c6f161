"""Parchment: its colour, grain, follicles, relief, veins, stains, ruling and reverse side.

Everything that shades bare skin is gathered in one plane, its *tone* (1 is even skin), and coloured
once: what is darker is also warmer, as on real skins. Follicles of the hair side are dark dots in
wavering rows and clumps. Ruled lines are furrows pressed with a blunt point, without ink. Writing
of the reverse side shines through, mirrored.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.page.textures import Crop, Field, Kind, crop_texture

_MAX_DOTS = 30_000
"""Most dots a page gets; small letters on a large sheet would ask for more."""


Polyline = npt.NDArray[np.float64]

SKIN_COLOURS_RGB: tuple[tuple[float, float, float], ...] = (
    (246, 243, 236), (240, 233, 214), (232, 220, 192), (222, 205, 168), (205, 180, 135),
    (186, 152, 92), (168, 128, 66), (160, 92, 44), (128, 84, 48), (150, 138, 84), (138, 122, 86),
    (172, 150, 60),
)  # fmt: skip
"""White, cream, tan, ochre, brown, olive: skins in RGB as they look in fair light."""

YELLOW_SKIN_COLOURS_RGB: tuple[tuple[float, float, float], ...] = (
    (190, 142, 52), (172, 132, 48), (150, 120, 36), (125, 103, 42), (176, 118, 40), (140, 100, 30),
    (168, 112, 24), (130, 98, 26), (164, 92, 28), (146, 116, 34),
    (172, 124, 18), (150, 105, 14),
)  # fmt: skip
"""Old skins under lamps, with hardly any blue: three pages in ten."""

_GRAIN_KINDS: tuple[Kind, ...] = ("pores", "cells", "mottle", "crumple", "fibre")

_GRAIN_SHARES = (0.32, 0.28, 0.2, 0.12, 0.08)

_GRAIN_DEPTHS = {"pores": 0.07, "cells": 0.07, "mottle": 0.04, "crumple": 0.05, "fibre": 0.03}

_RELIEF_KINDS: tuple[Kind, ...] = ("cells", "mottle", "crumple", "leather")


_SHADOW_SCALE_PX = 3
"""The shadow is blurred, so a third of the resolution will do."""


def darken_follicles(tone: Field, q: float, rng: np.random.Generator) -> None:
    """Darken `tone`, (H, W) float32 about 1, at follicles; `q` is the pen in px."""
    height, width = tone.shape
    apart = max(3.0, q * float(rng.uniform(0.2, 0.6)))
    apart = max(apart, (height * width / _MAX_DOTS) ** 0.5)
    x, y = _follicle_dots(width, height, apart, rng)
    mask = np.zeros((height, width), np.uint8)
    large = rng.random(len(x)) < rng.uniform(0.1, 0.6)
    deep = rng.integers(60, 256, len(x), dtype=np.uint8)
    mask[y[large], x[large]] = deep[large]
    size = 2 * max(0, round(q * float(rng.uniform(0.02, 0.05)))) + 1
    if size > 1:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        mask = np.asarray(cv2.dilate(mask, disc), np.uint8)
    mask[y[~large], x[~large]] = deep[~large]
    if size > 3:
        mask = np.asarray(cv2.dilate(mask, np.ones((2, 2), np.uint8)), np.uint8)
    soft = cv2.GaussianBlur(mask, (0, 0), max(0.6, 0.3 * size)).astype(np.float32)
    # Skins are hairier along the back than at the belly.
    grown = crop_texture("cloud", (width, height), max(width, height) / 400.0, rng)
    soft *= np.clip(grown * np.float32(0.5) + np.float32(0.6), 0.0, 1.2)
    soft *= np.float32(rng.uniform(0.12, 0.45) / 255.0)
    tone -= soft


def _follicle_dots(
    width: int, height: int, apart: float, rng: np.random.Generator
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Columns and rows of the dots within the picture: rows of groups, unsteady, turned."""
    reach = 0.75 * float(np.hypot(width, height))
    along = np.arange(-reach, reach, apart)
    across = np.arange(-reach, reach, apart * float(rng.uniform(1.2, 2.2)))
    u, v = (grid.ravel() for grid in np.meshgrid(along, across))
    wave, phase = rng.uniform(20, 60) * apart, rng.uniform(0, 2 * np.pi)
    v = v + 2.0 * apart * np.sin(u / wave + phase) + rng.normal(0, 0.3 * apart, u.size)
    u = u + rng.normal(0, 0.35 * apart, u.size)
    if rng.random() < 0.4:  # goat: coarse and fine hairs in groups along the row
        u = u - 0.6 * apart * np.sin(2 * np.pi * u / (3.0 * apart))
    turn = rng.uniform(0, np.pi)
    x = np.rint(width / 2 + np.cos(turn) * u - np.sin(turn) * v).astype(np.intp)
    y = np.rint(height / 2 + np.sin(turn) * u + np.cos(turn) * v).astype(np.intp)
    seen = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    return x[seen], y[seen]


def draw_skin(
    size: tuple[int, int], q: float, strength: float, rng: np.random.Generator,
    crop: Crop = crop_texture,
) -> tuple[Field, Field]:  # fmt: skip
    """Bare skin: its tone, (H, W) float32 about 1, and its colour, (3,) RGB 0 to 255.

    `strength` 0 is plain white; `crop` cuts the textures.
    """
    width, height = size
    tone = np.ones((height, width), np.float32)
    if strength <= 0:
        return tone, np.full(3, 255.0, np.float32)
    kind = rng.random()
    choice = (
        YELLOW_SKIN_COLOURS_RGB if kind < 0.3 else SKIN_COLOURS_RGB[: 5 if kind < 0.72 else None]
    )
    colour = np.array(choice[int(rng.integers(len(choice)))]) + rng.normal(0, 6, 3)
    colour = 255.0 + (np.clip(colour, 20, 255) - 255.0) * min(1.0, 0.4 + strength)
    amount = strength * (0.5 + 2.0 * (1.0 - colour.mean() / 255.0))
    strong = rng.random() < 0.35
    fine = 0.012 * amount if not strong else float(rng.uniform(0.015, 0.04))
    tone += crop("grain", size, float(rng.uniform(0.7, 2.0)), rng) * np.float32(fine)
    if strong:  # leather whose grain is as plain as the writing
        grain = float(np.clip(q * rng.uniform(0.015, 0.035), 0.35, 4.0))
        hide: Kind = "leather" if rng.random() < 0.7 else "cells"
        tone += crop(hide, size, grain, rng) * np.float32(rng.uniform(0.03, 0.1))
        tone += crop("pores", size, grain, rng) * np.float32(rng.uniform(0.0, 0.04))
    for name in rng.choice(
        _GRAIN_KINDS, size=int(rng.integers(1, 4)), replace=False, p=_GRAIN_SHARES
    ):
        most = 0.035 if name == "pores" else 0.1  # pores are 0.05 to 0.15 q wide
        grain = float(np.clip(q * rng.uniform(0.015, most), 0.35, 5.0))
        tone += crop(name, size, grain, rng) * np.float32(
            _GRAIN_DEPTHS[name] * amount * rng.random()
        )
    if rng.random() < 0.4 * strength:
        _shade_relief(tone, q, amount, rng, crop)
    if rng.random() < 0.25 * strength:
        darken_follicles(tone, q, rng)
    cloud = crop("cloud", size, max(width, height) / float(rng.uniform(150, 500)), rng)
    tone += cloud * np.float32(0.05 * amount * rng.random())
    if rng.random() < 0.35 * strength:
        _add_stain(tone, rng)
    if rng.random() < 0.35 * strength:
        _add_veins(tone, q, rng)
    return tone, np.asarray(colour, np.float32)


def colour_skin(tone: Field, colour: Field, rng: np.random.Generator) -> Field:
    """Skin of this tone as (H, W, 3) float32 RGB, 0 to 255; dark places are warmer.

    Half the skins are mottled redder and yellower besides. A `colour` (1,) of grey gives (H, W).
    """
    if len(colour) == 1:
        return np.asarray(np.maximum(tone, 0.2, out=tone) * colour[0], np.float32)
    warmth = np.array([rng.uniform(0.65, 0.9), 1.0, rng.uniform(1.1, 1.9)], np.float32)
    np.maximum(tone, 0.2, out=tone)
    planes = [tone * (k * c) + (1 - k) * c for k, c in zip(warmth, colour, strict=True)]
    if colour.min() < 250 and rng.random() < 0.5:
        size = (tone.shape[1], tone.shape[0])
        for channel, most in ((0, 0.03), (2, 0.1)):
            tint = crop_texture("mottle", size, float(rng.uniform(0.4, 3.0)), rng)
            planes[channel] += tint * np.float32(colour[channel] * most * rng.random())
    skin: Field = np.asarray(cv2.merge(planes), np.float32)
    return skin


def _shade_relief(
    tone: Field, q: float, amount: float, rng: np.random.Generator, crop: Crop
) -> None:
    """Bumps and creases in slanting light: each has a bright and a dark flank."""
    height, width = tone.shape
    kind = _RELIEF_KINDS[int(rng.integers(len(_RELIEF_KINDS)))]
    grain = float(np.clip(q * rng.uniform(0.03, 0.22), 0.5, 10.0))
    bumps = crop(kind, (width, height), grain, rng)
    step = max(1, round(0.8 * grain))
    deep = np.float32(rng.uniform(0.02, 0.1) * min(1.5, amount))
    if rng.random() < 0.5:
        tone[step:, step:] += deep * (bumps[step:, step:] - bumps[:-step, :-step])
    else:
        tone[step:] += deep * (bumps[step:] - bumps[:-step])


def _add_stain(tone: Field, rng: np.random.Generator) -> None:
    """A patch of water or grease with a darker rim."""
    height, width = tone.shape
    field = crop_texture(
        "cloud", (width // 4 + 1, height // 4 + 1), max(width, height) / 880.0, rng
    )
    edge = float(rng.uniform(0.8, 1.8))
    inside = np.clip((field - edge) * 4.0, 0.0, 1.0)
    rim = np.exp(-(((field - edge) * 9.0) ** 2))
    depth = np.float32(rng.uniform(0.04, 0.16))
    mark = np.asarray((0.6 * inside + 0.5 * rim) * depth, np.float32)
    tone -= cv2.resize(mark, (width, height), interpolation=cv2.INTER_LINEAR)


def _add_veins(tone: Field, q: float, rng: np.random.Generator) -> None:
    """A few branching threads, lighter or darker than the skin."""
    height, width = tone.shape
    mask = np.zeros((height, width), np.uint8)
    side = max(width, height)
    for _ in range(int(rng.integers(2, 6))):
        turns = np.cumsum(rng.normal(0, 0.25, 40)) + rng.uniform(0, 2 * np.pi)
        path = _thread(turns, rng.uniform(0, 1, 2) * (width, height), side / 45)
        draw_polylines(mask, [path], max(1, round(q * float(rng.uniform(0.08, 0.25)))))
        for start in rng.integers(5, 35, int(rng.integers(0, 3))):
            side_turns = turns[start:] + rng.choice([-0.6, 0.6])
            branch = _thread(side_turns, path[start], side / 60)
            draw_polylines(mask, [branch], max(1, round(0.08 * q)))
    soft = cv2.GaussianBlur(mask, (0, 0), max(0.8, 0.12 * q)).astype(np.float32)
    soft *= np.float32(rng.uniform(-0.14, 0.1) / 255.0)
    tone += soft


def _thread(
    turns: npt.NDArray[np.float64], start: npt.NDArray[np.float64], step: float
) -> Polyline:
    return start + np.cumsum(np.stack([np.cos(turns), np.sin(turns)], 1) * step, axis=0)


def draw_polylines(mask: Mask, lines: Sequence[Polyline], thickness: int) -> None:
    """Draw open lines of (N, 2) px into `mask`, anti-aliased."""
    fixed = [np.rint((line - 0.5) * 16).astype(np.int32) for line in lines]
    cv2.polylines(mask, fixed, False, 255, thickness, cv2.LINE_AA, 4)


def score_lines(
    tone: Field,
    lines: list[Polyline],
    borders: list[Polyline],
    q: float,
    strength: float,
    rng: np.random.Generator,
) -> None:
    """Press `lines` and `borders` (px) into `tone`, (H, W) about 1: a lit and a shaded bank.

    One page in four is ruled so hard that the furrow is the plainest mark beside the ink.
    """
    if strength <= 0 or not lines:
        return
    if rng.random() < 0.5:
        lines = lines + borders
    elif rng.random() < 0.15:
        lines = borders
    hard = rng.random() < 0.25
    mask = np.zeros(tone.shape, np.uint8)
    draw_polylines(mask, lines, max(1, round(q * float(rng.uniform(0.04, 0.2 if hard else 0.12)))))
    blur = max(0.6, q * float(rng.uniform(0.03, 0.12)))
    soft = cv2.GaussianBlur(mask, (0, 0), blur).astype(np.float32)
    peak = np.float32(1.0 / max(1.0, float(soft.max())))
    most = 0.35 if hard else 0.14
    shade = np.float32(-strength * rng.uniform(0.3 * most, most)) * peak
    lit = np.float32(strength * rng.uniform(-0.1, 0.8) * most) * peak
    step = max(1, round(1.6 * blur))
    tone += shade * soft
    tone[step:] += lit * soft[:-step]


def show_through(tone: Field, cover: Mask, q: float, rng: np.random.Generator) -> None:
    """Darken `tone`, (H, W) about 1, by faint mirrored writing of this hand.

    `cover` is the ink of this side; mirrored, moved and at times upside down it stands behind other
    letters than its own, and reads as another text.
    """
    height, width = cover.shape
    small = (max(2, width // _SHADOW_SCALE_PX), max(2, height // _SHADOW_SCALE_PX))
    other = np.asarray(cv2.resize(cover, small, interpolation=cv2.INTER_AREA), np.uint8)[:, ::-1]
    if rng.random() < 0.4:
        other = other[::-1]
    moved = np.roll(other, (int(rng.integers(small[1])), int(rng.integers(small[0]))), (0, 1))
    sigma = max(0.5, q * float(rng.uniform(0.08, 0.4)) / _SHADOW_SCALE_PX)
    soft = cv2.GaussianBlur(moved, (0, 0), sigma).astype(np.float32)
    soft *= np.float32(rng.uniform(0.03, 0.14) / 255.0)
    tone -= cv2.resize(soft, (width, height), interpolation=cv2.INTER_LINEAR)
