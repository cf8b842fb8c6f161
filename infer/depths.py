"""Pictures of any depth and colour as 8-bit grey or RGB, and what memory that takes.

Every mode takes an explicit path, since Pillow clips 16-bit pictures to white when it converts
them; a page is converted block by block, so that no second copy of it is made on the way.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

Pixels = npt.NDArray[np.uint8]
ROWS = 256
"""Rows converted at a time."""
FARTHEST = 1e30
"""Numbers of float pictures are cut off here, so that their span is a number too."""


def bytes_a_pixel(image: Image.Image) -> int:
    """Bytes of memory that each pixel of a picture takes at most while it is read.

    Measured with Pillow 13 on pictures of 40 megapixels: what Pillow holds, what the format's own
    decoder holds beside it, and then the array made of it.
    """
    mode, kind = image.mode, image.format
    held = 1 if mode in ("1", "L", "P") else 2 if mode.startswith("I;16") else 4
    out = 1 if mode in ("1", "L") or mode[0] in "IF" else 3
    beside = 0
    if kind == "WEBP":
        beside = 12
    elif kind == "TIFF":
        beside = held  # One strip may be the whole picture.
    elif kind == "JPEG" and image.info.get("progressive"):
        beside = 2 * len(image.getbands())  # Coefficients of all scans.
    return max(held + beside, held + out)


def to_eight_bits(image: Image.Image) -> Pixels:
    """A loaded picture of any Pillow mode as (H, W) or (H, W, 3) uint8."""
    mode = image.mode
    if mode[0] in "IF":
        return _scaled_image(image)
    if mode in ("1", "L"):
        return _converted(image, "L")
    if mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in image.info:
        return _converted(image, "RGBA")
    return _converted(image, "RGB")


def _blocks(image: Image.Image) -> Iterator[tuple[int, Image.Image]]:
    """The picture from top to bottom: the first row of each block, and the block."""
    width, height = image.size
    for top in range(0, height, ROWS):
        yield top, image.crop((0, top, width, min(top + ROWS, height)))


def _converted(image: Image.Image, mode: str) -> Pixels:
    """Grey, RGB, or RGBA laid over white."""
    shape = (image.height, image.width)
    out = np.empty(shape if mode == "L" else (*shape, 3), np.uint8)
    for top, block in _blocks(image):
        values = np.asarray(block if block.mode == mode else block.convert(mode))
        out[top : top + len(values)] = over_white(values) if mode == "RGBA" else values
    return out


def _scaled_image(image: Image.Image) -> Pixels:
    limits = [_limits(np.asarray(block)) for _, block in _blocks(image)]
    low, top = min(one[0] for one in limits), max(one[1] for one in limits)
    out = np.empty((image.height, image.width), np.uint8)
    for row, block in _blocks(image):
        values = np.asarray(block)
        out[row : row + len(values)] = _between(values, low, top)
    return out


def scaled(values: npt.NDArray[Any]) -> Pixels:
    """Deep values brought to 0..255: scaled by the depth they use, never clipped."""
    return _between(values, *_limits(values))


def _finite(values: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    plain = np.nan_to_num(values.astype(np.float32), posinf=FARTHEST, neginf=-FARTHEST)
    return plain.clip(-FARTHEST, FARTHEST) if values.dtype.kind == "f" else plain


def _limits(values: npt.NDArray[Any]) -> tuple[float, float]:
    finite = _finite(values)
    return float(finite.min()), float(finite.max())


def _between(values: npt.NDArray[Any], low: float, top: float) -> Pixels:
    finite = _finite(values)
    if values.dtype.kind == "f" or low < 0 or top > 65535:
        span = max(top - low, 1e-6)
        return ((finite - low) * (255.0 / span)).astype(np.uint8)
    depth = next(bits for bits in (8, 10, 12, 14, 16) if top < 2**bits)
    return (finite * (255.0 / (2**depth - 1))).astype(np.uint8)


def over_white(rgba: Pixels) -> Pixels:
    """RGBA (H, W, 4) laid over white, row block by row block so that no wide copy is made."""
    out = np.empty((*rgba.shape[:2], 3), np.uint8)
    for top in range(0, len(rgba), ROWS):
        block = rgba[top : top + ROWS].astype(np.uint16)
        alpha = block[..., 3:]
        out[top : top + ROWS] = (block[..., :3] * alpha + 255 * (255 - alpha) + 127) // 255
    return out
