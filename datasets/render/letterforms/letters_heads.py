"""Letters that are a head on a leg: vav, zayin, yud, gimel, nun, the final nun, chet.

Forms after Mishnat Sofrim (MS) and Keset HaSofer 5:2.
"""

from __future__ import annotations

from crownlet.datasets.render.letterforms.own_forms import (
    CLOSE_HE_DRAW,
    MIN_FINAL_NUN_Q,
    NOTICED_LENGTH_Q,
    SLIGHT_KOTZ_Q,
    form_of,
)
from crownlet.datasets.render.letterforms.sketch import Sketch, clamp
from crownlet.datasets.render.letterforms.strokes import (
    crowned_head,
    draw_base,
    draw_kotz,
    draw_leg,
    draw_roof,
    lens_leg,
    roof_seat,
    vav_head,
    zayin_head,
)


def vav(d: Sketch) -> None:
    """A short head rounded at the right; a straight leg of two pens, thinning (MS vav)."""
    wide, tall, weight, taper, length, slope = d.ways[:6]
    x1 = 0.93 + 0.035 * wide + d.j(0.02)
    short = d.own.short
    if short > NOTICED_LENGTH_Q:
        d.unasked.add("leg_short")
    # A tilted head is drawn shorter, so that it stays within a pen.
    t = min(0.62, (0.8 + 0.14 * weight) * d.v)
    x0 = 0.06 - 0.06 * wide + 0.007 * max(0.0, d.tilt)
    # A broad head on a fine leg, in some hands.
    t *= 1 - 0.35 * d.own.forms[0]
    broad = 0.3 * d.own.low * (0.3 + 0.7 * d.own.forms[1])
    x0 -= 0.1 * d.own.forms[0] + broad
    x0 = min(max(x0, x1 - 0.9 - broad) + 0.25 * max(0.0, d.ways[6] - 0.2), x1 - t - 0.24)
    vav_head(d, x0, x1, 0.0, 0.8 + 0.14 * tall, tilt=4 * slope)
    if d.style == "arizal":
        x = max(0.39, x0 + 0.25) + 0.004 * d.tilt
        y = 0.66 - 0.22 * max(0.0, -d.habits.flagged) - 0.004 * d.tilt
        draw_kotz(d, x, y, -0.1, 0.3, "kotz")
    foot = max(d.foot_y(3.0 + 0.2 * length, most=3.38) - short, 2.1)
    draw_leg(d, x1, 0.5, foot, t, fine=0.85 + 0.35 * taper, drift=-0.06, leaf=True)


def zayin(d: Sketch) -> None:
    """A square head that overhangs its leg at both sides; the leg from its middle (MS zayin)."""
    x1 = max(1.06, 1.18 * (0.5 + 0.5 * d.w) + 0.16 * d.ways[0])
    zayin_head(d, 0.0, x1, 0.0, 0.9 + 0.12 * d.ways[1], tilt=3 * d.ways[2])
    d.seat(0.2, x1 - 0.2, 0.03 + 0.18 * d.flare)
    x = x1 / 2 + 0.02 * d.ways[3] + d.j(0.03)
    lens_leg(d, x, 0.58, min(d.foot_y(2.88), 2.9), thick=0.55 + 0.09 * d.ways[4])


def yud(d: Sketch) -> None:
    """A body of one pen, a short leg bent left, a small prickle below the left (MS yud)."""
    size, length, bent, slope = d.ways[:4]
    x1 = 0.97 + 0.05 * size + d.j(0.03)
    vav_head(d, 0.08 - 0.05 * size, x1, 0.05, 0.92 + 0.08 * size, tilt=2 + 4 * slope)
    t = min(0.52, 0.74 * d.v)
    if d.own.short < -NOTICED_LENGTH_Q:
        d.unasked.add("leg_long")
    foot = 1.85 + 0.25 * length + d.j(0.1) - max(d.own.short, -0.25)
    foot = max(foot, 1.4 - 0.15 * d.own.low)
    draw_leg(d, x1, 0.55, foot, t, drift=-0.12 - 0.07 * bent)
    # Always there: a hand that leaves it out shows the fault in every yud (Mishnah Berurah 32:15).
    prick = 0.42 if d.own.low == 0 else min(0.42, foot - 1.12)
    if prick < SLIGHT_KOTZ_Q:
        d.unasked.add("kotz_missing")
    draw_kotz(d, 0.32, 0.73, -0.19, max(prick, 0.24) + d.j(0.04), "kotz")
    inward = 0.3 * max(0.0, d.habits.tag_seat - 0.1) + 0.004 * max(0.0, d.tilt)
    inward = min(0.3, inward + 0.1 * max(0.0, d.habits.flagged))
    inward = min(0.34, inward + 0.6 * d.bud + 0.4 * d.own.corner)
    y = 0.28 * max(0.0, d.habits.flagged) * (0.68 - inward) - 0.005 * d.tilt
    d.seat(0.22 + inward, 0.42 + inward, y - 0.03)


def gimel(d: Sketch) -> None:
    """A zayin-like head, a thin right foot that goes lower than the left one (MS gimel)."""
    x = crowned_head(d, 0.66, 1.8)
    curve = 0.05 * d.habits.leg_curve
    knots = [
        (x, 0.75, d.thin(0.4, 0.7)),
        (x + 0.1 + curve, 1.5, d.thin(0.44 + 0.2 * d.swell, 0.5)),
        (x + 0.28 + curve, 2.35, 0.5 + 0.3 * d.swell),
        (x + 0.46, max(3.21 + 0.07 * d.ways[4] + d.j(0.05), 3.15), 0.15),
    ]
    d.stroke("leg", "leg", knots, end=0.4 * d.cut)
    high, heavy, reach, joined = d.ways[:4]
    wide = 0.54 + 0.12 * heavy
    y = min(2.56 - 0.06 * d.habits.tail - 0.14 * high, 2.9 - wide / 2) + d.j(0.04)
    low = d.ways[5] > 0.3 - 0.7 * d.own.forms[0]
    if low:  # Broad and almost on the line, as a nun's base lies.
        wide = 0.64 + 0.1 * heavy
        y = 3.0 - wide / 2 + d.j(0.02)
    y = min(y, 3.05 - wide / 2)
    foot = [
        (x + 0.34, 2.3 + 0.1 * joined, 0.3 + 0.08 * heavy), (x - 0.25, y - 0.14, 0.9 * wide),
        (0.14 - 0.12 * reach + d.j(0.05), y, wide),
    ]  # fmt: skip
    d.stroke("foot", "foot", foot, end=0.0 if low else 0.4 * d.cut + 0.2 * d.habits.tip)


def nun(d: Sketch) -> None:
    """The neck from the middle of the head, leaning right; the base past the head (MS nun)."""
    x0 = 0.5
    x = crowned_head(d, x0, x0 + 1.12)
    reach, lean = d.ways[:2]
    if d.ways[2] > 0.3:  # A base that hardly passes the head.
        reach = -1.0 - 0.6 * d.ways[2]
    right = 1.95 * (0.6 + 0.4 * d.w) + 0.12 * lean
    low = draw_base(
        d, -0.08 - 0.14 * reach, right, outer=0.5, thick=0.82 * d.h, inner=0.25, depth=0.3, post=0.6
    )
    knots = [
        (x, 0.7, d.thin(0.46, 0.7)),
        (x + 0.1, 1.3, d.thin(0.48, 0.7)),
        (right - 0.36, low - 0.3, 0.58),
        (right - 0.31, low + 0.15, 0.58),
    ]
    d.stroke("neck", "neck", knots)


def nun_final(d: Sketch) -> None:
    """A long zayin, at least four pens with its head (MS final nun)."""
    # Some hands of short legs write it like their vav, only broader and longer.
    like_vav = d.own.low > 0.3 and d.own.forms[0] > 0.25
    x = 0.0 if like_vav else crowned_head(d, 0.0, 1.15)
    length = 4.85 + 0.45 * d.ways[0] + 0.6 * (d.hand.final - 1) + d.long + d.j(0.12)
    length = max(max(4.35, length) - d.shorter, 3.4)
    if length < MIN_FINAL_NUN_Q:
        d.unasked.add("leg_short")
    if like_vav:
        vav_head(d, 0.0, 1.15, 0.0, 0.9)
        inset = 0.23 + 0.6 * d.bud + 0.2 * d.own.corner
        d.seat(inset, 1.15 - inset, 0.03 + 0.18 * d.flare)
        draw_leg(d, 1.13, 0.5, length, 0.9 * d.v, fine=0.9)
        return
    lens_leg(d, x, 0.75, length, drift=d.j(0.06) - 0.03)


def chet(d: Sketch) -> None:
    """Two zayins at most a pen apart under a peaked hump; or plain, with one flat roof (MS chet).

    Plain in Vellish, and by some hands of every style.
    """
    if d.style == "vellish" or d.ways[0] > 0.4 - 0.7 * d.own.forms[0]:
        return flat_chet(d)
    w = d.w
    left = 1.05 * (0.6 + 0.4 * w)
    right = left + min(0.66 + 0.4 * (w - 1), 0.66) * d.open + d.j(0.05)
    zayin_head(d, 0.0, left, 0.1, 1.0, "head_left")
    lens_leg(d, left / 2, 0.78, d.foot_y(), "leg_left", thick=0.64)
    wide = 1.08 * (0.6 + 0.4 * w)
    vav_head(d, right, right + wide, 0.1, 0.98, name="head_right")
    if d.style == "arizal":
        draw_leg(d, right + wide, 0.6, d.foot_y(), 0.8 * d.v, name="leg_right")
    else:
        lens_leg(d, right + 0.58 * wide, 0.78, d.foot_y(), "leg_right", thick=0.64)
    hump(d, left, right)
    d.seat(0.14, 0.42, 0.12 - 0.003 * d.tilt)
    return None


def hump(d: Sketch, left: float, right: float) -> None:
    """Two thin strokes that meet in a peak over the gap between two heads."""
    thin = d.thin(0.25 + 0.06 * d.ways[1]) + d.j(0.02)
    thick = thin + (0.16 if d.style == "arizal" else 0.03)
    top, middle = -0.6 + 0.22 * d.ways[2] + d.j(0.08), (left + right) / 2 + d.j(0.04)
    hollow = 0.03 + 0.02 * d.habits.arm_curve
    d.block("hump", "hump", [
        (left - 0.42, 0.3, 0.05, -hollow), (middle, top, d.soft, -hollow),
        (right + 0.42, 0.3, 0.05, 0.0), (right + 0.42 - 1.3 * thick, 0.42, 0.05, hollow),
        (middle, top + 1.5 * thin, 0.5 * d.soft, hollow),
        (left - 0.42 + 1.3 * thin, 0.42, 0.05, 0.0),
    ])  # fmt: skip


def flat_chet(d: Sketch) -> None:
    """The chet without hump: one flat roof, both legs joined to it (Keset 5:2 chet)."""
    place, form, weight, lean = d.ways[3:7]
    x1 = 2.65 * d.w
    shoulder = d.corner(d.soft + 0.4 * max(0.0, d.habits.shoulder), fault=None)
    t = draw_roof(d, 0.0, x1, outer=shoulder, depth=0.4 - 0.34 * d.leaf)
    v = d.v * (0.9 + 0.12 * weight)
    x = max(0.2 + 0.16 * place + v, d.eaves[0] + 0.75 * v)
    low = d.foot_y(2.96)
    draw_leg(d, x1, t + 0.1, d.foot_y(2.96), name="leg_right", fine=0.8, leaf=True)
    if form < 0.0:  # Like a zayin's leg, swelling below a neck.
        wide = clamp(1.1 * v, 0.5, 0.8)
        # A zayin's neck: a leg held by less is taken to hang free, as only few hands risk.
        thin = d.ways[7]
        neck = max(0.3, v * (0.72 + 0.22 * thin)) if thin > -0.7 else 0.15 - 0.5 * (thin + 0.7)
        if form_of(d.hand.form_seed, d.style, "ה").forms[0] > CLOSE_HE_DRAW:
            neck = max(neck, 0.34)
        else:
            neck = d.thin(neck, 0.9 * (d.own.hair > 0.5))
        mid = x - v / 2
        d.stroke("leg_left", "leg", [
            (mid, t - 0.3, max(neck, 0.9 * v)), (mid, t + 0.1, neck),
            (mid - 0.02 + 0.06 * lean, 1.85, wide), (mid + 0.14 * lean, low, 0.24),
        ], end=0.4 * d.cut + d.j(0.3))  # fmt: skip
    else:
        draw_leg(d, x, t - 0.3, low, v, drift=0.16 * lean, name="leg_left", fine=0.5 + 0.5 * form)
    roof_seat(d)


HEAD_LETTERS = {
    "ו": vav, "ז": zayin, "י": yud, "ג": gimel, "נ": nun, "ן": nun_final, "ח": chet,
}  # fmt: skip
