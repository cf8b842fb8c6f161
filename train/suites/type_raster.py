"""Ink of a type letter as coverage, drawn 16 times too large and averaged down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, Outline
from crownlet.train.suites.type_font import TypeGlyph

SCALE = 16


@dataclass(frozen=True)
class Ink:
    """Coverage of a letter, float32 (H, W) in [0, 1].

    `left` and `top` are the px of its first column and row, counted from the letter's origin (left
    end of its advance) and from the ruled line.
    """

    cover: npt.NDArray[np.float32]
    left: int
    top: int


def draw(glyph: TypeGlyph, body: float) -> Ink:
    """Draw a letter with a body of `body` px."""
    zoom = body * SCALE / BODY_HEIGHT
    points = np.concatenate([*glyph.contours, *glyph.tags, *glyph.added]) * body / BODY_HEIGHT
    x0, y0 = np.floor(points.min(axis=0)).astype(int) - 1
    x1, y1 = np.ceil(points.max(axis=0)).astype(int) + 1
    origin = np.array([x0, y0]) * SCALE
    mask = np.zeros(((y1 - y0) * SCALE, (x1 - x0) * SCALE), np.uint8)
    _fill(mask, [outline * zoom - origin for outline in glyph.contours], 1)
    for outline in (*glyph.tags, *glyph.added):
        _fill(mask, [outline * zoom - origin], 1)
    # OpenCV fills the px of the outline itself: one row and one column too many.
    mask = np.asarray(cv2.erode(mask, np.ones((2, 2), np.uint8), anchor=(0, 0)), np.uint8)
    for outline in glyph.cuts:
        _fill(mask, [outline * zoom - origin], 0)
    height, width = y1 - y0, x1 - x0
    cover = mask.reshape(height, SCALE, width, SCALE).mean(axis=(1, 3), dtype=np.float32)
    return Ink(cover, int(x0), int(y0))


def _fill(mask: npt.NDArray[np.uint8], outlines: Iterable[Outline], value: int) -> None:
    # The half px shifts from edges to OpenCV's pixel centres.
    polygons = [np.round(outline - 0.5).astype(np.int32) for outline in outlines]
    cv2.fillPoly(mask, polygons, value)
