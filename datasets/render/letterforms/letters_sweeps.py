"""Letters whose right limb sweeps to the left under a roof: kuf and lamed.

Forms after Mishnat Sofrim (MS) and Keset HaSofer 5:2.
"""

from __future__ import annotations

from crownlet.datasets.render.letterforms.sketch import Sketch, clamp
from crownlet.datasets.render.letterforms.strokes import (
    draw_joint,
    draw_roof,
    he_gap,
    roof_seat,
    vav_head,
)


def sweep(d: Sketch, x1: float, y0: float, reach: float, y1: float) -> None:
    """The curved right limb of lamed and kuf: down, then well to the left."""
    v, mid = d.v, x1 - d.v / 2
    bow = 0.06 * d.habits.leg_curve
    drop = y1 - y0
    knots = [
        (mid, y0, v),
        (mid - 0.03, y0 + 0.3 * drop, v),
        (mid - 0.36 * reach + bow, y0 + 0.68 * drop, 0.92 * v),
        (mid - reach, y1, 0.55 * v),
    ]
    d.stroke("leg", "leg", knots, end=-0.25 + 0.2 * d.habits.tip)


def kuf(d: Sketch) -> None:
    """A right leg bent well to the left, and a loose left leg like a short final nun (MS kuf)."""
    x1 = 2.6 * d.w
    t = draw_roof(d, 0.0, x1, outer=0.95, inner=0.3 + d.fillet, depth=0.55)
    place, lean, weight, head, end = d.ways[:5]
    x = 0.42 + 0.14 * place
    thick = 0.46 + 0.16 * d.v + 0.1 * weight
    # A gap stays between the two legs, however narrow the letter.
    most = x1 - 0.75 * d.v - x - 0.5 * thick - 0.1 - 0.3 * d.open
    sweep(d, x1, t + 0.3, min(0.85 + 0.12 * d.habits.reach, x1 - 1.76, most), 2.85 + d.j(0.06))
    y0 = d.under(x) + max(0.36, he_gap(d, t)) + 0.15 * max(0.0, d.cut - 0.5)
    foot = 4.35 + 0.45 * end + 0.4 * (d.hand.final - 1) + 0.8 * d.long + d.j(0.1)
    d.stroke("leg_left", "leg", [
        (x - 0.02, y0, (0.7 + 0.25 * head) * thick), (x + 0.02, y0 + 0.45, thick),
        (x + 0.04 + 0.1 * lean + 0.4 * d.bend + 0.05 * d.habits.leg_curve, 3.0, 0.8 * thick),
        (x + 0.08 + 0.12 * lean + 0.06 * d.habits.leg_drift, foot, 0.17),
    ], start=-0.4 * d.cut, end=0.4 * d.cut + d.j(0.4))  # fmt: skip
    roof_seat(d)


def lamed_sweep(
    d: Sketch, x1: float, y0: float, reach: float, bow: float, curl: float
) -> None:  # fmt: skip
    """The right limb of lamed: straight or in a bow to the lower left; in some hands its end curls
    further left along the line."""
    v, mid, y1 = d.v, x1 - d.v / 2, 3.0 + d.j(0.05)
    drop = y1 - y0
    knots = [
        (mid, y0, v),
        (mid - 0.06 + 0.06 * bow, y0 + 0.3 * drop, v),
        (mid - (0.42 - 0.1 * bow) * reach, y0 + 0.68 * drop, 0.92 * v),
        (mid - reach, y1 - 0.14 * (curl > 0.4), 0.56 * v),
    ]
    if curl > 0.4:
        knots.append((mid - reach - 0.22 - 0.2 * curl, y1 + 0.03, 0.4 * v))
    d.stroke("leg", "leg", knots, end=-0.25 + 0.2 * d.habits.tip)


def lamed(d: Sketch) -> None:
    """A bent kaf; on its left corner, thinly joined, a vav that stands in the line above
    (MS lamed)."""
    x1 = 2.35 * d.w + d.extra
    t = draw_roof(d, 0.0, x1, outer=0.95, inner=0.3 + d.fillet, depth=0.5, thick=0.9 * d.h)
    flag, angle, lean, round_, curl = d.ways[:5]
    # Some hands stand the neck at the very end of the roof.
    lean = clamp(lean + 0.9 * d.own.forms[0], -1.0, 1.0)
    # A hand of short legs brings it down almost straight.
    reach = (1.1 + 0.22 * d.habits.reach) * (1.0 - 0.85 * d.own.low * (1.0 - 0.5 * d.own.forms[1]))
    lamed_sweep(d, x1, t + 0.25, reach, round_, curl - d.own.low)
    # It stands in the space between the lines and leaves that of the letter above alone (OC 32:28).
    # Proud hands let it rise into that line all the same.
    room = max(1.7, d.hand.line_pitch - 3.35, 2.45 * d.hand.neck if d.hand.neck > 1.16 else 0.0)
    top = -clamp(2.45 * d.hand.neck * (1 - 0.3 * d.own.forms[3]) + d.j(0.12), 1.6, room)
    over = 0.22 * lean
    far = -0.5 - 0.18 * flag + d.j(0.04) - over
    vav_head(d, far, 0.42 - over, top, top + 0.8 + 0.1 * angle, tilt=4 * min(0.0, angle) - 2)
    curve = 0.08 * d.habits.leg_curve + d.bend
    up = top + 0.45
    # In some hands the whole neck is hardly more than a line.
    fine = (1.0 - 0.45 * d.own.forms[2]) if d.style != "vellish" else 1.0
    knots = [
        (0.19 - over, up, 0.44 + 0.06 * flag),
        (
            0.18 + 0.5 * curve - 0.6 * over,
            up + 0.35 * (0.2 - up),
            d.thin(fine * (0.42 + 0.08 * angle), 0.8),
        ),
        (
            0.22 + 0.4 * curve - 0.2 * over,
            up + 0.7 * (0.2 - up),
            d.thin(fine * (0.34 + 0.06 * angle)),
        ),
        (0.28, 0.2, d.thin(max(0.18, 0.26 * fine))),
    ]
    d.stroke("neck", "neck", knots)
    draw_joint(d, (0.28, 0.02), (0.32, 0.4), "joint", flare=1.0)
    d.seat(max(far + 0.22, -0.32 - over), 0.24 - over, top + 0.04)
    d.stretchable(0.7, x1 - 1.2)


SWEEP_LETTERS = {"ק": kuf, "ל": lamed}
