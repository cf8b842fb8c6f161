"""Pictures of more than 8 bits a pixel, and of floats, brought to 8 bits."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Pixels = npt.NDArray[np.uint8]

MAX_FLOAT_VALUE = 1e30
"""Limit of the values of float pictures, so that their range is finite."""


def scale_to_eight_bits(values: npt.NDArray[Any]) -> Pixels:
    """Deep values brought to 0..255: scaled by the depth they use, never clipped."""
    return scale_values(values, *value_range(values))


def _finite_values(values: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    plain = values.astype(np.float32)
    if values.dtype.kind != "f":
        return plain
    finite = np.nan_to_num(plain, posinf=MAX_FLOAT_VALUE, neginf=-MAX_FLOAT_VALUE)
    return finite.clip(-MAX_FLOAT_VALUE, MAX_FLOAT_VALUE)


def value_range(values: npt.NDArray[Any]) -> tuple[float, float]:
    """The least and the greatest of some values."""
    if values.dtype.kind != "f":
        return float(np.float32(values.min())), float(np.float32(values.max()))
    finite = _finite_values(values)
    return float(finite.min()), float(finite.max())


def scale_values(values: npt.NDArray[Any], low: float, top: float) -> Pixels:
    """A part of a picture brought to 0..255, by the range of values of all of it."""
    finite = _finite_values(values)
    if values.dtype.kind == "f" or low < 0 or top > 65535:
        span = max(top - low, 1e-6)
        return ((finite - low) * (255.0 / span)).astype(np.uint8)
    depth = next(bits for bits in (8, 10, 12, 14, 16) if top < 1 << bits)
    return (finite * (255.0 / ((1 << depth) - 1))).astype(np.uint8)
