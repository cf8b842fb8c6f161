"""Measures drawn on a window as rulers with a cross stroke at each end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot

from crownlet.infer.measuring import Measurement
from crownlet.infer.sheet import words
from crownlet.infer.sheet.pictures import Window

_CROSS = 8.0
"""Half the length of a cross stroke, px of the window."""
_LINE = 19.0


@dataclass(frozen=True)
class Ruler:
    """One ruler in px of its window, and where its length is written."""

    path: str
    label: str
    at: tuple[float, float]
    anchor: str


def rulers(window: Window, measurements: Iterable[Measurement]) -> tuple[Ruler, ...]:
    """A ruler for each measure; lengths are written in the corner below, where they hide no ink."""
    made = []
    for k, measure in enumerate(measurements):
        a, b = window.point(*measure.start), window.point(*measure.end)
        at = 6.0, window.picture.height - 8.0 - k * _LINE
        made.append(Ruler(_path(a, b), words.length(measure.q), at, "start"))
    return tuple(made)


def _path(a: tuple[float, float], b: tuple[float, float]) -> str:
    dx, dy = b[0] - a[0], b[1] - a[1]
    long = hypot(dx, dy)
    # A ruler of no length stands across, as most gaps are measured up and down.
    nx, ny = (-dy / long * _CROSS, dx / long * _CROSS) if long > 0.5 else (_CROSS, 0.0)
    ends = "".join(f"M{x - nx:.1f} {y - ny:.1f}L{x + nx:.1f} {y + ny:.1f}" for x, y in (a, b))
    return f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}{ends}"
