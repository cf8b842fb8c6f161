"""Letters under a roof: bet, dalet, he, resh, tav, kuf, kaf, the final kaf, lamed."""

from __future__ import annotations

from crownlet.datasets.letterforms.sketch import Sketch, clamp
from crownlet.datasets.letterforms.strokes import (
    base,
    he_gap,
    kotz,
    leg,
    link,
    roof,
    vav_head,
    wall,
)


def roof_seat(d: Sketch, x0: float = 0.12) -> None:
    """One tag at the left end of a roof."""
    d.seat(x0, x0 + 0.25, 0.06)


def bet(d: Sketch) -> None:
    x1 = 2.95 * d.w + d.extra
    t = roof(d, 0.05, x1)
    b = base(d, 0.0 + d.j(0.08), x1 + d.heel, outer=d.soft, post=0.0)
    wall(d, x1, t - 0.1, b + 0.2)
    h = d.heel
    d.block(
        "heel", "heel",
        [(x1 - 0.25, b - 0.06, 0.05, 0.0), (x1 + h, b - 0.1, d.soft, 0.0),
         (x1 + h, 2.99, d.soft, -0.02), (x1 - 0.25, 2.97, 0.05, 0.0)],
    )  # fmt: skip
    if d.hand.kotzim:
        kotz(d, x1 - 0.14, 0.08, 0.16, -0.3, "kotz")
    roof_seat(d)
    d.stretchable(0.6, x1 - d.v - 0.1)


def dalet(d: Sketch) -> None:
    x1 = 2.75 * d.w + d.extra
    t = roof(d, 0.0, x1, outer=d.soft * 0.6)
    leg(d, x1, t + 0.1, 2.95 * d.leg if d.leg < 1 else 2.95, drift=0.08)
    h = d.heel
    d.block(
        "heel", "heel",
        [(x1 - 0.3, 0.2, 0.05, 0.0), (x1 + 0.8 * h, 0.1, d.soft, 0.0),
         (x1 + h, 0.75 * t, d.soft, -0.02), (x1 - 0.1, t + 0.15, 0.05, 0.0)],
    )  # fmt: skip
    if d.hand.kotzim:
        kotz(d, x1 - 0.1, 0.08, 0.12, -0.26, "kotz")
    roof_seat(d)
    d.stretchable(0.6, x1 - d.v - 0.1)


def he(d: Sketch) -> None:
    x1 = 2.75 * d.w + d.extra
    t = roof(d, 0.0, x1, outer=d.soft)
    leg(d, x1, t + 0.1, 2.98 + d.j(0.05), drift=d.j(0.06))
    hanging(d, 0.42, t + he_gap(d, t), 2.95 + d.j(0.06))
    roof_seat(d)
    d.stretchable(1.0, x1 - d.v - 0.1)


def hanging(d: Sketch, x: float, y0: float, y1: float) -> None:
    """He's loose leg: thin above, thicker below, its end bent a little to the right."""
    t = clamp(0.8 * d.v, 0.4, 0.62)
    d.stroke(
        "leg_left",
        "leg",
        [
            (x - 0.02, y0, 0.2),
            (x + 0.02, y0 + 0.3 * (y1 - y0), 0.8 * t),
            (x + 0.05, y0 + 0.65 * (y1 - y0), t),
            (x + 0.12, y1, max(0.12, t * (0.75 - 0.6 * d.taper))),
        ],
        start=-0.5 * d.cut + d.j(0.4),
        end=0.5 * d.cut + d.j(0.4),
    )


def resh(d: Sketch) -> None:
    x1 = 2.7 * d.w + d.extra
    t = roof(d, 0.0, x1, outer=0.85, inner=0.25, depth=0.5)
    leg(d, x1, t + 0.25, 2.95 + d.j(0.05), drift=d.j(0.06))
    d.stretchable(0.5, x1 - d.v - 0.3)


def kaf_final(d: Sketch) -> None:
    x1 = 2.25 * (0.6 + 0.4 * d.w)
    t = roof(d, 0.0, x1, outer=0.8, inner=0.25, depth=0.5)
    leg(d, x1, t + 0.25, 2 * x1 + 0.2 + d.j(0.08), drift=d.j(0.08), fine=0.85)


def tav(d: Sketch) -> None:
    x1 = 2.95 * d.w + d.extra
    t = roof(d, 0.25, x1, outer=d.soft)
    leg(d, x1, t + 0.1, 2.97 + d.j(0.05), drift=d.j(0.05), fine=0.8)
    left = 0.85 + d.j(0.04)
    d.stroke(
        "leg_left",
        "leg",
        [
            (left, t - 0.25, 0.5),
            (left + 0.03, 1.4, 0.46),
            (left, 2.1, 0.5),
            (left - 0.08, 2.6, 0.5),
        ],
    )
    d.block(
        "foot", "foot",
        [(0.3 + 0.2 * d.cut, 2.25, d.soft, 0.02), (left + 0.24, 2.15, 0.06, 0.02),
         (left + 0.2, 3.0, 0.25, 0.03), (0.12, 2.98 + d.j(0.05), d.soft, -0.04)],
    )  # fmt: skip
    d.stretchable(left + 0.4, x1 - d.v - 0.1)


def kuf(d: Sketch) -> None:
    x1 = 2.6 * d.w
    t = roof(d, 0.0, x1, outer=0.9, inner=0.3, depth=0.45)
    d.stroke(
        "leg",
        "leg",
        [
            (x1 - d.v / 2, t + 0.2, d.v),
            (x1 - d.v / 2 - 0.02, 1.75, d.v),
            (x1 - 0.75, 2.35, 0.95 * d.v),
            (1.5, 2.8, 0.4),
        ],
        end=-0.3,
    )
    y0 = t + he_gap(d, t)
    d.stroke(
        "leg_left",
        "leg",
        [
            (0.4, y0, 0.42),
            (0.46, y0 + 0.5, 0.6),
            (0.5 + 0.3 * d.bend, 3.0, 0.46),
            (0.56, 4.5 + 0.4 * (d.hand.final - 1) + d.j(0.1), 0.14),
        ],
        start=-0.4 * d.cut,
        end=0.5 * d.cut + d.j(0.4),
    )
    roof_seat(d)


def kaf(d: Sketch) -> None:
    x1 = 2.55 * d.w + 0.5 * d.extra
    h = 0.92 * d.h
    t = roof(d, 0.0, x1, outer=1.0, inner=0.4, depth=0.3, thick=h)
    b = base(d, -0.05 + d.j(0.1), x1, outer=1.0, inner=0.4, depth=0.25, thick=h)
    wall(d, x1, t, b + 0.05, bulge=0.03)


def lamed(d: Sketch) -> None:
    x1 = 2.35 * d.w + d.extra
    t = roof(d, 0.0, x1, outer=0.9, inner=0.3, depth=0.4, thick=0.9 * d.h)
    d.stroke(
        "leg",
        "leg",
        [
            (x1 - d.v / 2, t + 0.15, d.v),
            (x1 - d.v / 2 - 0.04, 1.6, d.v),
            (x1 - 0.85, 2.3, 0.95 * d.v),
            (x1 - 1.35, 3.0, 0.42),
        ],
        end=-0.3,
    )
    top = -2.85 * clamp(d.hand.neck, 0.8, 1.15)
    vav_head(d, -0.5, 0.45, top, top + 0.85)
    d.stroke(
        "neck",
        "neck",
        [(0.2, top + 0.5, 0.46), (0.2, top + 1.3, 0.42), (0.24, -0.5, 0.32), (0.28, 0.35, 0.28)],
    )
    link(d, (0.28, 0.2), (0.3, 0.4), "joint_neck")
    d.seat(-0.3, 0.3, top + 0.06)
    d.stretchable(0.7, x1 - 1.2)


FRAMES = {
    "ב": bet, "ד": dalet, "ה": he, "ר": resh, "ת": tav, "ק": kuf, "כ": kaf, "ך": kaf_final,
    "ל": lamed,
}  # fmt: skip
