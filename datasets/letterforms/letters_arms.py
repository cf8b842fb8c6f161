"""Letters with arms on a body: alef, ayin, tsadi, the final tsadi, shin."""

from __future__ import annotations

from crownlet.datasets.letterforms.letters_heads import crowned_head, stem_x
from crownlet.datasets.letterforms.sketch import Sketch
from crownlet.datasets.letterforms.strokes import base, kotz, lens_leg, link, vav_head, yud_head


def alef(d: Sketch) -> None:
    w = d.w
    t = 0.86 * d.h
    d.stroke(
        "body",
        "body",
        [(0.2, 0.3, t * 0.95), (1.0 * w, 1.05, t), (1.9 * w, 1.9, t), (2.75 * w, 2.6, t * 0.85)],
        start=0.5,
        end=0.35,
    )
    yud_head(d, 2.35 * w, 0.42, "yud_upper", tilt=12)
    link(d, (2.15 * w, 0.7), (1.7 * w, 1.5), "joint_upper", sag=0.05)
    yud_head(d, 0.6, 2.58, "yud_lower", tilt=-4)
    link(d, (0.75, 2.35), (1.2 * w, 1.3), "joint_lower", sag=-0.05)
    if d.hand.kotzim:
        kotz(d, 2.72 * w, 0.2, 0.12, -0.3, "kotz_upper")
        kotz(d, 0.9, 2.9, 0.06, 0.22, "kotz_lower")


def ayin(d: Sketch) -> None:
    w = d.w
    crowned_head(d, 0.0, 1.1)
    x = stem_x(d, 0.0, 1.1)
    d.stroke("leg", "leg", [(x, 0.75, 0.45), (x + 0.1, 1.4, 0.5), (x + 0.45, 2.6, 0.42)])
    right = 2.35 * w
    if d.style == "arizal":
        vav_head(d, right - 0.5, right + 0.42, 0.0, 0.9, "yud", kind="yud")
    else:
        yud_head(d, right, 0.45, "yud", tilt=10)
    d.stroke(
        "thigh",
        "leg",
        [(right + 0.12, 0.6, 0.6), (right - 0.05, 1.6, d.v * 0.95), (right - 0.75, 2.5, d.v * 0.85),
         (0.2, 3.1, 0.25)],
        end=0.3,
    )  # fmt: skip


def tsadi(d: Sketch) -> None:
    w = d.w
    crowned_head(d, 0.25, 1.35)
    x = stem_x(d, 0.25, 1.35)
    right = 2.5 * w
    b = base(d, -0.1, right, outer=0.5, inner=0.2, depth=0.1, thick=0.82 * d.h, post=0.6)
    d.stroke(
        "neck",
        "neck",
        [(x, 0.75, 0.5), (x + 0.35, 1.35, 0.55), (right - 0.45, b - 0.02, 0.6),
         (right - 0.4, b + 0.3, 0.6)],
    )  # fmt: skip
    mirrored = d.style == "arizal"
    yud_head(d, 2.35 * w, 0.42, "yud", tilt=-10 if mirrored else 12, mirror=mirrored)
    link(d, (2.2 * w, 0.7), (1.62 * w, 1.65), "joint")


def tsadi_final(d: Sketch) -> None:
    crowned_head(d, 0.0, 1.1)
    x = stem_x(d, 0.0, 1.1)
    lens_leg(d, x, 0.8, 5.0, drift=0.1)
    mirrored = d.style == "arizal"
    yud_head(d, 1.95, 0.42, "yud", tilt=-10 if mirrored else 12, mirror=mirrored)
    link(d, (1.8, 0.7), (x + 0.05, 1.9), "joint", sag=0.15)


def shin(d: Sketch) -> None:
    w = d.w
    crowned_head(d, 0.0, 1.05)
    x = stem_x(d, 0.0, 1.05)
    d.stroke("leg", "leg", [(x, 0.75, 0.45), (x + 0.03, 1.6, 0.5), (x + 0.1, 2.9, 0.4)])
    right, mid = 2.95 * w, 1.75 * w
    if d.style == "arizal":
        vav_head(d, mid - 0.42, mid + 0.4, 0.05, 0.85, "yud_middle", kind="yud")
        vav_head(d, right - 0.45, right + 0.42, 0.0, 0.9, "yud_right", kind="yud")
    else:
        yud_head(d, mid, 0.45, "yud_middle", tilt=8, width=0.85, height=0.8)
        yud_head(d, right, 0.42, "yud_right", tilt=8, width=0.9)
    link(d, (mid + 0.05, 0.75), (x + 0.2, 2.6), "joint_middle", sag=0.15, thick=0.32)
    d.stroke(
        "thigh",
        "leg",
        [(right + 0.1, 0.6, 0.6), (right - 0.08, 1.5, d.v * 0.9), (right - 0.8, 2.4, d.v * 0.85),
         (x + 0.1, 2.95, 0.35)],
        end=0.2,
    )  # fmt: skip


ARMS = {"א": alef, "ע": ayin, "צ": tsadi, "ץ": tsadi_final, "ש": shin}
