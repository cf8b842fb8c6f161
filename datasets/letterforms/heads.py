"""The kinds of head: square and hollow (zayin), rounded (vav), tilted (yud)."""

from __future__ import annotations

import math

from crownlet.datasets.letterforms.glyph import PartKind
from crownlet.datasets.letterforms.sketch import Corner, Sketch


def turned(corners: list[Corner], degrees: float) -> list[Corner]:
    """The block turned clockwise on the page about the middle of its corners."""
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    cx = sum(c[0] for c in corners) / len(corners)
    cy = sum(c[1] for c in corners) / len(corners)
    return [
        (cx + (x - cx) * cos - (y - cy) * sin, cy + (x - cx) * sin + (y - cy) * cos, soft, bow)
        for x, y, soft, bow in corners
    ]


def zayin_head(
    d: Sketch, x0: float, x1: float, y0: float = 0.0, y1: float = 0.95, name: str = "head",
    tilt: float = 0.0,
) -> None:  # fmt: skip
    """A square head with hollow sides and points at its corners, overhanging its leg both ways."""
    own = d.habits
    spike = 0.02 + 0.35 * d.flare
    lean = 0.07 * d.cut + 0.09 * own.head_lean + d.j(0.03)
    hollow = -(0.02 + 0.3 * d.flare)
    y1 += 0.1 * own.head_size + d.j(0.04)
    corners: list[Corner] = [
        (x0 - lean, y0 - spike + d.j(0.03), d.soft * 0.5, hollow),
        (x1 - lean, y0 - 0.3 * spike + d.j(0.03), d.soft * 0.8, hollow),
        (x1 - 0.07 + lean, y1, d.soft, 0.02),
        (x0 + 0.07 + lean, y1 + d.j(0.04), d.soft, hollow),
    ]
    d.block(name, "head", turned(corners, tilt + 0.5 * d.tilt + 5 * own.head_slope + d.j(6)))


def vav_head(
    d: Sketch, x0: float, x1: float, y0: float = 0.0, y1: float = 0.95, name: str = "head",
    tilt: float = 0.0, kind: PartKind = "head",
) -> None:  # fmt: skip
    """A head rounded at the right, pointed at its upper left, that runs on into its leg."""
    own = d.habits
    spike = 0.06 + 0.4 * d.flare
    y1 += 0.06 * own.head_size + d.j(0.04)
    hang, rise = 0.28 * max(0.0, own.flagged), 0.3 * max(0.0, -own.flagged)
    if d.letter in "יל":  # The left end carries the kotz of the one, a tag of the other.
        rise = 0.0
    corners: list[Corner] = [
        (x0, y0 - spike + hang + d.j(0.03), d.soft * 0.5, -(0.03 + 0.2 * d.flare)),
        (x1, y0 + d.j(0.03), 0.42, 0.03),
        (x1, y1 + 0.12, 0.05, 0.0),
        (x1 - 0.48, y1 + 0.1, 0.2, 0.03),
        (x0 + 0.1 + 0.2 * min(d.cut, 0.8) + 0.04 * own.head_lean, y1 - 0.08 - rise, d.soft + 0.08,
         -(0.02 + 0.2 * d.flare)),
    ]  # fmt: skip
    d.block(name, kind, turned(corners, tilt + 0.45 * d.tilt + 3 * own.head_slope + d.j(5)))


def yud_head(
    d: Sketch, cx: float, cy: float, name: str, tilt: float, width: float = 1.0,
    height: float = 0.85, mirror: bool = False, kind: PartKind = "yud",
) -> None:  # fmt: skip
    """A tilted head about (cx, cy): pointed upper left, rounded upper right (or mirrored)."""
    own = d.habits
    size = 1 + 0.05 * own.head_size + d.j(0.03)
    if name != "yud_lower":  # Alef's lower one has little room under the body.
        size += 0.09 * max(0.0, own.head_size)
    a, b = size * width / 2, size * height / 2
    spike = 0.04 + 0.3 * d.flare
    hollow = -(0.02 + 0.22 * d.flare)
    lean = 0.06 * own.head_lean
    corners: list[Corner] = [
        (-a - lean, -b - spike, d.soft * 0.5, hollow),
        (a - lean, -b + 0.02, 0.24, 0.03),
        (a - 0.08, b, 0.16, 0.03),
        (-a + 0.14 + 0.1 * min(d.cut, 0.8), b - 0.02, d.soft + 0.06, hollow),
    ]
    if mirror:
        corners = [
            (-a, -b + 0.02, 0.24, hollow),
            (a, -b - spike, d.soft * 0.5, hollow),
            (a - 0.14, b - 0.02, d.soft + 0.06, 0.03),
            (-a + 0.08, b, 0.16, 0.03),
        ]
    placed = [(x + cx, y + cy, soft, bow) for x, y, soft, bow in corners]
    d.block(name, kind, turned(placed, tilt + 0.6 * d.tilt + 3 * own.head_slope + d.j(7)))


def crowned_head(d: Sketch, x0: float, x1: float, name: str = "head") -> float:
    """A left head that takes three tags: zayin-like, or vav-like in the Arizal tradition
    (Keset 5:2, gimel). Sets the seat and returns the x at which the leg leaves the head.
    """
    if d.style == "arizal":
        vav_head(d, x0, x1 - 0.05, 0.0, 0.9, name=name)
        stem = x1 - 0.33
    else:
        zayin_head(d, x0, x1, name=name)
        stem = (x0 + x1) / 2
    inset = 0.2 * (x1 - x0)
    d.seat(x0 + inset, x1 - inset, 0.03 + 0.18 * d.flare)
    return stem + d.j(0.04)
