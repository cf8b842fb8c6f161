"""Letters that hold a white: bet, kaf, mem, the final mem, samech, tet, pe, the final pe.

Forms after Mishnat Sofrim (MS) and Keset HaSofer 5:2.
"""

from __future__ import annotations

from crownlet.datasets.render.letterforms.sketch import Sketch, clamp
from crownlet.datasets.render.letterforms.strokes import (
    base,
    crowned_head,
    kotz,
    leg,
    roof,
    roof_seat,
    vav_head,
    wall,
)


def bet(d: Sketch) -> None:
    """Square at the right above and below, a heel below; three pens by three (MS bet)."""
    x1 = (2.75 - 0.42 * max(0.0, 0.3 + d.ways[0])) * d.w + d.extra
    t = roof(d, 0.05, x1)
    h = d.heel
    b = base(d, 0.0, x1 + h, outer=d.soft, post=0.0)
    wall(d, x1, t + 0.3, b + 0.1)
    d.block("heel", "heel", [
        (x1 - 0.3, b + 0.02, 0.05, 0.0), (x1 + h + 0.02, b - 0.08 + d.j(0.04), d.soft, 0.0),
        (x1 + h, 2.96, d.soft, -0.02), (x1 - 0.3, 2.94, 0.05, 0.0),
    ])  # fmt: skip
    if d.hand.kotzim:
        kotz(d, x1 - 0.14, 0.08, 0.15, -0.28, "kotz")
    roof_seat(d, 0.17)
    d.stretchable(0.6, x1 - d.v - 0.1)


def kaf(d: Sketch) -> None:
    """Round at the right above and below, its white at least a pen (MS kaf)."""
    x1 = 2.5 * d.w + d.extra
    h = min(0.92 * d.h, 0.95) + d.heavy
    t = roof(d, 0.0, x1, outer=1.0, inner=0.32 + d.fillet, depth=0.6, thick=h)
    b = base(d, -0.03, x1, outer=1.0, inner=0.32 + d.fillet, depth=0.6, thick=h, bulge=0.0)
    wall(d, x1, t + 0.3, b - 0.3, plain=True)
    d.stretchable(0.5, x1 - 1.2)


def mem(d: Sketch) -> None:
    """Round above, a corner below; the nose a leaning vav whose foot stays open (MS mem)."""
    x1 = 2.85 * d.w
    h = 0.9 * d.h
    notch, far, opening, peak, low, weight, corner = d.ways[:7]
    deep = 0.5 + 0.5 * notch
    # The notch runs down between nose and roof, but they meet below it over 0.15 q or more.
    t = roof(
        d, 0.9 + 0.36 * deep, x1, outer=0.75 + 0.25 * corner, inner=0.2 + d.fillet, depth=0.6,
        thick=h, undercut=0.08 - 0.5 * deep,
    )  # fmt: skip
    foot = 0.14 + 0.3 * far
    reach = foot + 1.08 + 0.28 * opening
    b = base(
        d, min(reach, x1 - 1.25), x1, outer=d.soft + 0.15 * max(0.0, corner), depth=0.3, thick=h,
        bulge=0.0,
    )  # fmt: skip
    wall(d, x1, t + 0.5, b - 0.2)
    top, low_edge = -0.1 * max(0.0, peak), 0.78 + 0.08 * weight
    vav_head(d, 0.2 - 0.08 * weight, 1.15 - 0.07 * deep, top, low_edge, tilt=4 * peak)
    curve, wide = 0.07 * d.habits.leg_curve, 1 + 0.18 * weight
    fall = 0.86 - foot
    d.stroke("leg_left", "leg", [
        (0.86, 0.5, 0.54), (0.86 - 0.2 * fall + curve, 1.2, 0.46 * wide),
        (0.86 - 0.64 * fall + curve, 2.2, 0.4 * wide), (foot, 3.05 + 0.14 * low + d.j(0.05), 0.18),
    ], end=0.3 + 0.3 * d.habits.tip)  # fmt: skip


def mem_final(d: Sketch) -> None:
    """Closed; corners below, the roof past the closure at the left (MS final mem)."""
    x1 = max(2.7 * d.w, 1.05 + 2 * d.v) + d.extra
    h = 0.88 * d.h
    left = 0.36 + d.v
    t = roof(d, -0.1, x1, outer=0.5 if d.style == "beit_yosef" else d.soft, thick=h)
    b, edge, low = 3 - h, left - d.v, 3.0 + d.j(0.05)
    d.block("base", "base", [
        (edge, b - 0.25, 0.02, 0.0), (left, b - 0.25, 0.02, 0.0), (left, b, d.fillet, 0.0),
        (x1 - d.v, b + d.j(0.04), d.fillet, 0.0), (x1 - d.v, b - 0.3, 0.02, 0.0),
        (x1, b - 0.3, 0.02, 0.02), (x1, 3.0, d.soft, -0.01), (edge - 0.04, low, d.soft, -0.02),
    ])  # fmt: skip
    wall(d, x1, t + 0.3, b - 0.2)
    wall(d, left, t - 0.3, b - 0.1, "wall_left", plain=True)
    d.stretchable(left + 0.2, x1 - d.v - 0.2)


def samech(d: Sketch) -> None:
    """Closed and round but for the roof's left end (MS samech)."""
    fine = max(0.0, d.ways[0])
    """Its base is drawn together toward the bottom."""
    x1 = max(2.65 * d.w, 1.1 + 2 * d.v)
    h = 0.86 * d.h
    left = 0.4 + d.v
    edge = left - d.v
    t = roof(d, 0.0, x1, outer=1.0, inner=0.3 + d.fillet, depth=0.6, thick=h)
    d.block("base", "base", [
        (edge, 1.55, 0.02, 0.0), (left, 1.55, 0.02, 0.0), (left + 0.1 * fine, 3 - h, 0.3, 0.0),
        (x1 - d.v - 0.12 * fine, 3 - h, 0.3 + 0.2 * fine, 0.0), (x1 - d.v, 1.5, 0.02, 0.0),
        (x1, 1.5, 0.02, 0.02), (x1 - 0.02 - 0.3 * fine, 3.02, 0.85 + 0.2 * fine, 0.02),
        (edge + 0.08 + 0.26 * fine, 3.0 + d.j(0.04), 0.7 + 0.2 * fine, 0.02),
    ])  # fmt: skip
    wall(d, x1, t + 0.3, 1.7, plain=True)
    wall(d, left, t - 0.3, 1.75, "wall_left", plain=True)


def tet(d: Sketch) -> None:
    """A round limb whose head bends a little inward, and a zayin; the heads apart (MS tet)."""
    x1 = max(2.75 * d.w, 2.5)
    x = crowned_head(d, 0.0, 1.08, "head_left")
    b = base(d, 0.22, x1, outer=0.95, inner=0.3 + d.fillet, depth=0.5, thick=0.85 * d.h)
    d.stroke(
        "leg_left",
        "leg",
        [(x, 0.7, 0.44), (x, 1.5, 0.5), (x - 0.02, b + 0.3, 0.52), (x - 0.02, 2.88, 0.5)],
    )
    v = d.v
    d.stroke("wall", "wall", [
        (x1 - 0.45, 0.45, 0.6), (x1 - 0.3 - 0.1 * v, 1.0, 0.95 * v), (x1 - 0.5 * v, 1.6, v),
        (x1 - 0.5 * v, b - 0.2, v),
    ])  # fmt: skip
    d.block("head_right", "head", [
        (x1 - 0.92, 0.06 + d.j(0.04), 0.12, -0.02), (x1 - 0.2, -0.02, 0.38, 0.04),
        (x1 - 0.04, 0.95, 0.1, 0.0), (x1 - 0.5, 0.9, 0.1, -0.02),
        (x1 - 0.95 + d.j(0.03), 0.66, 0.14, -0.02),
    ])  # fmt: skip


def drop(d: Sketch, t: float) -> None:
    """Pe's drop: a small round head that hangs inside from a prickle at the roof's left (MS pe)."""
    stem, place, tall, wide, flat = d.ways[:5]
    long = d.letter == "ף"
    x = 0.8 + 0.05 * d.habits.drop + d.j(0.03)
    y = t + 0.37 + 0.04 * d.habits.drop + (0.2 * (1 + place) if long else 0.02 * place)
    tall = 0.58 + (0.16 if long else 0.06) * tall
    thin = clamp(d.joint + 0.1 * max(0.0, stem), 0.14, 0.44)
    # A stem runs down along the left end and curls in, or a thin joint slants to the drop.
    knots = [
        (0.3, t - 0.3, 0.36),
        (0.22, t + 0.08, 0.9 * thin),
        (0.28, y + 0.2 * tall, min(thin, 0.26)),
        (x - 0.1, y + min(tall - 0.2, 0.2 * tall + 0.26), 1.15 * min(thin, 0.27)),
    ]
    d.stroke("joint", "joint", knots)
    right = x + 0.38 + 0.1 * wide
    left = x - 0.26 - 0.1 * max(0.0, flat)
    d.block("drop", "drop", [
        (left, y + 0.06, 0.12, -0.02), (right, y - 0.03 + d.j(0.02), d.soft, -0.02),
        (right - 0.04 - 0.06 * flat, y + tall + d.j(0.03), 0.12 - 0.06 * flat, 0.03),
        (x - 0.34 - 0.06 * max(0.0, flat), y + tall + 0.02, 0.24 - 0.1 * flat, 0.02),
    ])  # fmt: skip


def pe(d: Sketch) -> None:
    """A frame whose inner white has the form of a bet; round outside below (MS pe)."""
    x1 = 3.05 * max(d.w, 0.9)
    h = 0.74 * d.h
    inner = None if d.style != "vellish" else 0.4
    t = roof(d, 0.0, x1, thick=h, inner=inner)
    b = base(d, 0.0, x1, outer=0.8, thick=h, inner=inner, depth=0.5, bulge=0.0)
    wall(d, x1, t + 0.3, b - 0.35)
    drop(d, t)


def pe_final(d: Sketch) -> None:
    """A corner above like the bent form, a leg long enough to fold, and the drop (MS final pe)."""
    x1 = 2.7 * max(d.w, 0.92)
    t = roof(d, 0.0, x1, thick=0.82 * d.h)
    drop(d, t)
    length = 4.4 + 0.75 * d.ways[5] + 0.5 * (d.hand.final - 1) + d.long + d.j(0.1)
    leg(d, x1, t + 0.1, max(3.75, length), fine=0.85 + 0.3 * d.ways[6], drift=0.1 * d.ways[7])


RINGS = {
    "ב": bet, "כ": kaf, "מ": mem, "ם": mem_final, "ס": samech, "ט": tet, "פ": pe, "ף": pe_final,
}  # fmt: skip
