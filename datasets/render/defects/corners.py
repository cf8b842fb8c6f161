"""Corners rounded, and rounds that were given a corner.

They set bet from kaf, dalet from resh, final mem from samech (Mishnat Sofrim under each).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.defects.common import (
    DOUBTFUL_PLAINNESS,
    DefectFamily,
    RegisteredDefect,
    add_mark,
    draw_index,
    grade_size,
    mark_doubtful,
)
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import Region
from crownlet.datasets.render.letterforms.pen import Floats

_ARC_STEPS = np.linspace(0.0, 1.0, 9)[:, None]


# (right or left, lower or upper) as signs of x and y.
SHARP_CORNERS: dict[str, tuple[tuple[int, int], ...]] = {
    "ב": ((1, 1), (1, -1)), "ד": ((1, -1),), "ה": ((1, -1),), "מ": ((1, 1),),
    "ם": ((1, 1), (-1, 1)), "ת": ((1, -1),),
}  # fmt: skip

ROUND_CORNERS: dict[str, tuple[tuple[int, int], ...]] = {
    "כ": ((1, 1), (1, -1)), "ך": ((1, -1),), "ס": ((1, 1), (-1, 1), (1, -1)), "ר": ((1, -1),),
}  # fmt: skip

_ROUND_LOOKALIKES = {"ב": "כ", "ד": "ר", "ם": "ס"}

_SHARP_LOOKALIKES = {"כ": "ב", "ר": "ד", "ס": "ם"}
"""What a letter is taken for so (Mishnat Sofrim under each; Shabbat 103b)."""

_ALL_CORNERS_SHARE = 0.35
"""How often all the corners that tell two letters apart are changed, not one of them."""

_MIN_ROUND_RADIUS_Q = 0.3
"""A round place of a smaller radius in q is a corner already."""


@dataclass(frozen=True)
class _Corner:
    """An outer corner: its tip, and the points on both edges a given way from it."""

    tip: Floats
    upright: Floats
    """On the vertical edge."""
    level: Floats
    """On the horizontal edge."""


def corner_rounded(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A sharp corner cut back to an arc; size = its outer radius in q."""
    ways = _choose_corners(SHARP_CORNERS[glyph.letter], rng)
    widest = 0.9 if glyph.letter == "מ" else 1.4  # mem's base is short
    if plainness == 0.0:
        return add_mark(glyph, "corner_rounded", 0.0, 0.0)
    rounded, radius = glyph, 0.0
    for way in ways:
        # Some hands' corners are somewhat round by habit: it begins there.
        own = _own_radius(glyph, way)
        more = grade_size(plainness, 0.0, 0.24 - 0.4 * min(own, 0.4), 0.7, 1.1 - 0.5 * own)
        radius = min(own + more, widest)
        corner = _measure_corner(glyph, way, radius)
        if corner is None:
            return None
        rounded = replace(rounded, cuts=(*rounded.cuts, _ink_beyond_arc(corner, way)))
        if way == (1, -1) and glyph.has("kotz") and plainness >= DOUBTFUL_PLAINNESS:
            rounded = rounded.without("kotz")
    most = 0.5 if len(ways) == len(SHARP_CORNERS[glyph.letter]) else 0.35
    rounded = mark_doubtful(rounded, _ROUND_LOOKALIKES.get(glyph.letter), plainness, most)
    return add_mark(rounded, "corner_rounded", radius, plainness)


def corner_squared(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """An arc filled out to a corner; size = what the outer radius falls short of, in q."""
    ways = _choose_corners(ROUND_CORNERS[glyph.letter], rng)
    share = grade_size(plainness, 0.0, 0.4, 0.9, 1.0)
    # Some set a little heel there, as dalet and bet have it.
    heel = 0.16 * float(rng.random() < 0.5) * grade_size(plainness, 0.0, 0.0, 0.6, 1.0)
    if share == 0.0:
        return add_mark(glyph, "corner_squared", 0.0, 0.0)
    parts, size = [], 0.0
    for k, way in enumerate(ways):
        own = _own_radius(glyph, way)
        corner = _measure_corner(glyph, way, min(1.0, 1.15 * own))
        if corner is None or own < _MIN_ROUND_RADIUS_Q:
            return None
        parts.append(
            Part(f"corner_{k + 1}", "heel", _ink_to_corner(corner, way, 1.0 - 0.95 * share, heel))
        )
        size = max(size, 0.95 * own * share)
    most = 0.5 if len(ways) == len(ROUND_CORNERS[glyph.letter]) or (1, 1) in ways else 0.3
    squared = mark_doubtful(
        glyph.with_parts(parts), _SHARP_LOOKALIKES.get(glyph.letter), plainness, most
    )
    names = tuple(part.name for part in parts)
    return add_mark(squared, "corner_squared", size, plainness, names)


def _choose_corners(
    ways: tuple[tuple[int, int], ...], rng: np.random.Generator
) -> tuple[tuple[int, int], ...]:
    """One of the corners, or all of them."""
    one = ways[draw_index(rng, len(ways))]
    return ways if rng.random() < _ALL_CORNERS_SHARE else (one,)


def _own_radius(glyph: Glyph, way: tuple[int, int]) -> float:
    """About what radius in q the letter's own corner has: 0 for a sharp one."""
    region, tip = _find_corner(glyph, way)
    # An arc as `_corner_curve` draws it passes its corner at 0.39 of its radius.
    return float(np.clip(region.clearance(tip[None])[0] / 0.39, 0.0, 1.0))


def _ink_beyond_arc(corner: _Corner, way: tuple[int, int]) -> Outline:
    """The ink beyond the arc, which is cut off."""
    out = np.array(way) * 0.6
    edge = [corner.level + out * (0, 1), corner.tip + out, corner.upright + out * (1, 0)]
    return np.concatenate([_corner_curve(corner, 0.9), edge])


def _ink_to_corner(corner: _Corner, way: tuple[int, int], left: float, heel: float) -> Outline:
    """The ink added so that the share `left` of the arc's radius remains, `heel` q farther out."""
    tip = corner.tip + heel * np.array(way)
    shorter = _Corner(tip, tip + left * (corner.upright - tip), tip + left * (corner.level - tip))
    inner = tip - 0.75 * np.array(way)
    return np.concatenate(
        [[corner.upright - (0.1 * way[0], 0)], _corner_curve(shorter, 0.9),
         [corner.level - (0, 0.1 * way[1]), inner]]
    )  # fmt: skip


def _find_corner(glyph: Glyph, way: tuple[int, int]) -> tuple[Region, Floats]:
    """The body's ink on this side, and where its corner's edges would meet."""
    parts = [p for p in glyph.parts if p.kind not in ("tag", "kotz", "drop", "head")]
    if glyph.letter in "הת":
        parts = [p for p in parts if p.name != "leg_left"]
    region = Region([p.outline for p in parts])
    return region, _corner_tip(region, parts, *way)


def _measure_corner(glyph: Glyph, way: tuple[int, int], radius: float) -> _Corner | None:
    """The corner of the body on this side, with its edges `radius` q away from the tip."""
    right, low = way
    region, tip = _find_corner(glyph, way)
    y, x = tip[1] - low * radius, tip[0] - right * radius
    left, far = region.spans(np.array([y]))
    hits = region.along(np.array([x, 0.0]), np.array([0.0, 1.0]))
    side = float((far if right > 0 else left)[0])
    if np.isnan(side) or not len(hits):
        return None
    if abs(side - tip[0]) > 0.6:
        return None
    return _Corner(tip, np.array([side, y]), np.array([x, float(hits[-1 if low > 0 else 0])]))


def _corner_tip(region: Region, parts: list[Part], right: int, low: int) -> Floats:
    """Where the two edges would meet if both ran on straight."""
    body = np.concatenate([p.outline for p in parts])
    edge = min(3.0, float(body[:, 1].max())) if low > 0 else max(0.0, float(body[:, 1].min()))
    left, far = region.spans(edge - low * np.array([0.9, 1.3]))
    sides = far if right > 0 else left
    x = float(sides[0] + 0.9 / 0.4 * np.clip(sides[0] - sides[1], -0.08, 0.08))
    if np.isnan(x):
        x = float(body[:, 0].max() if right > 0 else body[:, 0].min())
    levels = []
    for back in (0.9, 1.3):
        hits = region.along(np.array([x - right * back, 0.0]), np.array([0.0, 1.0]))
        levels.append(float(hits[-1 if low > 0 else 0]) if len(hits) else edge)
    rise = float(np.clip(levels[0] - levels[1], -0.08, 0.08))
    return np.array([x, levels[0] + 0.9 / 0.4 * rise])


def _corner_curve(corner: _Corner, pull: float) -> Floats:
    """A curve from the upright edge to the level one, drawn toward the tip by `pull`."""
    middle = (corner.upright + corner.level) / 2
    control = middle + pull * (corner.tip - middle)
    curve: Floats = (
        (1 - _ARC_STEPS) ** 2 * corner.upright
        + 2 * _ARC_STEPS * (1 - _ARC_STEPS) * control
        + _ARC_STEPS**2 * corner.level
    )
    return curve


CORNER_SHAPES: DefectFamily = {
    "corner_rounded": RegisteredDefect("".join(SHARP_CORNERS), corner_rounded),
    "corner_squared": RegisteredDefect("".join(ROUND_CORNERS), corner_squared),
}
