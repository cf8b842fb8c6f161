"""Letters that are a head on a leg: vav, zayin, yud, gimel, nun and the final nun, chet."""

from __future__ import annotations

from crownlet.datasets.letterforms.sketch import Sketch
from crownlet.datasets.letterforms.strokes import (
    base,
    kotz,
    leg,
    lens_leg,
    roof,
    vav_head,
    zayin_head,
)


def crowned_head(d: Sketch, x0: float, x1: float, y0: float = 0.0, name: str = "head") -> None:
    """A left head which takes three tags: zayin-like, or vav-like in the Arizal tradition."""
    if d.style == "arizal":
        vav_head(d, x0, x1 - 0.05, y0, y0 + 0.92, name=name)
    else:
        zayin_head(d, x0, x1, y0, y0 + 0.95, name=name)
    inset = 0.2 * (x1 - x0)
    dip = 0.04 + 0.2 * d.flare
    d.seat(x0 + inset, x1 - inset, y0 + dip)


def stem_x(d: Sketch, x0: float, x1: float) -> float:
    """Where the leg leaves a crowned head: its middle, or nearer the right edge if vav-like."""
    return (x0 + x1) / 2 + (0.18 if d.style == "arizal" else 0.02) + d.j(0.04)


def vav(d: Sketch) -> None:
    x1 = 0.95 + d.j(0.04)
    vav_head(d, 0.05, x1, 0.0, 0.9)
    if d.style == "arizal":
        kotz(d, 0.16, 0.75, -0.02, 0.28, "kotz")
    t = min(0.62, 0.82 * d.v)
    leg(d, x1, 0.55, 2.95 + d.j(0.06), t, drift=d.j(0.05), fine=1.05)


def zayin(d: Sketch) -> None:
    x1 = 1.2 * d.w
    zayin_head(d, 0.0, x1)
    d.seat(0.2, x1 - 0.2, 0.04 + 0.2 * d.flare)
    lens_leg(d, x1 / 2 + d.j(0.05), 0.85, 2.9 + d.j(0.06))


def yud(d: Sketch) -> None:
    x1 = 1.0 + d.j(0.03)
    vav_head(d, 0.05, x1, 0.05, 0.98, tilt=2)
    t = min(0.55, 0.72 * d.v)
    leg(d, x1, 0.6, 1.78 + d.j(0.08), t, drift=-0.12)
    if d.hand.kotzim:
        kotz(d, 0.22, 0.82, -0.06, 0.3 + d.j(0.04), "kotz")
    d.seat(0.1, 0.32, 0.08)


def gimel(d: Sketch) -> None:
    crowned_head(d, 0.7, 1.85)
    x = stem_x(d, 0.7, 1.85)
    d.stroke(
        "leg",
        "leg",
        [
            (x, 0.8, 0.42),
            (x + 0.1, 1.5, 0.46 + 0.2 * d.swell),
            (x + 0.3, 2.4, 0.5 + 0.3 * d.swell),
            (x + 0.48, 3.22 + d.j(0.05), 0.14),
        ],
        end=d.cut * 0.5,
    )
    y = 2.66 + d.j(0.04)
    d.stroke(
        "foot",
        "foot",
        [(x + 0.32, 2.2, 0.34), (x - 0.3, y - 0.2, 0.5), (0.12, y, 0.52)],
        end=0.5 * d.cut + d.j(0.2),
    )


def nun(d: Sketch) -> None:
    x0, x1 = 0.45, 1.6
    crowned_head(d, x0, x1)
    x = stem_x(d, x0, x1)
    right = 1.95 * (0.5 + 0.5 * d.w)
    low = base(d, 0.0, right, outer=0.4, thick=0.82 * d.h, inner=0.25, depth=0.2, post=0.62)
    d.stroke(
        "neck",
        "neck",
        [(x, 0.75, 0.5), (x + 0.12, 1.4, 0.5), (right - 0.31, low - 0.15, 0.62),
         (right - 0.32, low + 0.15, 0.6)],
    )  # fmt: skip


def nun_final(d: Sketch) -> None:
    crowned_head(d, 0.0, 1.15)
    x = stem_x(d, 0.0, 1.15)
    length = 5.0 + 0.5 * (d.hand.final - 1) + d.j(0.1)
    lens_leg(d, x, 0.8, max(4.35, length), drift=d.j(0.06) - 0.04)


def chet(d: Sketch) -> None:
    if d.style == "vellish":
        return flat_chet(d)
    w = d.w
    gap = 0.7 + 0.25 * (w - 1) + d.j(0.06)
    a, b = 1.1, 1.1 + gap
    zayin_head(d, 0.0, a, 0.1, 1.0, "head_left", tilt=d.j(2))
    lens_leg(d, 0.55, 0.8, 2.95 + d.j(0.05), "leg_left", thick=0.66)
    if d.style == "arizal":
        vav_head(d, b, b + 1.05, 0.1, 0.98, name="head_right")
        leg(d, b + 1.05, 0.6, 2.95 + d.j(0.05), 0.8 * d.v, name="leg_right")
    else:
        vav_head(d, b, b + 1.1, 0.1, 0.98, name="head_right")
        lens_leg(d, b + 0.62, 0.8, 2.95 + d.j(0.05), "leg_right", thick=0.66)
    thin = 0.24 + d.j(0.02)
    thick = thin + (0.14 if d.style == "arizal" else 0.03)
    peak = (a + b) / 2
    top = -0.5 + d.j(0.08)
    d.stroke(
        "hump",
        "hump",
        [(a - 0.38, 0.4, thin), (a - 0.1, 0.02, thin), (peak, top, (thin + thick) / 2),
         (b + 0.1, 0.02, thick), (b + 0.4, 0.4, thick)],
    )  # fmt: skip
    d.seat(0.1, 0.4, 0.18)
    return None


def flat_chet(d: Sketch) -> None:
    """The chet without hump: one flat roof over both legs."""
    x1 = 2.7 * d.w
    t = roof(d, 0.0, x1, inner=0.12)
    leg(d, x1, t + 0.1, 2.95 + d.j(0.05), name="leg_right", fine=0.8)
    left = 0.32 + 0.8 * d.v
    leg(d, left + 0.1, t - 0.25, 2.95 + d.j(0.05), 0.85 * d.v, name="leg_left", drift=-0.08)
    d.seat(0.1, 0.4, 0.05)


HEADS = {
    "ו": vav, "ז": zayin, "י": yud, "ג": gimel, "נ": nun, "ן": nun_final, "ח": chet,
}  # fmt: skip
