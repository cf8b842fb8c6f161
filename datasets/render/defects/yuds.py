"""Yuds and drops that lost their form or their place: melted into a bar, or misplaced.

A head may be joined by its thin joint only; where it melts into the body so that a bar of even
width is seen the form is lost, while a joint somewhat thick does no harm (Orach Chayim 32:18 gloss;
Mishnah Berurah 32:87, 90).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.defects.common import (
    DefectFamily,
    RegisteredDefect,
    add_mark,
    draw_index,
    grade_size,
    mark_doubtful,
    other_outlines,
    part_outlines,
)
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import Region, densify
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.render.letterforms.tags import rails

MELTING_HEADS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "א": (("yud_upper", "joint_upper", "kotz_upper"), ("yud_lower", "joint_lower", "kotz_lower")),
    "ע": (("yud", "thigh", ""),),
    "פ": (("drop", "joint", ""),),
    "ף": (("drop", "joint", ""),),
    "צ": (("yud", "joint", ""),),
    "ץ": (("yud", "joint", ""),),
    "ש": (("yud_middle", "joint_middle", ""), ("yud_right", "thigh", "")),
}
"""By letter: head, the stalk that carries it, and a kotz that goes with the head."""

DISPLACED_YUDS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "א": MELTING_HEADS["א"],
    "צ": MELTING_HEADS["צ"],
    "ץ": MELTING_HEADS["ץ"],
    "ש": MELTING_HEADS["ש"][:1],
}

_SLIDE_DIRECTIONS: dict[str, tuple[float, float]] = {
    "א": (0.7, 0.72), "צ": (0.55, 0.83), "ץ": (0.05, 1.0),
}  # fmt: skip
"""By letter: the direction in which the limb runs that carries the joint and lets it slide."""


def head_melted(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Head and stalk become one bar; size = width in q where the thin joint should be.

    Below 1/3 the joint is only thick, the head still plain.
    """
    ways = MELTING_HEADS[glyph.letter]
    head_name, stalk_name, kotz_name = ways[draw_index(rng, len(ways))]
    if not (glyph.has(head_name) and glyph.has(stalk_name)):
        return None
    head, stalk = glyph.part(head_name), glyph.part(stalk_name)
    share = grade_size(plainness, 0.0, 0.3, 0.85, 1.0)
    left, right = rails(stalk.outline)
    axis, half = (left + right) / 2, (right - left) / 2
    # The bar's line: that of the stalk where it leaves the head; a drop melts straight downward.
    hanging = head.kind == "drop"
    joint = stalk.kind == "joint"
    along = axis[len(axis) // (2 if joint else 4)] - axis[0]
    along = np.array([0.0, 1.0]) if hanging else along / (float(np.hypot(*along)) + 1e-9)
    across = np.array([-along[1], along[0]])
    beside = (head.outline - axis[0]) @ across
    wide, middle = float(np.ptp(beside)), float(beside.max() + beside.min()) / 2
    width = min(wide * float(rng.uniform(0.5, 0.7)), float(rng.uniform(0.5, 0.64)))
    if not joint:
        # A stout limb carries this head: it is lost when it is no broader than the limb.
        width = min(width, 1.15 * float(2 * np.hypot(*half[len(half) // 4])))
    factor = 1.0 + (width / wide - 1.0) * share

    def squeeze(outline: Outline) -> Outline:
        off = (outline - axis[0]) @ across
        there = (off - middle) * factor + middle * (1.0 - share)
        squeezed: Outline = outline + (there - off)[:, None] * across
        return squeezed

    if hanging:
        axis = axis - (share * ((axis - axis[0]) @ across))[:, None] * across
    thick, size = _thicken_stalk(axis, half, width, share, joint)
    changed = [head.mapped(squeeze), replace(stalk, outline=thick)]
    if kotz_name and glyph.has(kotz_name):
        changed.append(glyph.part(kotz_name).mapped(squeeze))
    names = (head_name, stalk_name)
    return add_mark(glyph.with_parts(changed), "head_melted", size, plainness, names)


def _thicken_stalk(
    axis: Floats, half: Floats, width: float, share: float, whole: bool
) -> tuple[Outline, float]:
    """A stalk brought toward `width` (only its upper part if not `whole`), and its new width."""
    have = 2 * np.hypot(half[:, 0], half[:, 1])
    fade = np.ones(len(axis)) if whole else np.linspace(1.6, 0.0, len(axis)).clip(0.0, 1.0)
    wanted = have + (np.maximum(width, have) - have) * share * fade
    # Its end lies inside the head, whose outline it must not break with a corner.
    wanted[:3] *= (0.55, 0.75, 0.9)
    half = half * (wanted / (have + 1e-9))[:, None]
    place = len(axis) // 2 if whole else len(axis) // 4
    return np.concatenate([axis - half, (axis + half)[::-1]]), float(wanted[place])


def yud_misplaced(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A yud off its place, still joined; size = the distance in q by which it was moved.

    It slides along the limb that carries it, or rises, falls or swings aside about its joint; it is
    turned as well. None where it would run into another part.
    """
    ways = DISPLACED_YUDS[glyph.letter]
    way = ways[draw_index(rng, len(ways))]
    if not (glyph.has(way[0]) and glyph.has(way[1])):
        return None
    far = grade_size(plainness, 0.0, 0.13, 0.42, 0.75) * float(rng.uniform(0.9, 1.1))
    turn = grade_size(plainness, 0.0, 6.0, 18.0, 30.0) * float(rng.uniform(-1.0, 1.0))
    moves: list[tuple[Floats, Floats]] = [
        (np.array([0.25, -0.97]), np.zeros(2)),
        (np.array([0.95, 0.3]), np.zeros(2)),
        (np.array([-0.8, -0.6]), np.zeros(2)),
    ]
    if glyph.letter in _SLIDE_DIRECTIONS:
        slide = np.array(_SLIDE_DIRECTIONS[glyph.letter])
        moves += [(slide, slide), (-slide, -slide)]
    for k in rng.permutation(len(moves)):
        move, end = moves[int(k)]
        moved = _displace_yud(glyph, way, far * move, far * end, turn)
        if _stands_apart(moved, way):
            if glyph.letter == "צ" and int(k) == len(moves) - 2:
                moved = mark_doubtful(
                    moved, "ע", plainness
                )  # low on the neck: Mishnat Sofrim, tsadi
            return add_mark(moved, "yud_misplaced", far, plainness, way[:2])
    return None


def _displace_yud(
    glyph: Glyph, way: tuple[str, str, str], move: Floats, end: Floats, turn: float
) -> Glyph:
    """The yud moved and turned about its middle, its joint following at one end."""
    yud_name, joint_name, kotz_name = way
    yud, joint = glyph.part(yud_name), glyph.part(joint_name)
    centre = yud.outline.mean(axis=0)
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    matrix = np.array([[cos, sin], [-sin, cos]])

    def carry(outline: Outline) -> Outline:
        carried: Outline = (outline - centre) @ matrix + centre + move
        return carried

    left, right = rails(joint.outline)
    share = np.linspace(0.0, 1.0, len(left))[:, None]
    shift = move * (1.0 - share) + end * share
    outline = np.concatenate([left + shift, (right + shift)[::-1]])
    changed: list[Part] = [yud.mapped(carry), replace(joint, outline=outline)]
    if kotz_name and glyph.has(kotz_name):
        changed.append(glyph.part(kotz_name).mapped(carry))
    return glyph.with_parts(changed)


def _stands_apart(glyph: Glyph, way: tuple[str, str, str]) -> bool:
    """Whether the yud keeps off all other parts and its joint still reaches the body."""
    others = Region(other_outlines(glyph, *way))
    points = np.concatenate([densify(o, 0.12) for o in part_outlines(glyph, way[0], way[2])])
    if float(others.clearance(points).min()) < 0.08:
        return False
    left, right = rails(glyph.part(way[1]).outline)
    along = others.clearance(np.concatenate([left, right, (left + right) / 2]))
    sides = along.reshape(3, len(left))
    if float(sides[:, : len(left) // 3].min()) < 0.03:
        return False
    # Once in the body the joint stays there, or it would enclose a counter.
    leaves = (sides[:, :-1] < 0) & (sides[:, 1:] > 0)
    return bool((sides[2, -2:] < 0).any() and not leaves[:, : -len(left) // 4].any())


YUD_FORMS: DefectFamily = {
    "head_melted": RegisteredDefect("".join(MELTING_HEADS), head_melted),
    "yud_misplaced": RegisteredDefect("".join(DISPLACED_YUDS), yud_misplaced),
}
