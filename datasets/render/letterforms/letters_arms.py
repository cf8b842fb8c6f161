"""Letters with arms on a body: alef, ayin, tsadi, the final tsadi, shin.

Forms after Mishnat Sofrim (MS) and Keset HaSofer 5:2.
"""

from __future__ import annotations

from crownlet.datasets.render.letterforms.own_forms import NOTICED_FINAL_LENGTH_Q
from crownlet.datasets.render.letterforms.sketch import Sketch, clamp
from crownlet.datasets.render.letterforms.strokes import (
    crowned_head,
    draw_base,
    draw_joint,
    draw_kotz,
    lens_leg,
    vav_head,
    yud_head,
)


def alef(d: Sketch) -> None:
    """A diagonal body; a yud above and one below, each at one thin joint (MS alef)."""
    w, own = max(d.w, 0.92), d.habits
    weight, bend, place, rise, spur = d.ways[:5]
    t = (0.82 + 0.14 * weight) * d.h
    snake = 0.05 * own.arm_curve + 0.1 * bend
    d.stroke("body", "body", [
        (0.2, 0.32, 0.94 * t), (1.0 * w, 1.06 + snake, t),
        (1.9 * w, 1.92 - snake, t), (2.72 * w, 2.6 + d.j(0.04), 0.85 * t),
    ], start=0.7 + 0.15 * own.head_lean, end=0.5 + 0.2 * own.tip)  # fmt: skip
    if spur > 0.3:
        draw_kotz(d, 0.4, 0.36, -0.3, -0.52, "spur", wide=0.42)
    # In some hands the yud stands near the end of the body, its joint coming straight down.
    far = max(0.0, d.ways[6] - 0.2)
    x = 2.36 * w + 0.08 * place + 0.12 * far
    upper_yud(d, x)
    end = (1.7 * w + 0.1 * place + 0.5 * far, 1.5 + 0.095 * place + 0.475 * far)
    draw_joint(d, (x - 0.14 + 0.1 * far, 0.6), end, "joint_upper", sag=0.06, flare=1.7)
    low = 2.58 + d.j(0.03)
    lower_yud(d, low)
    # In some hands it hangs straight down from near the upper end of the body.
    near = max(0.0, d.ways[5] - 0.3) if own.foot <= 0.45 else 0.0
    start = (0.72 - 0.3 * near, low - (0.2 if own.foot > -0.1 else 0.05))
    end = (1.2 * w + 0.12 * rise - 0.5 * near, 1.3 + 0.1 * rise - 0.45 * near)
    draw_joint(d, start, end, "joint_lower", sag=-0.05 - 0.06 * bend, flare=1.6)
    if d.hand.kotzim:
        draw_kotz(d, x + 0.34, 0.22, 0.1, -0.3, "kotz_upper")
        draw_kotz(d, 0.86, 2.85, 0.06, 0.24, "kotz_lower")


def upper_yud(d: Sketch, x: float) -> None:
    """Alef's upper yud about x: rounded, or in some hands angular with a rising point."""
    way = d.ways[5]
    if way < 0.1:
        yud_head(d, x, 0.4, "yud_upper", 11 + 3 * d.habits.yud_tilt - 8 * way, height=0.8)
        return
    rise = 0.16 + 0.3 * way + d.j(0.03)
    d.block("yud_upper", "yud", [
        (x - 0.16, -0.02 - rise, d.soft, -(0.03 + 0.1 * d.flare)), (x + 0.56, 0.26, 0.1, 0.02),
        (x + 0.1 + d.j(0.03), 0.86, 0.14, 0.02), (x - 0.5, 0.5 - 0.1 * way, 0.1, -0.05),
    ])  # fmt: skip


def lower_yud(d: Sketch, low: float) -> None:
    """Alef's lower point about y = `low`: a hanging yud, a wedge, or a foot flat on the line."""
    way, reach, tall = d.habits.foot, d.ways[6], d.ways[7]
    if way > -0.1:
        over = way > 0.45
        middle = low + 0.06 if over else low
        turn = -4 - 4 * way + 6 * reach
        yud_head(d, 0.56, middle, "yud_lower", turn, height=0.78, mirror=over)
        return
    wide = 0.05 * d.habits.head_size + 0.08 * reach
    top = low - 0.34 - 0.16 * tall
    if way > -0.5:  # A wide foot.
        d.block("yud_lower", "yud", [
            (0.42 - wide, top + 0.02 + d.j(0.04), d.soft + 0.04, -0.03), (0.94, top - 0.06, 0.1, 0),
            (1.04 + wide, low + 0.4 + d.j(0.03), d.soft, 0.02),
            (0.04 - wide, low + 0.44 + d.j(0.04), d.soft, -(0.03 + 0.2 * d.flare)),
        ])  # fmt: skip
        return
    # Like a small dalet: a leg with a flat foot that points to the left.
    d.block("yud_lower", "yud", [
        (0.5, top - 0.16, 0.1, 0.0), (0.92, top - 0.2 + d.j(0.03), 0.1, 0.0),
        (0.98 + wide, low + 0.36, d.soft + 0.05, 0.02), (0.72, low + 0.46 + d.j(0.03), d.soft, 0.0),
        (-0.02 - wide, low + 0.44 + d.j(0.03), d.soft, -(0.02 + 0.1 * d.flare)),
        (0.1 - wide, low + 0.02, d.soft, 0.0), (0.44, low + 0.02, 0.12, 0.0),
    ])  # fmt: skip


def arm_gap(d: Sketch) -> float:
    """The gap between two heads that stand side by side."""
    return clamp(0.46 + 1.0 * (d.w - 1) + d.j(0.04), 0.38, 0.7) * d.open


def side_head(d: Sketch, x0: float, width: float, name: str, tilt: float) -> float:
    """A yud-like head, vav-like in the Arizal tradition (Keset 5:2 ayin, shin); its middle x."""
    x = x0 + width / 2
    if d.style == "arizal":
        vav_head(d, x0, x0 + width, 0.0, 0.78, name, kind="yud")
    else:
        yud_head(
            d, x, 0.44 + 0.05 * d.ways[4], name, tilt + 8 * d.habits.yud_tilt + 4 * d.ways[5],
            width, 0.82,
        )  # fmt: skip
    return x


def thigh(
    d: Sketch, x: float, end_x: float, end_y: float, end: float = 0.25, slight: float = 0.3
) -> None:
    """The long arm that comes down from a right head and sweeps to the lower left.

    `slight` is how far a hand of hairlines draws its middle so.
    """
    v = d.thin(clamp(0.9 * d.v, 0.42, 0.68), slight)
    bow = 0.08 * d.habits.arm_curve
    # Some hands write it broadest below, like a boat.
    boat = 1.0 + 0.5 * max(0.0, d.habits.belly - 0.2)
    neck = d.thin(clamp(1.3 * d.joint + 0.1, 0.26, 0.54))
    span = x - end_x
    d.stroke("thigh", "leg", [
        (x + 0.12, 0.55, neck), (x + 0.1, 0.98, 1.1 * neck), (x + 0.02 + 0.5 * bow, 1.45, v),
        (x - 0.22 * span + bow, 2.0 + bow, (0.5 + 0.5 * boat) * v),
        (x - 0.55 * span, 2.6 + 0.6 * bow - 0.2 * (boat - 1), 0.9 * boat * v),
        (end_x, end_y, end),
    ], end=0.3)  # fmt: skip


def swept_ayin(d: Sketch) -> None:
    """A right arm that sweeps far to the left under the letter; the left one a fine stroke."""
    x = crowned_head(d, 0.0, 1.06)
    weight, meet, straight = d.ways[:3]
    near, left, deep = d.own.forms[0], d.own.forms[1], 0.8 * d.own.depth
    right = side_head(d, 1.06 + 0.25 * (1 - near) + arm_gap(d), 0.95, "yud", tilt=9)
    v = clamp(0.9 * d.v, 0.36, 0.6)
    neck = d.thin(clamp(1.3 * d.joint + 0.1, 0.26, 0.54))
    low = 2.72 + 0.3 * deep
    d.stroke("thigh", "leg", [
        (right + 0.12, 0.55, neck), (right + 0.12, 1.0, 1.1 * neck),
        (right + 0.02 * straight, 1.6, 0.9 * v), (right - 0.45, 2.3, v + 0.06),
        (right - 1.3, low, v + 0.12 + 0.06 * weight),
        (-0.1 - 0.55 * left, 3.05 + deep + d.j(0.05), 0.28),
    ], end=0.3)  # fmt: skip
    thin = d.thin(0.44, 0.8)
    d.stroke("leg", "leg", [
        (x, 0.7, thin), (x + 0.06 + 0.05 * straight, 1.5, thin),
        (max(right - 1.2, x + 0.1) + 0.05 * meet, low - 0.05, max(thin, 0.26)),
    ])  # fmt: skip


def ayin(d: Sketch) -> None:
    """A yud on a sweeping thigh; a zayin that meets it below its middle (MS ayin)."""
    if d.own.forms[2] > 0.4:
        return swept_ayin(d)
    x = crowned_head(d, 0.0, 1.06)
    weight, meet, straight = d.ways[:3]
    wide = d.thin(0.46 + 0.08 * weight, 0.7)
    near, deep, left = d.own.forms[0], 0.95 * d.own.depth, d.own.forms[1]
    d.stroke("leg", "leg", [
        (x, 0.7, 0.95 * wide), (x + 0.14 + 0.06 * straight, 1.4, wide),
        (x + 0.5 + 0.06 * meet - 0.1 * near, 2.62 + 0.04 * meet + 0.12 * deep,
         max(d.thin(0.42, 0.7), 0.3)),
    ])  # fmt: skip
    right = side_head(d, 1.06 + 0.25 * (1 - near) + arm_gap(d), 0.95, "yud", tilt=9)
    end = (
        0.14 - 0.06 * d.habits.tail - 0.5 * left * d.own.depth,
        3.1 + 0.28 * max(-0.4, d.habits.tail) + deep + d.j(0.05),
    )
    thigh(d, right, *end, slight=0.6)
    return None


def tsadi(d: Sketch) -> None:
    """A bent nun with a yud on the middle of its neck; the yud turned over in the Arizal
    tradition (MS tsadi; Keset 5:2)."""
    x0 = 0.34
    x = crowned_head(d, x0, x0 + 1.06)
    right = 2.45 * d.w
    b = draw_base(d, -0.1, right, outer=0.5, inner=0.25, depth=0.25, thick=0.82 * d.h, post=0.6)
    heel, y = right - 0.33, b + 0.25
    thin = max(clamp(1.6 * d.ways[7], 0.0, 1.0), 0.9 * d.own.hair)
    d.stroke("neck", "neck", [
        (x, 0.7, 0.46 - 0.24 * thin),
        (x + 0.3 * (heel - x), 0.7 + 0.36 * (y - 0.7), 0.52 - 0.28 * thin),
        (x + 0.78 * (heel - x), 0.7 + 0.7 * (y - 0.7), 0.58), (heel, y, 0.58),
    ])  # fmt: skip
    back_yud(d, x0 + 1.06 + arm_gap(d), (x + 0.3 * (right - x), 1.62))


def tsadi_final(d: Sketch) -> None:
    """The two heads of tsadi on the leg of a final nun (MS final tsadi)."""
    x = crowned_head(d, 0.0, 1.06)
    length = 4.75 + 0.4 * d.ways[0] + 0.5 * (d.hand.final - 1) + d.long + d.j(0.1)
    if d.shorter > NOTICED_FINAL_LENGTH_Q:
        d.unasked.add("leg_short")
    length = max(length - d.shorter, min(length, 3.6))
    lens_leg(d, x, 0.75, length, drift=0.1 - 0.06 * d.ways[1])
    back_yud(d, 1.06 + arm_gap(d), (x + 0.06, 1.95))


def back_yud(d: Sketch, x0: float, foot: tuple[float, float]) -> None:
    """The yud on the back of tsadi, whose joint reaches the neck at `foot`."""
    over = d.style == "arizal"
    high, turn, wide, heavy, near = d.ways[2:7]
    x, y = x0 + 0.55 + 0.07 * wide, 0.42 + 0.08 * high
    yud_head(
        d, x, y, "yud", tilt=-8 - 6 * turn if over else 12 + 10 * turn, mirror=over,
        width=0.94 + 0.1 * wide, height=0.82 - 0.08 * heavy,
    )  # fmt: skip
    end = (foot[0], foot[1] + 0.06 + 0.12 * near)
    thick = (1.15 + 0.15 * heavy) * d.joint
    draw_joint(
        d, (x - 0.08, y + 0.24), end, "joint", sag=0.18 + 0.05 * near, thick=thick, flare=1.6
    )


def bowled_shin(d: Sketch) -> None:
    """Three heads on fine arms that come down into one round base, as many hands write it."""
    x = crowned_head(d, 0.0, 0.94)
    low, weight, swing = 2.72 + 0.1 * d.ways[1], d.ways[2], d.ways[3]
    gap = arm_gap(d)
    mid = side_head(d, 0.94 + gap, 0.74, "yud_middle", tilt=7)
    right = side_head(d, 1.68 + gap + arm_gap(d), 0.85, "yud_right", tilt=7)
    arm, deep = d.thin(0.46 + 0.08 * weight, 0.85), clamp(0.62 * d.h, 0.42, 0.66)
    foot = x - 0.04 + 0.16 * swing
    d.stroke("leg", "leg", [(x, 0.7, 1.1 * arm), (x, 1.5, arm), (foot, 2.4, arm + 0.06)])
    d.stroke("base", "base", [
        (foot - 0.2, 2.3, 0.3), (foot + 0.16, low - 0.1, deep), (foot + 0.9, low + 0.04, deep),
        (right - 0.56, low - 0.24, 0.95 * deep),
    ])  # fmt: skip
    t = d.thin(clamp(1.2 * d.joint, 0.14, 0.43))
    end = (0.45 * mid + 0.55 * foot + 0.36, low - 0.1)
    d.stroke("joint_middle", "joint", [
        (mid + 0.02, 0.7, 1.4 * t), (0.6 * mid + 0.4 * end[0] + 0.06, 1.6, t), (*end, 1.4 * t),
    ])  # fmt: skip
    v = d.thin(clamp(0.9 * d.v, 0.42, 0.68), 0.4)
    neck = d.thin(clamp(1.3 * d.joint + 0.1, 0.26, 0.54))
    d.stroke("thigh", "leg", [
        (right + 0.12, 0.55, neck), (right + 0.12, 1.05, 1.1 * neck), (right + 0.08, 1.6, v),
        (right - 0.24, low - 0.5, v + 0.08), (right - 0.72, low - 0.16, 0.9 * deep),
    ])  # fmt: skip


def shin(d: Sketch) -> None:
    """Three heads on arms that meet below in a point, or in a round base (MS shin)."""
    if d.own.forms[2] > 0.4:
        return bowled_shin(d)
    x = crowned_head(d, 0.0, 0.94)
    foot, flat, weight, swing = d.ways[:4]
    wide = 0.46 + 0.08 * weight
    lean = 0.2 + 0.24 * foot
    end = (x + 0.06 + lean, 2.85, 0.4 + 0.06 * weight)
    arm = d.thin(wide, 0.85)
    d.stroke("leg", "leg", [(x, 0.7, 0.96 * arm), (x + 0.4 * lean - 0.04, 1.6, arm), end])
    if flat > 0.3:
        d.block("base", "base", [
            (x - 0.14 + lean, 2.5, 0.1, 0.0), (x + 0.5 + lean, 2.45, 0.1, 0.0),
            (x + 0.3 + lean, 3.0 + d.j(0.04), 0.1 + 0.15 * flat, 0.02),
            (x - 0.16 + lean, 3.02, 0.08, 0.0),
        ])  # fmt: skip
    gap, close = arm_gap(d), 0.1 * max(0.0, d.ways[6])
    mid = side_head(d, 0.94 + gap - close, 0.74, "yud_middle", tilt=7)
    right = side_head(d, 1.68 + gap + arm_gap(d) - 2 * close, 0.85, "yud_right", tilt=7)
    t = d.thin(clamp(1.2 * d.joint, 0.14, 0.43))
    # Its end spreads, so that the gaps at both sides of it end blunt and no ink bridges them.
    knots = [
        (mid + 0.06, 0.7, 1.4 * t),
        (x + 0.7 * (mid - x) + 0.03 + 0.35 * lean, 1.55, t),
        (x + 0.3 * (mid - x) + 0.66 * lean, 2.3, 1.1 * t),
        (x + 0.13 + lean, 2.75, 2.0 * t),
    ]
    d.stroke("joint_middle", "joint", knots)
    low = 2.95 + 0.06 * swing + 0.2 * d.own.depth * d.own.forms[1] + d.j(0.05)
    thigh(d, right, x - 0.1 - 0.08 * swing + lean, low, end=0.34, slight=0.8)
    return None


ARM_LETTERS = {"א": alef, "ע": ayin, "צ": tsadi, "ץ": tsadi_final, "ש": shin}
