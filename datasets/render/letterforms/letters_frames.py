"""Letters of a roof and legs: dalet, he, resh, the final kaf, tav.

Forms after Mishnat Sofrim (MS) and Keset HaSofer 5:2.
"""

from __future__ import annotations

from crownlet.datasets.render.letterforms.own_forms import (
    MIN_FINAL_KAF_RATIO,
    MIN_HE_GAP_Q,
    SLIGHT_HEEL_Q,
)
from crownlet.datasets.render.letterforms.sketch import Sketch, clamp
from crownlet.datasets.render.letterforms.strokes import (
    draw_kotz,
    draw_leg,
    draw_roof,
    he_gap,
    roof_seat,
)


def dalet(d: Sketch) -> None:
    """A long roof, a sharp corner with a heel behind it, a short leg (MS dalet)."""
    x1 = 2.7 * d.w + d.extra
    corner = max(0.7 * d.soft, d.round)
    d.corner()
    t = draw_roof(d, 0.0, x1, outer=corner, depth=0.4 - 0.34 * d.leaf)
    draw_leg(d, x1, t + 0.1, d.foot_y(2.92), drift=0.08, leaf=True)
    h = max(d.heel * d.own.heel, 0.06)
    if h < SLIGHT_HEEL_Q:
        d.unasked.add("heel_missing")
    d.block("heel", "heel", [
        (x1 - 0.35 - 0.5 * d.round, 0.15, 0.05, 0.0),
        (x1 + 0.75 * h, 0.08 + d.j(0.05), max(d.soft, d.round), 0.02),
        (x1 + h, 0.7 * t + d.j(0.05), d.soft + 0.05, -0.05), (x1 + 0.02, t + 0.55, 0.1, 0.0),
        (x1 - 0.25, t + 0.3, 0.05, 0.0),
    ])  # fmt: skip
    if d.hand.kotzim:
        draw_kotz(d, x1 - 0.12 - 0.3 * d.round, 0.08 + 0.1 * d.round, 0.12, -0.26, "kotz")
    roof_seat(d)
    d.stretchable(0.6, x1 - d.v - 0.1)


def he(d: Sketch) -> None:
    """A dalet-like frame, a loose leg under the left end of its roof (MS he)."""
    x1 = 2.7 * d.w + d.extra
    shoulder = d.corner(d.soft + 0.25 * max(0.0, d.habits.shoulder))
    t = draw_roof(d, 0.0, x1, outer=shoulder, depth=0.4 - 0.34 * d.leaf)
    draw_leg(d, x1, t + 0.1, d.foot_y(2.97), leaf=True)
    place, lean, end = d.ways[:3]
    lean *= 0.2
    t_leg = clamp(0.8 * d.v + 0.14 * d.ways[3], 0.32, 0.7)
    # However narrow the letter, a gap stays between its legs.
    far = x1 - d.v - 0.37 * d.open - 0.7 * t_leg - 0.16 - max(0.0, lean)
    # Many hands hang it further in, as a leaf whose point comes close to the roof.
    inward = min(0.4 * d.own.forms[1], max(0.0, 0.29 * x1 - 0.5 - 0.24 * place))
    x = min(0.5 + 0.24 * place + inward, max(far, 0.28))
    leaf = d.own.forms[2] > 0.3 and d.style != "vellish"
    gap = he_gap(d, t)
    gap = min(gap, max(MIN_HE_GAP_Q, gap * (1.0 - 0.7 * d.own.forms[0])))
    loose_leg(d, x, d.under(x) + gap, 2.9 + 0.14 * end + d.j(0.06), lean, t_leg, leaf)
    roof_seat(d)
    d.stretchable(1.0, x1 - d.v - 0.1)


def loose_leg(
    d: Sketch, x: float, y0: float, y1: float, lean: float, t: float, leaf: bool = False
) -> None:
    """He's left leg: thin above, thicker below, its end bent a little to the right (MS he).

    Its foot stands `lean` further right; it is about `t` thick.
    """
    way = max(d.habits.hanging, 0.9) if leaf else d.habits.hanging
    length = y1 - y0
    if way < -0.4:
        knots = [
            (x - 0.06, y0, min(0.3, 0.8 * t)),
            (x - 0.02 + 0.4 * lean, y0 + 0.35 * length, 0.6 * t),
            (x + 0.02 + 0.7 * lean + d.j(0.03), y0 + 0.7 * length, t),
            (x + 0.06 + lean, y1, 1.25 * t),
        ]
        d.stroke("leg_left", "leg", knots, start=d.j(0.3), end=0.3 * d.habits.tip)
        return
    if way > 0.4:  # A leaf, pointed above and below.
        belly = (0.8 + 0.3 * d.leaf) * t + 0.06
        knots = [
            (x + 0.02 + 0.1 * d.ways[4], y0 - 0.04, 0.16 + 0.08 * (1 - way)),
            (x, y0 + 0.28 * length, 0.8 * belly),
            (x + 0.02 + 0.6 * lean + d.j(0.03), y0 + 0.58 * length, belly),
            (x + 0.06 + lean, y1, max(0.12, belly * (0.62 - 0.4 * d.taper))),
        ]
        d.stroke("leg_left", "leg", knots, start=-0.3 * d.cut, end=0.4 * d.cut + d.j(0.3))
        return
    knots = [
        (x - 0.03, y0, min(0.32 + 0.06 * way + 0.1 * d.ways[4], 0.8 * t)),
        (x + 0.02 + 0.03 * way + 0.3 * lean, y0 + 0.3 * length, (0.8 + 0.1 * way) * t),
        (x + 0.03 + 0.7 * lean + d.j(0.03), y0 + (0.68 - 0.08 * way) * length, t),
        (x + 0.1 - 0.05 * way + lean, y1, max(0.12, t * (0.75 - 0.2 * way - 0.5 * d.taper))),
    ]
    end = 0.4 * d.cut + 0.4 * d.habits.tip + d.j(0.3)
    d.stroke("leg_left", "leg", knots, start=-0.4 * d.cut + d.j(0.3), end=end)


def resh(d: Sketch) -> None:
    """A flat roof, truly round at the upper right, a short leg (MS resh)."""
    x1 = 2.65 * d.w + d.extra
    inner = 0.28 + d.fillet + 0.3 * max(0.0, d.own.arc)
    t = draw_roof(d, 0.0, x1, outer=d.arc(0.9), inner=inner, depth=0.75)
    draw_leg(d, x1, t + 0.5, d.foot_y())
    d.stretchable(0.5, x1 - d.v - 0.3)


def kaf_final(d: Sketch) -> None:
    """Rounded like resh, its leg twice as long as its roof (MS final kaf)."""
    broad, brief = (max(0.0, way) for way in d.ways[:2])
    x1 = 2.3 * (0.75 + 0.25 * d.w) + 0.45 * broad
    t = draw_roof(d, 0.0, x1, outer=d.arc(0.85), inner=0.28 + d.fillet, depth=0.7)
    length = (2 * x1 + 0.15 - 0.3 * brief) * max(0.9, d.narrow) + d.long + d.j(0.1)
    length = max(length - d.shorter, min(length, 3.55))
    if d.shorter > 0.0 and length < MIN_FINAL_KAF_RATIO * x1 * d.narrow:
        d.unasked.add("leg_short")
    draw_leg(d, x1, t + 0.45, length, fine=0.85)


def tav(d: Sketch) -> None:
    """A dalet-like right leg; a left leg that ends in a foot under the roof's end (MS tav).

    The left leg leaves the roof at its very end or further in, thin or at full thickness, upright
    or leaning out to the left.
    """
    x1, x0 = 2.9 * d.w + d.extra, 0.22
    place, neck, lean, head = d.ways[:4]
    shoulder = d.corner(d.soft + 0.4 * max(0.0, d.habits.shoulder))
    t = draw_roof(d, x0, x1, outer=shoulder, depth=0.4 - 0.34 * d.leaf * (d.v < 0.68))
    draw_leg(d, x1, t + 0.1, d.foot_y(2.97), fine=0.8, leaf=d.v < 0.68)
    # Some hands hang it on a thin joint.
    top = clamp(0.48 + 0.16 * neck, 0.32, 0.64) if neck > -0.6 else clamp(1.1 * d.joint, 0.19, 0.3)
    top = d.thin(top, 0.8)
    x = x0 + 0.12 + top / 2 + 0.36 * (1 + place) + d.j(0.04)
    x = min(x, x1 - d.v - 0.62 - top / 2)
    out = clamp(0.2 + 0.34 * lean, -0.08, x - 0.35)
    d.stroke("leg_left", "leg", [
        (x, t - 0.3, 1.05 * top),
        (x - 0.25 * out + 0.03, max(1.4, t + 0.2), top + 0.04 * d.habits.leg_weight),
        (x - 0.66 * out, 2.1, max(d.thin(0.44, 0.9), top)), (x - out, 2.65, d.thin(0.48, 0.7)),
    ])  # fmt: skip
    left_foot(d, x - out)
    if head > 0.45:
        low = t + 0.12 + d.j(0.04)
        d.block("kotz", "kotz", [
            (x0 - 0.1, d.crest - 0.1, 0.08, -0.03), (x0 + 0.5, d.crest + 0.12, 0.2, 0.0),
            (max(x, x0 + 0.45), low, 0.05, 0.0), (x0 + 0.12, low - 0.03, 0.12, -0.03),
        ])  # fmt: skip
    d.stretchable(x + 0.4, x1 - d.v - 0.1)


def left_foot(d: Sketch, x: float) -> None:
    """Tav's foot under the leg that comes down at x: a block, a wedge, an upturned vav or a flat
    stroke, run out to the left."""
    tall, reach, slope, belly = d.ways[4:8]
    low = 2.97 + d.j(0.05)
    end = min(0.1 + 0.22 * reach, x - 0.64)
    height = 0.66 + 0.2 * tall
    right = x + 0.21 + 0.12 * belly
    d.block("foot", "foot", [
        (end + 0.14 + 0.3 * d.cut, low - height - 0.06 * slope, d.soft, 0.02),
        (x + 0.12, low - height - 0.1 - 0.12 * slope, 0.06, 0.0),
        (right, min(low - 0.42, 2.55), 0.1, 0.02),
        (right - 0.1 + 0.06 * belly, low, 0.12 + 0.08 * (1 + slope), 0.03),
        (end, low + 0.03 + 0.05 * slope, d.soft, -(0.02 + 0.2 * d.flare)),
    ])  # fmt: skip


FRAME_LETTERS = {
    "ד": dalet, "ה": he, "ר": resh, "ך": kaf_final, "ת": tav,
}  # fmt: skip
