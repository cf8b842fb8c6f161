"""The limbs that letters share: roofs, bases, walls, joints and prickles."""

from __future__ import annotations

import math

from crownlet.datasets.letterforms.glyph import PartKind
from crownlet.datasets.letterforms.sketch import Corner, Sketch, clamp


def roof(
    d: Sketch,
    x0: float,
    x1: float,
    *,
    outer: float | None = None,
    inner: float | None = None,
    depth: float = 0.4,
    thick: float | None = None,
    name: str = "roof",
    undercut: float | None = None,
) -> float:
    """A roof from x0 to x1 under y = 0, with a shoulder of `depth` down to the limb at its right.

    `outer` is the softness of its upper right corner (the hand's own if None), `inner` that of the
    corner below it; `undercut` is how far right its left end stands back below. Returns the y of
    its under edge.
    """
    t, post, own = d.h + d.heavy if thick is None else thick, d.v, d.habits
    turn = d.soft if outer is None else outer * (1 + 0.18 * own.roundness)
    rise = 0.05 + 0.45 * d.flare + 0.14 * d.strong * own.roof_slope + d.j(0.06)
    tilt, sag = d.r(0.09) * min(x1 - x0, 4.0), _sag(d)
    dip = -(0.03 + 0.22 * d.flare + 0.05 * own.roof_dip) + d.j(0.02) - sag
    wedge = 0.12 * own.roof_wedge + 0.25 * d.flare + d.j(0.03)
    back = (0.35 * min(d.cut, 0.75) + 0.16 * own.nib) * t if undercut is None else undercut
    if undercut is None:
        back += (0.12 * d.loose + d.r(0.22)) * t
    # Where a limb hangs on its left part, the roof does not rise from it.
    least = -0.12 if not d.loose else -0.15 if d.letter in "םסתחפף" else -0.4
    low = t + max(max(wedge - 0.5 * rise + d.r(0.2), -0.2) - tilt, least)
    rise = max(rise + tilt, -0.25)
    d.crest = -rise
    d.eaves = (x0 + back, low, x1 - post, t, sag)
    right_y = 0.04 * own.roof_slope + d.j(0.04)
    d.ridge = (x0, -rise, x1, right_y, dip)
    d.block(name, "roof", [
        (x0, -rise, d.soft * 0.6, dip), (x1, right_y, turn, 0.02), (x1, t + depth, 0.02, 0.0),
        (x1 - post, t + depth, 0.02, 0.0),
        (x1 - post, t, d.fillet if inner is None else inner, sag + d.j(0.02)),
        (x0 + back, low, d.soft, -(0.02 + 0.25 * d.flare)),
    ])  # fmt: skip
    return t


def _sag(d: Sketch) -> float:
    """How far a bar of this hand sags in its middle; kaf and pe keep the white that they need."""
    sag = d.r(0.13)
    return -abs(sag) if d.letter in "כפף" else sag


def roof_seat(d: Sketch, x0: float = 0.12) -> None:
    """One tag on the roof drawn last: at its left end, by some hands further in."""
    inward = max(0.0, d.habits.tag_seat - 0.1) * (0.8 + d.j(0.15))
    x0 += inward * max(0.0, d.eaves[2] - x0 - 0.3)
    d.seat(x0, x0 + 0.25, d.over(x0 + 0.12) + 0.02)


def base(
    d: Sketch,
    x0: float,
    x1: float,
    *,
    outer: float | None = None,
    inner: float | None = None,
    depth: float = 0.35,
    thick: float | None = None,
    post: float | None = None,
    bulge: float = 0.03,
) -> float:
    """A base from x0 to x1 above y = 3, its left end cut by the pen, with a shoulder of `depth` up
    to the limb at its right (none if `post` is 0). Returns the y of its upper edge.
    """
    t, own = d.h + d.heavy if thick is None else thick, d.habits
    post = d.v if post is None else post
    sag = 0.08 * own.base_slope + 0.24 * (d.strong - 1) * max(0.0, own.base_slope) + d.j(0.05)
    tilt = max(-0.22, min(0.12, d.r(0.09) * min(x1 - x0, 4.0)))
    bend, thinner = -_sag(d), d.r(0.2)
    reach = x0 - 0.1 * own.base_reach
    upper = min(reach + (0.12 + 0.5 * d.cut + d.r(0.2)) * t, x1 - post - 0.25)
    corners: list[Corner] = [
        (upper, 3 - t + 0.6 * sag + tilt + thinner, d.soft, bend - 0.02 + d.j(0.02))
    ]
    if post > 0:
        corners += [
            (x1 - post, 3 - t, d.fillet if inner is None else inner, 0.0),
            (x1 - post, 3 - t - depth, 0.02, 0.0),
            (x1, 3 - t - depth, 0.02, bulge),
        ]
    else:
        corners.append((x1, 3 - t, d.soft, 0.02))
    corners += [
        (x1, 3.0, d.soft if outer is None else outer, -0.01 - bend + d.j(0.03)),
        (reach, 3.0 + sag + tilt + 0.15 * d.flare, d.soft, -(0.02 + 0.25 * d.flare)),
    ]
    d.block("base", "base", corners)
    return 3 - t


def wall(
    d: Sketch, x: float, y0: float, y1: float, name: str = "wall", plain: bool = False
) -> None:
    """An upright limb whose right edge is at x, from y0 to y1, waisted as the pen turns.

    It should begin and end close to the limbs it joins; where it runs on in them, a `plain` one,
    without waist, leaves no step.
    """
    v, mid = d.v, x - d.v / 2
    waist = v * (1 - 0.2 * max(0.0, d.swell) - 0.07 * d.habits.waist) + d.j(0.03)
    knots = [(mid, y0, v), (mid, (y0 + y1) / 2, v if plain else waist), (mid, y1, v)]
    d.stroke(name, "wall", knots)


def kotz(d: Sketch, x: float, y: float, dx: float, dy: float, name: str, wide: float = 0.2) -> None:
    """A prickle from (x, y) to (x + dx, y + dy), `wide` at its root."""
    unit = 0.1 / math.hypot(dx, dy)
    root = (x - unit * dx, y - unit * dy, wide)
    d.stroke(name, "kotz", [root, (x + 0.5 * dx, y + 0.5 * dy, 0.6 * wide), (x + dx, y + dy, 0.05)])


def link(
    d: Sketch, start: tuple[float, float], end: tuple[float, float], name: str, sag: float = 0.0,
    thick: float | None = None, kind: PartKind = "joint", flare: float = 1.5,
) -> None:  # fmt: skip
    """A thin joint from a yud or drop at `start` to the limb that carries it at `end`.

    `flare` is how much thicker than its middle it leaves the head; `sag` moves its middle right.
    """
    t = clamp((d.joint if thick is None else thick) * (1 + d.j(0.16)), 0.14, 0.46)
    # A thick joint hardly widens toward the head, which must stay a head beside it.
    flare = 1 + (flare - 1) * clamp((0.45 - t) / 0.2, 0.1, 1.0)
    mid = ((start[0] + end[0]) / 2 + sag, (start[1] + end[1]) / 2)
    d.stroke(name, kind, [(*start, t * flare), (*mid, t), (*end, t * 1.3)])


def he_gap(d: Sketch, t: float) -> float:
    """The white over a leg that hangs under a roof of thickness t.

    Open, and not above the roof's own thickness (Mishnat Sofrim, he).
    """
    return clamp(d.hand.he_gap + d.j(0.08), 0.32, 0.8 * t)
