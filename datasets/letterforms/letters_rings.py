"""Letters that close or nearly close a white: mem, final mem, samech, tet, pe, final pe."""

from __future__ import annotations

from crownlet.datasets.letterforms.letters_heads import crowned_head, stem_x
from crownlet.datasets.letterforms.sketch import Sketch
from crownlet.datasets.letterforms.strokes import base, leg, link, roof, vav_head, wall


def mem(d: Sketch) -> None:
    x1 = 2.9 * d.w
    h = 0.9 * d.h
    t = roof(d, 0.95, x1, outer=0.75, inner=0.2, depth=0.4, thick=h)
    b = base(d, 1.25, x1, outer=d.soft, inner=0.15, depth=0.3, thick=h)
    wall(d, x1, t + 0.1, b)
    vav_head(d, 0.3, 1.15, 0.0, 0.8)
    d.stroke(
        "leg_left",
        "leg",
        [(0.88, 0.55, 0.5), (0.75, 1.2, 0.5), (0.45, 2.2, 0.42), (0.2, 3.0, 0.16)],
        end=0.3,
    )


def mem_final(d: Sketch) -> None:
    x1 = 2.75 * d.w + d.extra
    h = 0.88 * d.h
    left = 0.35 + d.v
    t = roof(d, -0.1, x1, outer=0.5 if d.style == "beit_yosef" else d.soft, thick=h)
    b = base(d, left - d.v - 0.03, x1, outer=d.soft, thick=h)
    wall(d, x1, t + 0.1, b + 0.05)
    wall(d, left, t - 0.15, b + 0.2, "wall_left")
    d.stretchable(left + 0.2, x1 - d.v - 0.2)


def samech(d: Sketch) -> None:
    x1 = 2.7 * d.w
    h = 0.88 * d.h
    left = 0.42 + d.v
    t = roof(d, 0.0, x1, outer=0.95, inner=0.35, depth=0.3, thick=h)
    d.block(
        "base", "base",
        [(left - d.v + 0.1, 2.2, 0.1, 0.0), (x1 - 0.05, 2.0, 0.1, 0.0), (x1 - 0.15, 3.0, 0.9, 0.0),
         (left - d.v + 0.3, 3.0, 0.8, 0.0)],
    )  # fmt: skip
    wall(d, x1, t + 0.1, 2.2)
    wall(d, left, t - 0.15, 2.35, "wall_left")


def tet(d: Sketch) -> None:
    x1 = 2.75 * d.w
    crowned_head(d, 0.0, 1.1)
    x = stem_x(d, 0.0, 1.1)
    b = base(d, 0.2, x1, outer=0.9, inner=0.3, depth=0.3, thick=0.85 * d.h)
    d.stroke("leg_left", "leg", [(x, 0.75, 0.45), (x, 1.5, 0.5), (x - 0.02, b + 0.3, 0.55)])
    d.stroke(
        "wall",
        "wall",
        [(x1 - 0.5, 0.4, 0.6), (x1 - 0.36, 1.1, d.v), (x1 - d.v / 2, 1.7, d.v),
         (x1 - d.v / 2, b, d.v)],
    )  # fmt: skip
    d.block(
        "head_right", "head",
        [(x1 - 0.95, 0.05, 0.1, -0.02), (x1 - 0.2, -0.02, 0.35, 0.03), (x1 - 0.05, 0.9, 0.1, 0.0),
         (x1 - 0.95, 0.72, 0.12, -0.03)],
    )  # fmt: skip


def drop(d: Sketch, t: float) -> None:
    """Pe's drop: a small round head which hangs inside from a prickle at the roof's left."""
    x = 0.85 + d.j(0.04)
    y = t + 0.5
    link(d, (0.22, t - 0.15), (x - 0.35, y + 0.1), "joint", sag=-0.1)
    d.block(
        "drop", "drop",
        [(x - 0.5, y - 0.08, 0.12, 0.0), (x + 0.4, y - 0.05, 0.1, 0.0), (x + 0.42, y + 0.45, 0.15, 0.0),
         (x - 0.25, y + 0.45, 0.25, 0.02)],
    )  # fmt: skip


def pe(d: Sketch) -> None:
    x1 = 3.05 * d.w
    h = 0.78 * d.h
    t = roof(d, 0.0, x1, thick=h)
    b = base(d, 0.0, x1, outer=0.9, thick=h)
    wall(d, x1, t + 0.1, b + 0.05)
    drop(d, t)


def pe_final(d: Sketch) -> None:
    x1 = 2.75 * d.w
    t = roof(d, 0.0, x1, thick=0.8 * d.h)
    drop(d, t)
    leg(d, x1, t + 0.1, 4.9, fine=0.8)


RINGS = {"מ": mem, "ם": mem_final, "ס": samech, "ט": tet, "פ": pe, "ף": pe_final}
