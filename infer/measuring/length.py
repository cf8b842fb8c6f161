"""What a measure of one letter returns, before it is turned into px of the page as given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.records import Floats


@dataclass(frozen=True)
class Length:
    """A length in q between two points of the letter's patch, px."""

    name: str
    of: str
    q: float
    start: Floats
    end: Floats
    sure: bool = True
    """Whether a white that it measures is as white as skin, and, where none was found, its place as
    dark as ink."""


def upright(name: str, of: str, x: float, y0: float, y1: float, scale: float) -> Length:
    """The height between two levels at column x; below 0 where y1 lies above y0."""
    return Length(name, of, (y1 - y0) / scale, np.array([x, y0]), np.array([x, y1]))


def level(name: str, of: str, y: float, x0: float, x1: float, scale: float) -> Length:
    """The width between two columns at height y; below 0 where x1 lies left of x0."""
    return Length(name, of, (x1 - x0) / scale, np.array([x0, y]), np.array([x1, y]))
