"""Endless patches of natural texture, drawn once a process and cropped for each page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

Field = npt.NDArray[np.float32]

Kind = Literal[
    "grain",
    "mottle",
    "cloud",
    "pores",
    "cells",
    "fibre",
    "crumple",
    "dabs",
    "crackle",
    "scratches",
    "leather",
    "white",
]

TILE_SIDE_PX = 512


@cache
def texture_tile(kind: Kind) -> Field:
    """A (512, 512) float32 texture of mean 0 and standard deviation 1 that joins at its borders."""
    rng = np.random.default_rng([2202, sum(map(ord, kind))])
    field = _TEXTURE_PAINTERS[kind](rng)
    field = (field - field.mean()) / field.std()
    return np.ascontiguousarray(field, np.float32)


@cache
def _halved_tile(kind: Kind, times: int) -> Field:
    """`texture_tile(kind)` shrunk to the half so many times; its contrast shrinks too."""
    if times == 0:
        return texture_tile(kind)
    side = TILE_SIDE_PX >> times
    halved = cv2.resize(_halved_tile(kind, times - 1), (side, side), interpolation=cv2.INTER_AREA)
    return np.asarray(halved, np.float32)


@cache
def _mirrored_tile(kind: Kind, times: int) -> Field:
    return np.ascontiguousarray(_halved_tile(kind, times)[:, ::-1])


Crop = Callable[[Kind, tuple[int, int], float, np.random.Generator], Field]
"""`crop_texture`, or `crop_halved_texture`, which is quicker."""


def crop_texture(
    kind: Kind, size: tuple[int, int], grain: float, rng: np.random.Generator
) -> Field:
    """(H, W) crop of `texture_tile(kind)` for `size` = (W, H), enlarged `grain` times, flipped."""
    return _crop(kind, size, grain, rng, 0, cv2.INTER_AREA if grain < 0.6 else cv2.INTER_LINEAR)


def crop_halved_texture(
    kind: Kind, size: tuple[int, int], grain: float, rng: np.random.Generator
) -> Field:
    """As `crop_texture`; what is finer than a px comes from a tile halved beforehand, twenty times
    as quick."""
    times = max(0, int(np.ceil(-np.log2(grain) - 0.5)))
    return _crop(kind, size, grain * (1 << times), rng, times, cv2.INTER_LINEAR)


def _crop(
    kind: Kind, size: tuple[int, int], grain: float, rng: np.random.Generator, times: int, mode: int
) -> Field:
    width, height = size
    need = (int(height / grain) + 2, int(width / grain) + 2)
    top, left = rng.integers(0, TILE_SIDE_PX, 2)
    flip = rng.integers(0, 4)
    field = _mirrored_tile(kind, times) if flip & 2 else _halved_tile(kind, times)
    part = np.empty(need, np.float32)
    upright = part[::-1] if flip & 1 else part
    # The tile is laid side by side, run by run.
    for y, row, rows in _runs(int(top), need[0], len(field)):
        for x, column, columns in _runs(int(left), need[1], len(field)):
            upright[y : y + rows, x : x + columns] = field[
                row : row + rows, column : column + columns
            ]
    return np.asarray(cv2.resize(part, (width, height), interpolation=mode), np.float32)


def _runs(start: int, length: int, side: int) -> Iterator[tuple[int, int, int]]:
    """Place in the result, place in the tile and length of each run of px along one axis."""
    done = 0
    while done < length:
        place = (start + done) % side
        run = min(side - place, length - done)
        yield done, place, run
        done += run


def in_planes(field: Field, page: npt.NDArray[np.generic]) -> Field:
    """`field` (H, W) once for each plane of `page`, (H, W, 3) in colour or (H, W) in grey."""
    return field if page.ndim == 2 else np.asarray(cv2.merge([field] * 3), np.float32)


def _blur_wrapped(field: npt.NDArray[np.float64], x: float, y: float) -> npt.NDArray[np.float64]:
    """Gaussian blur that wraps around; standard deviations in px."""
    frequency = np.fft.fftfreq(TILE_SIDE_PX)
    pass_x = np.exp(-2 * (np.pi * frequency * x) ** 2)
    pass_y = np.exp(-2 * (np.pi * frequency * y) ** 2)
    blurred: npt.NDArray[np.float64] = np.fft.ifft2(
        np.fft.fft2(field) * pass_y[:, None] * pass_x
    ).real
    return blurred


def _noise(rng: np.random.Generator, x: float, y: float) -> npt.NDArray[np.float64]:
    field = _blur_wrapped(rng.normal(size=(TILE_SIDE_PX, TILE_SIDE_PX)), x, y)
    noise: npt.NDArray[np.float64] = field / field.std()
    return noise


def _distance(rng: np.random.Generator, count: int) -> npt.NDArray[np.float64]:
    """Distance to the nearest of `count` scattered points, wrapping around."""
    points = rng.integers(0, TILE_SIDE_PX, (count, 2))
    field = np.full((TILE_SIDE_PX, TILE_SIDE_PX), 255, np.uint8)
    field[points[:, 0], points[:, 1]] = 0
    wide = np.tile(field, (3, 3))[
        TILE_SIDE_PX // 2 : -TILE_SIDE_PX // 2, TILE_SIDE_PX // 2 : -TILE_SIDE_PX // 2
    ]
    far = cv2.distanceTransform(wide, cv2.DIST_L2, 5)
    quarter = TILE_SIDE_PX // 2
    middle = far[quarter:-quarter, quarter:-quarter].astype(np.float64)
    return np.roll(middle, (quarter, quarter), (0, 1))


def _pores(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Follicles: small dark dimples, unevenly scattered."""
    dimples = np.exp(-((_distance(rng, 5000) / 2.2) ** 2))
    return -dimples * np.clip(1.0 + 0.6 * _noise(rng, 20, 20), 0, 2.5)


def _cells(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """A net of light creases about darker cells, as grain leather shows."""
    far = _distance(rng, 3000)
    return _blur_wrapped(far, 0.8, 0.8) / 6.0 + 0.5 * _noise(rng, 3, 3)


def _crumple(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Creases: sharp ridges of a smooth field."""
    ridges = [-np.abs(_noise(rng, s, s)) * s for s in (6.0, 12.0, 30.0)]
    return np.asarray(sum(ridges))


def _patches(rng: np.random.Generator, count: int) -> npt.NDArray[np.int32]:
    """Number of the nearest of `count` scattered points, wrapping around."""
    points = rng.integers(0, TILE_SIDE_PX, (count, 2))
    wide = np.full((3 * TILE_SIDE_PX, 3 * TILE_SIDE_PX), 255, np.uint8)
    for down in range(3):
        for across in range(3):
            wide[points[:, 0] + down * TILE_SIDE_PX, points[:, 1] + across * TILE_SIDE_PX] = 0
    _, labels = cv2.distanceTransformWithLabels(
        wide, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    # A point and its repetitions have different numbers: name them by where they stand.
    rows, columns = np.nonzero(wide == 0)
    place = np.zeros(labels.max() + 1, np.int32)
    place[labels[rows, columns]] = (rows % TILE_SIDE_PX) * TILE_SIDE_PX + columns % TILE_SIDE_PX
    middle = labels[TILE_SIDE_PX : 2 * TILE_SIDE_PX, TILE_SIDE_PX : 2 * TILE_SIDE_PX]
    return np.asarray(place[middle], np.int32)


def _dabs(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Patches of one tone each; where they overlap, a seam below all tones."""
    level = rng.normal(size=TILE_SIDE_PX * TILE_SIDE_PX)
    patch = _patches(rng, 900)
    seam = (patch != np.roll(patch, 1, 0)) | (patch != np.roll(patch, 2, 1))
    return _blur_wrapped(level[patch] - 1.5 * seam, 0.6, 0.6)


def _crackle(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """A net of fine lines, broken here and there."""
    cell = _patches(rng, 1400)
    lines = (cell != np.roll(cell, 1, 0)) | (cell != np.roll(cell, 1, 1))
    return _blur_wrapped(lines * np.clip(1.0 + _noise(rng, 12, 12), 0, 1.5), 0.5, 0.5)


def _leather(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Pebbled grain: dark cells, each of its own depth, parted by light creases."""
    cell = _patches(rng, 1500)
    lines = (cell != np.roll(cell, 1, 0)) | (cell != np.roll(cell, 1, 1))
    wide = np.tile(np.where(lines, 0, 255).astype(np.uint8), (3, 3))
    far = cv2.distanceTransform(wide, cv2.DIST_L2, 5)[
        TILE_SIDE_PX : 2 * TILE_SIDE_PX, TILE_SIDE_PX : 2 * TILE_SIDE_PX
    ]
    deep = np.clip(1.0 + 0.5 * rng.normal(size=TILE_SIDE_PX * TILE_SIDE_PX)[cell], 0.0, 2.2)
    pebbles = -np.minimum(far, 4.0) / 4.0 * deep
    return _blur_wrapped(pebbles, 1.0, 0.8) + 0.12 * _noise(rng, 2, 2) + 0.08 * _noise(rng, 20, 20)


def _scratches(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Hair lines, most of them one way."""
    wide = np.zeros((3 * TILE_SIDE_PX, 3 * TILE_SIDE_PX), np.uint8)
    for _ in range(170):
        x, y = rng.uniform(0, TILE_SIDE_PX, 2)
        turn, half = rng.normal(-0.9, 0.5), rng.uniform(6, 30)
        dx, dy = half * np.cos(turn), half * np.sin(turn)
        for across in (0, TILE_SIDE_PX, 2 * TILE_SIDE_PX):
            for down in (0, TILE_SIDE_PX, 2 * TILE_SIDE_PX):
                ends = np.rint([x - dx + across, y - dy + down, x + dx + across, y + dy + down])
                a, b, c, d = (int(v) for v in ends)
                cv2.line(wide, (a, b), (c, d), int(rng.integers(120, 255)), 1, cv2.LINE_AA)
    return wide[TILE_SIDE_PX : 2 * TILE_SIDE_PX, TILE_SIDE_PX : 2 * TILE_SIDE_PX].astype(np.float64)


_TEXTURE_PAINTERS: dict[Kind, Callable[[np.random.Generator], npt.NDArray[np.float64]]] = {
    "grain": lambda rng: _noise(rng, 0.6, 0.6) + 0.5 * _noise(rng, 1.5, 1.5),
    "mottle": lambda rng: _noise(rng, 3, 3) + _noise(rng, 7, 7),
    "cloud": lambda rng: _noise(rng, 20, 20) + _noise(rng, 60, 60),
    "pores": _pores,
    "cells": _cells,
    "fibre": lambda rng: _noise(rng, 9, 0.9) + 0.8 * _noise(rng, 4, 4),
    "crumple": _crumple,
    "dabs": _dabs,
    "crackle": _crackle,
    "scratches": _scratches,
    "leather": _leather,
    "white": lambda rng: rng.normal(size=(TILE_SIDE_PX, TILE_SIDE_PX)),
}
