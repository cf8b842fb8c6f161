"""The pieces that letters share: roofs, bases, walls, legs and the kinds of head."""

from __future__ import annotations

import math

from crownlet.datasets.letterforms.glyph import PartKind
from crownlet.datasets.letterforms.sketch import Corner, Sketch, clamp


def turned(corners: list[Corner], degrees: float) -> list[Corner]:
    """The block turned clockwise on the page about the middle of its corners."""
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    cx = sum(c[0] for c in corners) / len(corners)
    cy = sum(c[1] for c in corners) / len(corners)
    return [
        (cx + (x - cx) * cos - (y - cy) * sin, cy + (x - cx) * sin + (y - cy) * cos, soft, bow)
        for x, y, soft, bow in corners
    ]


def roof(
    d: Sketch,
    x0: float,
    x1: float,
    outer: float | None = None,
    inner: float = 0.08,
    depth: float = 0.35,
    thick: float | None = None,
    post: float | None = None,
    name: str = "roof",
) -> float:
    """A roof from x0 to x1 under y = 0, with a shoulder of `depth` at its right. Returns its under
    edge's y.

    `outer` is the softness of the upper right corner (the hand's own if None), `inner` that under
    it, `post` the thickness of the limb that goes on below (no shoulder if 0).
    """
    t = thick if thick is not None else d.h
    post = d.v if post is None else post
    left = x0 + d.cut * t * 0.35
    lift = 0.05 + 0.5 * d.flare + d.j(0.05)
    dip = -(0.02 + 0.25 * d.flare) + d.j(0.02)
    tail = d.j(0.04)
    corners: list[Corner] = [
        (x0, -lift + tail, d.soft * 0.6, dip),
        (x1, d.j(0.04), d.soft if outer is None else outer, 0.02),
    ]
    if post > 0:
        corners += [
            (x1, t + depth, 0.02, 0.0),
            (x1 - post, t + depth, 0.02, 0.0),
            (x1 - post, t, inner, 0.02 + d.j(0.02)),
        ]
    else:
        corners.append((x1, t, d.soft, 0.02))
    corners.append((left, t + 0.3 * d.flare + tail, d.soft, -(0.03 + 0.3 * d.flare)))
    d.block(name, "roof", corners)
    return t


def base(
    d: Sketch,
    x0: float,
    x1: float,
    outer: float = 0.08,
    inner: float = 0.08,
    depth: float = 0.3,
    thick: float | None = None,
    post: float | None = None,
    low: float = 3.0,
) -> float:
    """A base from x0 to x1 above y = `low`, its left end cut by the pen; returns its upper edge's y."""
    t = thick if thick is not None else d.h
    post = d.v if post is None else post
    sag = d.j(0.06)
    corners: list[Corner] = [(x0 + d.cut * t * 0.55, low - t + sag, d.soft, -0.02 + d.j(0.02))]
    if post > 0:
        corners += [
            (x1 - post, low - t, inner, 0.0),
            (x1 - post, low - t - depth, 0.02, 0.0),
            (x1, low - t - depth, 0.02, 0.03),
        ]
    else:
        corners.append((x1, low - t, d.soft, 0.02))
    corners += [
        (x1, low, outer, 0.02 + d.j(0.03)),
        (x0, low + sag + 0.2 * d.flare, d.soft, -(0.03 + 0.3 * d.flare)),
    ]
    d.block("base", "base", corners)
    return low - t


def wall(d: Sketch, x: float, y0: float, y1: float, name: str = "wall", bulge: float = 0.0) -> None:
    """An upright limb whose right edge is at x, from y0 to y1."""
    v = d.v
    mid = x - v / 2 + bulge
    waist = v * (1 - 0.3 * max(0.0, d.swell)) + d.j(0.03)
    d.stroke(name, "wall", [(x - v / 2, y0, v), (mid, (y0 + y1) / 2, waist), (x - v / 2, y1, v)])


def leg(
    d: Sketch,
    x: float,
    y0: float,
    y1: float,
    thick: float | None = None,
    drift: float = 0.0,
    name: str = "leg",
    fine: float = 1.0,
) -> None:
    """A leg that hangs with its right edge at x from y0 and thins to its end at y1.

    `drift` is how far its end lies to the right; `fine` scales how much it thins.
    """
    t = thick if thick is not None else d.v
    thin = t * (1 - fine * (0.25 + 0.6 * d.taper))
    thin = max(thin, 0.1)
    mid = (t + thin) / 2 + 0.6 * d.swell * t + 0.12 * t
    x_mid = x - t / 2 + 0.4 * drift + d.bend * 0.6
    x_end = x - t / 2 + drift + (t - thin) * 0.15
    d.stroke(
        name,
        "leg",
        [
            (x - t / 2, y0, t),
            (x - t / 2 + 0.08 * drift, y0 + 0.22 * (y1 - y0), t * 0.97),
            (x_mid, y0 + 0.6 * (y1 - y0), mid),
            (x_end, y1, thin),
        ],
        end=d.cut * 0.9 + d.j(0.5),
    )


def lens_leg(
    d: Sketch, x: float, y0: float, y1: float, name: str = "leg", drift: float = 0.0,
    thick: float = 0.62,
) -> None:  # fmt: skip
    """A leg from the middle of a head: thin where it leaves, swelling, thinning to a point."""
    t = thick * (0.75 + 0.36 * d.v)
    neck = max(0.26, 0.55 * t) + d.j(0.04)
    d.stroke(
        name,
        "leg",
        [
            (x, y0, neck),
            (x + d.j(0.03), y0 + 0.15 * (y1 - y0), neck),
            (x + 0.4 * drift + d.bend * 0.3, y0 + 0.52 * (y1 - y0), t),
            (x + drift, y1, max(0.08, 0.32 * t * (1.3 - d.taper))),
        ],
        end=d.cut * 0.6 + d.j(0.6),
    )


def zayin_head(
    d: Sketch, x0: float, x1: float, y0: float = 0.0, y1: float = 1.0, name: str = "head",
    tilt: float = 0.0,
) -> None:  # fmt: skip
    """A square head with hollow sides and points at its corners, overhanging its leg both ways."""
    spike = 0.03 + 0.35 * d.flare
    lean = 0.12 * d.cut
    hollow = -(0.03 + 0.35 * d.flare)
    corners: list[Corner] = [
        (x0, y0 - spike + d.j(0.04), d.soft * 0.5, hollow),
        (x1, y0 - 0.4 * spike + d.j(0.04), d.soft * 0.8, hollow),
        (x1 - 0.06 + lean * 0.5, y1 + d.j(0.05), d.soft, -0.01),
        (x0 + 0.06 + lean, y1 + d.j(0.05), d.soft, hollow),
    ]
    d.block(name, "head", turned(corners, tilt + 0.35 * d.tilt + d.j(5)))


def vav_head(
    d: Sketch, x0: float, x1: float, y0: float = 0.0, y1: float = 0.95, name: str = "head",
    tilt: float = 0.0, kind: PartKind = "head",
) -> None:  # fmt: skip
    """A head rounded at the right, with a point at its upper left, running on into its leg."""
    spike = 0.06 + 0.5 * d.flare
    corners: list[Corner] = [
        (x0, y0 - spike + d.j(0.03), d.soft * 0.5, -(0.03 + 0.2 * d.flare)),
        (x1, y0 + d.j(0.03), 0.42, 0.02),
        (x1, y1 + 0.12, 0.05, 0.0),
        (x1 - 0.5, y1 + 0.1, 0.2, 0.03),
        (x0 + 0.1 + 0.2 * d.cut, y1 - 0.08 + d.j(0.05), d.soft + 0.06, -(0.02 + 0.2 * d.flare)),
    ]
    d.block(name, kind, turned(corners, tilt + 0.25 * d.tilt + d.j(3)))


def yud_head(
    d: Sketch, cx: float, cy: float, name: str, tilt: float, width: float = 1.0,
    height: float = 0.85, mirror: bool = False, kind: PartKind = "yud",
) -> None:  # fmt: skip
    """A tilted head: pointed at its upper left, rounded at its upper right (swapped if mirrored)."""
    a, b = width / 2, height / 2
    spike = 0.05 + 0.35 * d.flare
    hollow = -(0.02 + 0.22 * d.flare)
    corners: list[Corner] = [
        (-a, -b - spike, d.soft * 0.5, hollow),
        (a, -b + 0.02, 0.24, 0.03),
        (a - 0.06, b, 0.14, 0.02),
        (-a + 0.12 + 0.1 * d.cut, b - 0.02, d.soft + 0.05, hollow),
    ]
    if mirror:
        corners = [
            (-a, -b + 0.02, 0.24, hollow),
            (a, -b - spike, d.soft * 0.5, hollow),
            (a - 0.12, b - 0.02, d.soft + 0.05, 0.02),
            (-a + 0.06, b, 0.14, 0.03),
        ]
    placed = [(x + cx, y + cy, soft, bow) for x, y, soft, bow in corners]
    d.block(name, kind, turned(placed, tilt + 0.35 * d.tilt + d.j(6)))


def kotz(d: Sketch, x: float, y: float, dx: float, dy: float, name: str, wide: float = 0.2) -> None:
    """A prickle from (x, y) to (x + dx, y + dy), `wide` at its root."""
    length = math.hypot(dx, dy)
    d.stroke(name, "kotz", [(x - 0.1 * dx / length, y - 0.1 * dy / length, wide),
                            (x + 0.55 * dx, y + 0.55 * dy, wide * 0.55),
                            (x + dx, y + dy, 0.05)])  # fmt: skip


def link(
    d: Sketch, start: tuple[float, float], end: tuple[float, float], name: str, sag: float = 0.0,
    thick: float | None = None, kind: PartKind = "joint",
) -> None:  # fmt: skip
    """A thin joint between a yud or drop and the limb that carries it."""
    t = thick if thick is not None else d.joint
    t = max(0.16, t + d.j(0.04))
    mid = ((start[0] + end[0]) / 2 + sag, (start[1] + end[1]) / 2)
    d.stroke(name, kind, [(*start, t * 1.45), (*mid, t), (*end, t * 1.2)])


def he_gap(d: Sketch, t: float) -> float:
    """The white over a hanging leg under a roof of thickness t: open, and not above the roof's
    own thickness (Mishnat Sofrim, he)."""
    return clamp(d.hand.he_gap + d.j(0.08), 0.34, 0.82 * t)
