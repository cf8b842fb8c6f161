"""Windows around letters, at one scale, with the neighbours in sight."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Box

BODY = 60.0
"""Body height of a letter in a crop, px."""
SIZE = (180, 180)
"""Usual width and height of a crop, px: three bodies each way."""
GROUND = (235, 230, 220)
"""What lies beyond the page, RGB."""

Pixels = npt.NDArray[np.uint8]


class Affine(NamedTuple):
    """Page px to crop px: `scale * page + (x, y)`."""

    scale: float
    x: float
    y: float

    def point(self, x: float, y: float) -> tuple[float, float]:
        """A point of the page on the crop."""
        return self.scale * x + self.x, self.scale * y + self.y

    def box(self, box: Box) -> Box:
        """A box of the page on the crop."""
        return (*self.point(box[0], box[1]), *self.point(box[2], box[3]))


class Crop(NamedTuple):
    """A window (h, w, 3) uint8 RGB and the way from page px to its px."""

    pixels: Pixels
    affine: Affine


def crop(pixels: Pixels, box: Box, q: float, size: tuple[int, int] = SIZE) -> Crop:
    """The window of `size` (width, height) around `box`, with bodies of `BODY` px.

    `pixels` is the page as given, (H, W, 3) RGB; `box` and `q` (kulmus) are in its px. A box too
    large for the window is shown smaller, whole.
    """
    affine = frame(box, q, size)
    return Crop(_cut(pixels, affine, size), affine)


def frame(box: Box, q: float, size: tuple[int, int] = SIZE) -> Affine:
    """Where `crop` puts the window, without its pixels."""
    width, height = size
    wide, high = max(box[2] - box[0], 1.0), max(box[3] - box[1], 1.0)
    scale = min(BODY / (3 * max(q, 1e-3)), 0.9 * width / wide, 0.9 * height / high)
    return Affine(
        scale, width / 2 - scale * (box[0] + box[2]) / 2, height / 2 - scale * (box[1] + box[3]) / 2
    )


def _cut(pixels: Pixels, affine: Affine, size: tuple[int, int]) -> Pixels:
    """Shrunk by area averaging where the page is finer than the crop, else interpolated."""
    scale, (width, height) = affine.scale, size
    x0, y0 = -affine.x / scale, -affine.y / scale
    left, top = int(np.floor(x0)) - 2, int(np.floor(y0)) - 2
    right, bottom = int(np.ceil(x0 + width / scale)) + 2, int(np.ceil(y0 + height / scale)) + 2
    part = _window(pixels, left, top, right, bottom)
    if scale < 1:
        shrunk = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        step = (shrunk[0] / part.shape[1], shrunk[1] / part.shape[0])
        part = np.asarray(cv2.resize(part, shrunk, interpolation=cv2.INTER_AREA), np.uint8)
    else:
        step = (1.0, 1.0)
    # cv2 counts px from their middles, pages and boxes from their edges: hence the halves.
    a, b = scale / step[0], scale / step[1]
    x, y = affine.x + scale * left, affine.y + scale * top
    matrix = np.array([[a, 0, x + (a - 1) / 2], [0, b, y + (b - 1) / 2]])
    way = cv2.INTER_LINEAR if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(
        cv2.warpAffine(
            part, matrix, size, flags=way, borderMode=cv2.BORDER_CONSTANT, borderValue=GROUND
        ),
        np.uint8,
    )


def _window(pixels: Pixels, left: int, top: int, right: int, bottom: int) -> Pixels:
    """A part of the page; what lies beyond its frame has the colour `GROUND`."""
    height, width = pixels.shape[:2]
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(right, width), min(bottom, height)
    if (x0, y0, x1, y1) == (left, top, right, bottom):
        return pixels[top:bottom, left:right]
    out = np.empty((bottom - top, right - left, 3), np.uint8)
    out[:] = GROUND
    if x0 < x1 and y0 < y1:
        out[y0 - top : y1 - top, x0 - left : x1 - left] = pixels[y0:y1, x0:x1]
    return out
