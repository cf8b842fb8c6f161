"""Letters with a counter: bet, kaf, mem, the final mem, samech, tet, pe, the final pe.

Forms after Mishnat Sofrim (MS) and Keset HaSofer 5:2.
"""

from __future__ import annotations

from crownlet.datasets.render.letterforms.own_forms import SLIGHT_HEEL_Q, SOFT_CORNER_RADIUS_Q
from crownlet.datasets.render.letterforms.sketch import Sketch, clamp
from crownlet.datasets.render.letterforms.strokes import (
    crowned_head,
    draw_base,
    draw_kotz,
    draw_leg,
    draw_roof,
    draw_wall,
    roof_seat,
    round_corner,
    vav_head,
)


def bet(d: Sketch) -> None:
    """Square at the right above and below, a heel below; three pens by three (MS bet)."""
    x1 = (2.75 - 0.42 * max(0.0, 0.3 + d.ways[0])) * d.w + d.extra
    # Where the corner is soft and has no heel, the counter is as soft.
    inner = d.fillet + 0.7 * d.own.plain * d.round
    t = draw_roof(d, 0.05 + 0.4 * d.own.forms[0], x1, outer=d.corner(), inner=inner)
    h = max(d.heel * d.own.heel, 0.1 - 0.08 * d.own.plain)
    if h < SLIGHT_HEEL_Q:
        d.unasked.add("heel_missing")
    corner = d.corner(fault=None)
    if d.own.plain > 0.5:
        b = draw_base(d, 0.0, x1 + h, outer=corner, inner=inner, post=d.v + h)
    else:
        b = draw_base(d, 0.0, x1 + h, outer=corner, post=0.0)
    draw_wall(d, x1, t + 0.3, b + 0.1)
    d.block("heel", "heel", [
        (x1 - 0.3, b + 0.02, 0.05, 0.0), (x1 + h + 0.02, b - 0.08 + d.j(0.04), d.soft, 0.0),
        (x1 + h, 2.96, corner, -0.02), (x1 - 0.3, 2.94, 0.05, 0.0),
    ])  # fmt: skip
    if d.hand.kotzim:
        draw_kotz(d, x1 - 0.14 - 0.3 * d.round, 0.08 + 0.1 * d.round, 0.15, -0.28, "kotz")
    roof_seat(d, 0.17 + 0.4 * d.own.forms[0])
    d.stretchable(0.6, x1 - d.v - 0.1)


def kaf(d: Sketch) -> None:
    """Round at the right above and below, its counter at least a pen (MS kaf)."""
    x1 = max(2.5 * d.w, d.v + 0.9 + 0.6 * d.open) + d.extra
    h = min(0.92 * d.h, 0.95) + d.heavy
    arc = d.arc(1.0)
    high = max(d.own.corner, arc - 0.3 * d.own.forms[0])
    inner = 0.32 + d.fillet + 0.3 * max(0.0, d.own.arc)
    t = draw_roof(d, 0.3 * d.own.forms[1], x1, outer=high, inner=inner, depth=0.6, thick=h)
    # A hand that tells kaf by its arc alone keeps its base short.
    left = -0.03 + 0.5 * d.own.plain * d.own.forms[2]
    b = draw_base(d, left, x1, outer=arc, inner=inner, depth=0.6, thick=h, bulge=0.0)
    draw_wall(d, x1, t + 0.3, b - 0.3, plain=True)
    d.stretchable(0.5, x1 - 1.2)


def mem(d: Sketch) -> None:
    """Round above, a corner below; the nose a leaning vav whose foot stays open (MS mem)."""
    x1 = 2.85 * d.w
    h = 0.9 * d.h
    notch, far, opening, peak, low, weight, corner = d.ways[:7]
    deep = 0.5 + 0.5 * notch
    # The notch runs down between nose and roof, but they meet below it over 0.15 q or more.
    t = draw_roof(
        d, 0.9 + 0.36 * deep, x1, outer=0.75 + 0.25 * corner, inner=0.2 + d.fillet, depth=0.6,
        thick=h, undercut=0.08 - 0.5 * deep,
    )  # fmt: skip
    # Some hands bring the nose's leg down almost upright, its head well to the left of it.
    upright = d.own.forms[3]
    foot = 0.14 + 0.3 * far + 0.35 * upright
    reach = foot + 1.08 + 0.28 * opening
    # As a kaf with a vav before it: a long base, close to a fine and slanting leg.
    hairline = d.own.forms[2] > 0.3
    close = 0.55 * d.own.forms[1] * (0.9 if hairline else d.own.hair)
    reach = max(reach - close, min(reach, foot + 0.66))
    foot -= 0.3 * d.own.forms[0]
    under = d.corner(max(d.own.under, d.soft + 0.15 * max(0.0, corner)))
    if d.own.under > SOFT_CORNER_RADIUS_Q:
        d.unasked.add("corner_rounded")
    b = draw_base(
        d, min(reach, x1 - 1.25), x1, outer=under, depth=0.3 + 0.4 * d.own.under, thick=h,
        inner=d.fillet + 0.4 * d.own.under, bulge=0.0,
    )  # fmt: skip
    draw_wall(d, x1, t + 0.5, b - 0.2)
    top, low_edge = -0.1 * max(0.0, peak), 0.78 + 0.08 * weight
    vav_head(
        d, 0.2 - 0.08 * weight - 0.2 * upright, 1.15 - 0.07 * deep, top, low_edge, tilt=4 * peak
    )
    curve, wide = 0.07 * d.habits.leg_curve, 1 + 0.18 * weight
    fall = 0.86 - foot
    low_y = 3.05 + 0.14 * low + 0.4 * d.own.forms[0] * d.own.hair + d.j(0.05)
    fine = 0.18 / min(1.0, d.narrow) if hairline else 1.0
    t0, t1, t2 = (min(fine, d.thin(thick * wide)) for thick in (0.54, 0.46, 0.4))
    d.stroke("leg_left", "leg", [
        (0.86, 0.5, max(t0, 0.3)), (0.86 - 0.2 * fall + curve, 1.2, t1),
        (0.86 - 0.64 * fall + curve, 2.2, t2), (foot, low_y, 0.18),
    ], end=0.3 + 0.3 * d.habits.tip)  # fmt: skip


def mem_final(d: Sketch) -> None:
    """Closed; corners below, the roof past the closure at the left (MS final mem)."""
    x1 = max(2.7 * d.w, 1.05 + 2 * d.v) + d.extra
    h = 0.88 * d.h
    thin = d.thin(d.v, 0.75) if d.own.forms[2] < 0.5 else min(d.v, 0.2 / min(1.0, d.narrow))
    left = 0.36 - 0.24 * d.own.forms[0] + thin
    corner = d.corner()
    under = max(corner, d.own.under)
    if d.own.under > SOFT_CORNER_RADIUS_Q:
        d.unasked.add("corner_rounded")
    outer = max(0.5 - 0.5 * d.own.forms[1], d.own.corner) if d.style == "beit_yosef" else corner
    t = draw_roof(d, -0.1, x1, outer=outer, thick=h)
    b, edge, low = 3 - h, left - thin, 3.0 + d.j(0.05)
    # Rounded below, it is drawn together there as well.
    soft, up, near = d.fillet + 0.5 * d.own.under, 0.5 * d.own.under, 0.22 * d.own.under
    d.block("base", "base", [
        (edge, b - 0.25 - up, 0.02, 0.0), (left, b - 0.25 - up, 0.02, 0.0), (left, b, soft, 0.0),
        (x1 - d.v, b + d.j(0.04), soft, 0.0), (x1 - d.v, b - 0.3 - up, 0.02, 0.0),
        (x1, b - 0.3 - up, 0.02, 0.02), (x1 - near, 3.0, under, -0.01),
        (edge - 0.04 + 1.2 * near, low, under, -0.02),
    ])  # fmt: skip
    draw_wall(d, x1, t + 0.3, b - 0.2 - 0.8 * up)
    draw_wall(d, left, t - 0.3, b - 0.1 - 0.8 * up, "wall_left", plain=True, thick=thin)
    d.stretchable(left + 0.2, x1 - d.v - 0.2)


def samech(d: Sketch) -> None:
    """Closed and round but for the roof's left end (MS samech)."""
    fine = max(0.0, d.ways[0])
    arc = d.arc(0.85) - 0.85
    """Its base is drawn together toward the bottom."""
    x1 = max(2.65 * d.w, 1.1 + 2 * d.v)
    h = 0.86 * d.h
    left = 0.4 + d.v
    edge = left - d.v
    across = x1 - edge - 0.1 - 0.56 * fine
    t = draw_roof(d, 0.0, x1, outer=1.0 + arc, inner=0.3 + d.fillet, depth=0.6, thick=h)
    d.block("base", "base", [
        (edge, 1.55, 0.02, 0.0), (left, 1.55, 0.02, 0.0), (left + 0.1 * fine, 3 - h, 0.3, 0.0),
        (x1 - d.v - 0.12 * fine, 3 - h, 0.3 + 0.2 * fine, 0.0), (x1 - d.v, 1.5, 0.02, 0.0),
        (x1, 1.5, 0.02, 0.02),
        *round_corner(d, x1 - 0.02 - 0.3 * fine, 3.02, 0.85 + 0.2 * fine + arc, 1.5, 0.02,
              below=True, across=across),
        *round_corner(d, edge + 0.08 + 0.26 * fine, 3.0 + d.j(0.04), 0.7 + 0.2 * fine + arc, 1.45,
              0.02, left=True, below=True, across=across),
    ])  # fmt: skip
    draw_wall(d, x1, t + 0.3, 1.7, plain=True)
    draw_wall(d, left, t - 0.3, 1.75, "wall_left", plain=True)


def tet(d: Sketch) -> None:
    """A round limb whose head bends a little inward, and a zayin; the heads apart (MS tet)."""
    x1 = max(2.75 * d.w, 2.5)
    x = crowned_head(d, 0.0, 1.08, "head_left")
    b = draw_base(d, 0.22, x1, outer=0.95, inner=0.3 + d.fillet, depth=0.5, thick=0.85 * d.h)
    d.stroke(
        "leg_left",
        "leg",
        [
            (x, 0.7, 0.44),
            (x, 1.5, 0.5),
            (x - 0.02, min(b + 0.3, 2.58), 0.52),
            (x - 0.02, 2.88, 0.5),
        ],
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


def rolled_drop(d: Sketch, t: float, wall_x: float) -> None:
    """Pe's drop as a stroke that comes down from the roof and rolls in: the form of some hands."""
    stem, place = d.ways[:2]
    thin = max(d.thin(clamp(d.joint, 0.16, 0.26)), 0.17)
    wide = min(1.12, wall_x - 0.4 * d.open - 0.12)
    low = min(t + 1.1 + 0.03 * place, 2.5 - t)
    left = 0.24
    r = min(0.5 * (wide - left), (low - t - 0.5) / 1.26)
    middle, y = left + r, low - r
    d.stroke("joint", "joint", [
        (max(0.3, d.eaves[0] + 0.1), t - 0.3, 0.36), (left, t + 0.12, thin + 0.08),
        (left, y + 0.06, thin),
    ])  # fmt: skip
    d.stroke("drop", "drop", [
        (left, y - 0.1, thin), (middle - 0.72 * r, y + 0.68 * r, thin), (middle, low, thin),
        (middle + 0.72 * r, y + 0.68 * r, thin),
        (left + 2 * r, y + 0.12 * r + 0.03 * stem, 1.1 * thin),
        (middle + 0.94 * r, y - 0.26 * r, thin),
    ])  # fmt: skip


def drop(d: Sketch, t: float, wall_x: float) -> None:
    """Pe's drop: a small round head that hangs inside from a prickle at the roof's left (MS pe),
    clear of the wall or leg whose left edge is at `wall_x`."""
    stem, place, tall, wide, flat = d.ways[:5]
    long = d.letter == "ף"
    if d.own.forms[2] > 0.72 and not long and wall_x - 0.4 * d.open > 1.15 and t < 0.74:
        return rolled_drop(d, t, wall_x)
    x = 0.8 + 0.05 * d.habits.drop + d.j(0.03)
    y = t + 0.37 + 0.04 * d.habits.drop + (0.2 * (1 + place) if long else 0.02 * place)
    if d.own.forms[0] > 0:  # The roof's end may hang lower than the model's.
        y = max(y, d.under(x) + 0.36)
    tall = 0.58 + (0.16 if long else 0.06) * tall
    if d.own.forms[0] > 0 and not long:
        tall = clamp(3.0 - t - 0.5 - y, 0.42, tall)
    thin = clamp(d.joint + 0.1 * max(0.0, stem), 0.14 / min(1.0, d.narrow), 0.44)
    right = x + 0.38 + 0.1 * wide - 0.14 * d.own.forms[0]
    over = max(0.0, right - (wall_x - 0.42 * d.open))
    x, right = x - 0.7 * over, right - over
    # A stem runs down along the left end and curls in, or a thin joint slants to the drop.
    knots = [
        (max(0.3, d.eaves[0] + 0.1), t - 0.3, 0.36),
        (0.22, t + 0.08, 0.9 * thin),
        (0.28, y + 0.2 * tall, min(thin, 0.26)),
        (x - 0.1, y + min(tall - 0.2, 0.2 * tall + 0.26), 1.15 * min(thin, 0.27)),
    ]
    d.stroke("joint", "joint", knots)
    left = x - 0.26 - 0.1 * max(0.0, flat)
    d.block("drop", "drop", [
        (left, y + 0.06, 0.12, -0.02), (right, y - 0.03 + d.j(0.02), d.soft, -0.02),
        (right - 0.04 - 0.06 * flat, y + tall + d.j(0.03), 0.12 - 0.06 * flat, 0.03),
        (x - 0.34 - 0.06 * max(0.0, flat), y + tall + 0.02, 0.24 - 0.1 * flat, 0.02),
    ])  # fmt: skip


def pe(d: Sketch) -> None:
    """A frame whose counter has the form of a bet; round outside below (MS pe)."""
    x1 = 3.05 * max(d.w, 0.9) * (1 - 0.26 * d.own.forms[0])
    h = 0.74 * d.h
    inner = None if d.style != "vellish" else 0.4
    t = draw_roof(d, 0.0, x1, thick=h, inner=inner)
    b = draw_base(d, 0.0, x1, outer=0.8, thick=h, inner=inner, depth=0.5, bulge=0.0)
    draw_wall(d, x1, t + 0.3, b - 0.35)
    drop(d, t, x1 - d.v)


def pe_final(d: Sketch) -> None:
    """A corner above like the bent form, a leg long enough to fold, and the drop (MS final pe)."""
    x1 = 2.7 * max(d.w, 0.92) * (1 - 0.12 * d.own.forms[0])
    t = draw_roof(d, 0.0, x1, thick=0.82 * d.h)
    drop(d, t, x1 - d.v)
    length = 4.4 + 0.75 * d.ways[5] + 0.5 * (d.hand.final - 1) + d.long + d.j(0.1)
    draw_leg(d, x1, t + 0.1, max(3.75, length), fine=0.85 + 0.3 * d.ways[6], drift=0.1 * d.ways[7])


RING_LETTERS = {
    "ב": bet, "כ": kaf, "מ": mem, "ם": mem_final, "ס": samech, "ט": tet, "פ": pe, "ף": pe_final,
}  # fmt: skip
