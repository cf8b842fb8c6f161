"""The limbs that letters share: roofs, bases, walls, joints, prickles, heads and legs.

Heads are square and hollow (zayin), rounded (vav) or tilted (yud). Legs are cut off by the pen,
like a leaf, or swell in the middle as a zayin's does.
"""

from __future__ import annotations

import math

from crownlet.datasets.coco.truth import PartKind
from crownlet.datasets.render.letterforms.own_forms import MIN_HE_GAP_Q, MODEL_FORM
from crownlet.datasets.render.letterforms.sketch import Corner, Sketch, clamp

_WIDE_ARC_LETTERS = "כךסרמ"
"""Letters whose corners are arcs, as wide as their hand makes them."""


def round_corner(
    d: Sketch, x: float, y: float, radius: float, room: float, bow: float, *,
    left: bool = False, below: bool = False, across: float = 9.0,
) -> list[Corner]:  # fmt: skip
    """The corners that round a block by `radius` at (x, y), clockwise: one, or two where the edge
    of length `room` is too short for one to turn so wide. Both turns of a block fit on a level
    edge of length `across`."""
    radius = radius if d.own is MODEL_FORM else min(radius, max(0.75 * across, 0.5))
    if d.own is MODEL_FORM or radius <= 0.49 * room or d.letter not in _WIDE_ARC_LETTERS:
        return [(x, y, radius, bow)]
    radius = min(radius, 1.4)
    a, soft = 0.56 * radius, 0.44 * radius
    inward, down = (a if left else -a), (-a if below else a)
    on_level, on_upright = (x + inward, y), (x, y + down)
    first, last = (on_level, on_upright) if left == below else (on_upright, on_level)
    return [(*first, soft, 0.0), (*last, soft, bow)]


def draw_roof(
    d: Sketch,
    x0: float,
    x1: float,
    *,
    outer: float | None = None,
    inner: float | None = None,
    depth: float = 0.4,
    thick: float | None = None,
    name: str = "roof",
    undercut: float | None = None,
) -> float:
    """A roof from x0 to x1 under y = 0, with a shoulder of `depth` down to the limb at its right.

    `outer` is the softness of its upper right corner (the hand's own if None), `inner` that of the
    corner below it; `undercut` is how far right its left end stands back below. Returns the y of
    its under edge.
    """
    t, post, own = d.h + d.heavy if thick is None else thick, d.v, d.habits
    wide = d.soft if outer is None else outer * (1 + 0.18 * own.roundness)
    rise = 0.05 + 0.45 * d.flare + 0.14 * d.strong * own.roof_slope + d.j(0.06)
    tilt, sag = d.r(0.09) * min(x1 - x0, 4.0), _sag(d)
    dip = -(0.03 + 0.22 * d.flare + 0.05 * own.roof_dip) + d.j(0.02) - sag
    wedge = 0.12 * own.roof_wedge + 0.25 * d.flare + d.j(0.03)
    back = (0.35 * min(d.cut, 0.75) + 0.16 * own.nib) * t if undercut is None else undercut
    if undercut is None:
        back += (0.12 * d.loose + d.r(0.22)) * t
    # Where a limb hangs on its left part, the roof does not rise from it.
    least = -0.12 if not d.loose else -0.15 if d.letter in "םסתחפף" else -0.4
    low = t + max(max(wedge - 0.5 * rise + d.r(0.2), -0.2) - tilt, least)
    rise = max(rise + tilt, -0.25)
    d.crest = -rise
    d.eaves = (x0 + back, low, x1 - post, t, sag)
    # Where a limb or neck stands at its left end, that end stays full.
    horn = d.own.horn if undercut is None and d.letter not in "הלקתחםס" else 0.0
    right_y = 0.04 * own.roof_slope + d.j(0.04)
    d.ridge = (x0, -rise, x1, right_y, dip)
    d.block(name, "roof", [
        (x0, -rise, d.soft * 0.6, dip), *round_corner(d, x1, right_y, wide, t + depth, 0.02),
        (x1, t + depth, 0.02, 0.0),
        (x1 - post, t + depth, 0.02, 0.0),
        (x1 - post, t, d.fillet if inner is None else inner, sag + d.j(0.02)),
        (x0 + back, low, d.soft, -min(0.02 + 0.25 * d.flare + horn, 0.2)),
    ])  # fmt: skip
    return t


def _sag(d: Sketch) -> float:
    """How far a bar of this hand sags in its middle; kaf and pe keep the counter that they need."""
    sag = d.r(0.13)
    return -abs(sag) if d.letter in "כפף" else sag


def roof_seat(d: Sketch, x0: float = 0.12) -> None:
    """One tag on the roof drawn last: at its left end, by some hands further in."""
    inward = max(0.0, d.habits.tag_seat - 0.1) * (0.8 + d.j(0.15))
    x0 += inward * max(0.0, d.eaves[2] - x0 - 0.3)
    d.seat(x0, x0 + 0.25, d.over(x0 + 0.12) + 0.02)


def draw_base(
    d: Sketch,
    x0: float,
    x1: float,
    *,
    outer: float | None = None,
    inner: float | None = None,
    depth: float = 0.35,
    thick: float | None = None,
    post: float | None = None,
    bulge: float = 0.03,
) -> float:
    """A base from x0 to x1 above y = 3, its left end cut by the pen, with a shoulder of `depth` up
    to the limb at its right (none if `post` is 0). Returns the y of its upper edge.
    """
    t, own = d.h + d.heavy if thick is None else thick, d.habits
    post = d.v if post is None else post
    sag = 0.08 * own.base_slope + 0.24 * (d.strong - 1) * max(0.0, own.base_slope) + d.j(0.05)
    tilt = max(-0.22, min(0.12, d.r(0.09) * min(x1 - x0, 4.0)))
    bend, thinner = -_sag(d), d.r(0.2)
    reach = x0 - 0.1 * own.base_reach
    upper = min(reach + (0.12 + 0.5 * d.cut + d.r(0.2)) * t, x1 - post - d.depth)
    corners: list[Corner] = [
        (upper, 3 - t + 0.6 * sag + tilt + thinner, d.soft, bend - 0.02 + d.j(0.02))
    ]
    if post > 0:
        corners += [
            (x1 - post, 3 - t, d.fillet if inner is None else inner, 0.0),
            (x1 - post, 3 - t - depth, 0.02, 0.0),
            (x1, 3 - t - depth, 0.02, bulge),
        ]
    else:
        corners.append((x1, 3 - t, d.soft, 0.02))
    wide = d.soft if outer is None else outer
    corners += round_corner(d, x1, 3.0, wide, t + depth, -0.01 - bend + d.j(0.03), below=True)
    corners += [
        (
            reach,
            3.0 + sag + tilt + 0.15 * d.flare,
            d.soft,
            -(0.02 + 0.25 * d.flare + 0.3 * d.own.horn * (d.letter != "ט")),
        ),
    ]
    d.block("base", "base", corners)
    return 3 - t


def draw_wall(
    d: Sketch, x: float, y0: float, y1: float, name: str = "wall", plain: bool = False,
    thick: float | None = None,
) -> None:  # fmt: skip
    """An upright limb whose right edge is at x, from y0 to y1, waisted as the pen turns.

    It should begin and end close to the limbs it joins; where it runs on in them, a `plain` one,
    without waist, leaves no step.
    """
    v = d.v if thick is None else thick
    mid = x - v / 2
    waist = v * (1 - 0.2 * max(0.0, d.swell) - 0.07 * d.habits.waist) + d.j(0.03)
    knots = [(mid, y0, v), (mid, (y0 + y1) / 2, v if plain else waist), (mid, y1, v)]
    d.stroke(name, "wall", knots)


def draw_kotz(
    d: Sketch, x: float, y: float, dx: float, dy: float, name: str, wide: float = 0.2
) -> None:
    """A prickle from (x, y) to (x + dx, y + dy), `wide` at its root."""
    unit = 0.1 / math.hypot(dx, dy)
    root = (x - unit * dx, y - unit * dy, wide)
    d.stroke(name, "kotz", [root, (x + 0.5 * dx, y + 0.5 * dy, 0.6 * wide), (x + dx, y + dy, 0.05)])


def draw_joint(
    d: Sketch, start: tuple[float, float], end: tuple[float, float], name: str, sag: float = 0.0,
    thick: float | None = None, kind: PartKind = "joint", flare: float = 1.5,
) -> None:  # fmt: skip
    """A thin joint from a yud or drop at `start` to the limb that carries it at `end`.

    `flare` is how much thicker than its middle it leaves the head; `sag` moves its middle right.
    """
    t = clamp(d.thin(d.joint if thick is None else thick) * (1 + d.j(0.16)), 0.14, 0.46)
    # A thick joint hardly widens toward the head, which must stay a head beside it.
    flare = 1 + (flare - 1) * clamp((0.45 - t) / 0.2, 0.1, 1.0)
    mid = ((start[0] + end[0]) / 2 + sag, (start[1] + end[1]) / 2)
    d.stroke(name, kind, [(*start, t * flare), (*mid, t), (*end, t * 1.3)])


def he_gap(d: Sketch, t: float) -> float:
    """The gap over a leg that hangs under a roof of thickness t.

    Open, and not above the roof's own thickness (Mishnat Sofrim, he).
    """
    return clamp(d.hand.he_gap + d.j(0.08), MIN_HE_GAP_Q, max(MIN_HE_GAP_Q, 0.8 * t))


def turn_block(corners: list[Corner], degrees: float) -> list[Corner]:
    """The block turned clockwise on the page about the middle of its corners."""
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    cx = sum(c[0] for c in corners) / len(corners)
    cy = sum(c[1] for c in corners) / len(corners)
    return [
        (cx + (x - cx) * cos - (y - cy) * sin, cy + (x - cx) * sin + (y - cy) * cos, soft, bow)
        for x, y, soft, bow in corners
    ]


def zayin_head(
    d: Sketch, x0: float, x1: float, y0: float = 0.0, y1: float = 0.95, name: str = "head",
    tilt: float = 0.0,
) -> None:  # fmt: skip
    """A square head with hollow sides and points at its corners, overhanging its leg both ways."""
    own = d.habits
    spike = 0.02 + 0.35 * d.flare
    lean = 0.07 * d.cut + 0.09 * own.head_lean + d.j(0.03)
    hollow = -(0.02 + 0.3 * d.flare)
    y1 += 0.1 * own.head_size + d.j(0.04)
    corners: list[Corner] = [
        (x0 - lean, y0 - spike + d.j(0.03), d.soft * 0.5 + 0.6 * d.bud, hollow),
        (x1 - lean, y0 - 0.3 * spike + d.j(0.03), d.soft * 0.8 + d.bud, hollow),
        (x1 - 0.07 + lean, y1, d.soft + d.bud, 0.02),
        (x0 + 0.07 + lean, y1 + d.j(0.04), d.soft + d.bud, hollow),
    ]
    d.block(name, "head", turn_block(corners, tilt + 0.5 * d.tilt + 5 * own.head_slope + d.j(6)))


def vav_head(
    d: Sketch, x0: float, x1: float, y0: float = 0.0, y1: float = 0.95, name: str = "head",
    tilt: float = 0.0, kind: PartKind = "head",
) -> None:  # fmt: skip
    """A head rounded at the right, pointed at its upper left, that runs on into its leg."""
    own = d.habits
    spike = 0.06 + 0.4 * d.flare
    y1 += 0.06 * own.head_size + d.j(0.04)
    hang, rise = 0.28 * max(0.0, own.flagged), 0.3 * max(0.0, -own.flagged)
    if d.letter in "יל":  # The left end carries the kotz of the one, a tag of the other.
        rise = 0.0
    corners: list[Corner] = [
        (x0, y0 - spike + hang + d.j(0.03), d.soft * 0.5 + d.bud, -(0.03 + 0.2 * d.flare)),
        (x1, y0 + d.j(0.03), 0.42, 0.03),
        (x1, y1 + 0.12, 0.05, 0.0),
        (x1 - 0.48, y1 + 0.1, 0.2, 0.03),
        (x0 + 0.1 + 0.2 * min(d.cut, 0.8) + 0.04 * own.head_lean, y1 - 0.08 - rise,
         d.soft + 0.08 + d.bud,
         -min(0.02 + 0.2 * d.flare + 0.15 * d.own.horn, 0.08)),
    ]  # fmt: skip
    d.block(name, kind, turn_block(corners, tilt + 0.45 * d.tilt + 3 * own.head_slope + d.j(5)))


def yud_head(
    d: Sketch, cx: float, cy: float, name: str, tilt: float, width: float = 1.0,
    height: float = 0.85, mirror: bool = False, kind: PartKind = "yud",
) -> None:  # fmt: skip
    """A tilted head about (cx, cy): pointed upper left, rounded upper right (or mirrored)."""
    own = d.habits
    size = 1 + 0.05 * own.head_size + d.j(0.03)
    if name != "yud_lower":  # Alef's lower one has little room under the body.
        size += 0.09 * max(0.0, own.head_size)
    a, b = size * width / 2, size * height / 2
    spike = 0.04 + 0.3 * d.flare
    hollow = -(0.02 + 0.22 * d.flare)
    lean = 0.06 * own.head_lean
    corners: list[Corner] = [
        (-a - lean, -b - spike, d.soft * 0.5 + d.bud, hollow),
        (a - lean, -b + 0.02, 0.24, 0.03),
        (a - 0.08, b, 0.16 + 0.5 * d.bud, 0.03),
        (-a + 0.14 + 0.1 * min(d.cut, 0.8), b - 0.02, d.soft + 0.06, hollow),
    ]
    if mirror:
        corners = [
            (-a, -b + 0.02, 0.24, hollow),
            (a, -b - spike, d.soft * 0.5 + d.bud, hollow),
            (a - 0.14, b - 0.02, d.soft + 0.06, 0.03),
            (-a + 0.08, b, 0.16, 0.03),
        ]
    placed = [(x + cx, y + cy, soft, bow) for x, y, soft, bow in corners]
    d.block(name, kind, turn_block(placed, tilt + 0.6 * d.tilt + 3 * own.head_slope + d.j(7)))


def crowned_head(d: Sketch, x0: float, x1: float, name: str = "head") -> float:
    """A left head that takes three tags: zayin-like, or vav-like in the Arizal tradition
    (Keset 5:2, gimel). Sets the seat and returns the x at which the leg leaves the head.
    """
    if d.style == "arizal":
        vav_head(d, x0, x1 - 0.05, 0.0, 0.9, name=name)
        stem = x1 - 0.33
    else:
        zayin_head(d, x0, x1, name=name)
        stem = (x0 + x1) / 2
    inset = 0.2 * (x1 - x0) + 0.6 * d.bud + 0.2 * d.own.corner
    d.seat(x0 + inset, x1 - inset, 0.03 + 0.18 * d.flare)
    return stem + d.j(0.04)


def draw_leg(
    d: Sketch,
    x: float,
    y0: float,
    y1: float,
    thick: float | None = None,
    drift: float = 0.0,
    name: str = "leg",
    fine: float = 1.0,
    leaf: bool = False,
) -> None:
    """A leg with its right edge at x from y0 on, thinning to its cut end at y1.

    `drift` is how far its end lies to the right; `fine` scales how much it thins; where it may be
    a `leaf`, it is one in hands that draw legs so.
    """
    t = d.v if thick is None else thick
    own = d.habits
    if leaf and d.leaf > 0:
        leaf_leg(d, x, y0, y1, t, drift, name)
        return
    thin = max(0.1, t * (1 - fine * (0.3 + 0.55 * d.taper)))
    body = t * (0.88 + 0.09 * own.leg_weight - 0.25 * fine * d.taper) + 0.5 * d.swell * t
    mid = x - t / 2
    drift += 0.14 * own.leg_drift + d.j(0.05)
    length = y1 - y0
    curve = 0.07 * own.leg_curve + 0.6 * d.bend * min(1.0, 0.45 * length)
    d.stroke(
        name,
        "leg",
        [
            (mid, y0, t),
            (mid + 0.3 * curve, y0 + 0.25 * length, 0.98 * t),
            (mid + curve + 0.4 * drift, y0 + 0.65 * length, body),
            (mid + drift + 0.2 * (t - thin), y1, thin),
        ],
        end=0.5 * d.cut + 0.6 * own.tip + d.j(0.3),
    )


def leaf_leg(d: Sketch, x: float, y0: float, y1: float, t: float, drift: float, name: str) -> None:
    """A leg like a leaf: a neck under its roof, a belly that passes it, a point.

    Seen in old scrolls; the neck stays thick enough that the leg is not taken to hang free.
    """
    mid, length, own = x - t / 2, y1 - y0, d.habits
    neck, belly = t * (1 - 0.42 * d.leaf), max(t, min(0.86, t * (1 + 0.3 * d.leaf)))
    curve = 0.12 * d.leaf + 0.6 * d.bend + 0.06 * own.leg_curve
    d.stroke(name, "leg", [
        (mid - 0.02, y0 - 0.35, 0.95 * t), (mid, y0 + 0.06, max(0.24, neck)),
        (mid + curve, y0 + (0.45 + 0.08 * own.leg_drift) * length, belly),
        (mid + drift + 0.1 * own.leg_drift, y1, max(0.14, 0.4 * t * (1.3 - d.taper))),
    ], end=0.5 * d.cut + 0.5 * own.tip + d.j(0.3))  # fmt: skip


def lens_leg(
    d: Sketch, x: float, y0: float, y1: float, name: str = "leg", drift: float = 0.0,
    thick: float = 0.6,
) -> None:  # fmt: skip
    """A leg from the middle of a head: thin where it leaves, swelling, thinning to a point."""
    own = d.habits
    t = thick * (0.72 + 0.36 * d.v) * (1 + 0.1 * own.leg_weight)
    neck = d.thin(clamp(0.62 * t, 0.28, 0.42), 0.8) + d.j(0.03)
    curve = 0.04 * own.leg_curve + 0.3 * d.bend
    drift += 0.06 * own.leg_drift
    length = y1 - y0
    d.stroke(
        name,
        "leg",
        [
            (x, y0, neck),
            (x + 0.3 * curve, y0 + 0.2 * length, 0.96 * neck),
            (x + curve + 0.4 * drift, y0 + (0.52 + 0.08 * own.leg_drift) * length, t),
            (x + drift, y1, max(0.09, 0.34 * t * (1.25 - d.taper))),
        ],
        end=0.4 * d.cut + 0.4 * own.tip + d.j(0.4),
    )
