"""Corners rounded, and rounds that were given a corner.

They set bet from kaf, dalet from resh, final mem from samech (Mishnat Sofrim under each).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.defects.common import Entry, Family, graded, marked, pick
from crownlet.datasets.letterforms.glyph import Glyph, Outline, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats, Region

_ARC = np.linspace(0.0, 1.0, 9)[:, None]


@dataclass(frozen=True)
class _Corner:
    """An outer corner: its tip, and the points on both edges a given way from it."""

    tip: Floats
    upright: Floats
    """On the vertical edge."""
    level: Floats
    """On the horizontal edge."""


# (right or left, lower or upper) as signs of x and y.
SHARP: dict[str, tuple[tuple[int, int], ...]] = {
    "ב": ((1, 1), (1, -1)), "ד": ((1, -1),), "ה": ((1, -1),), "מ": ((1, 1),),
    "ם": ((1, 1), (-1, 1)), "ת": ((1, -1),),
}  # fmt: skip
ROUND: dict[str, tuple[tuple[int, int], ...]] = {
    "כ": ((1, 1), (1, -1)), "ך": ((1, -1),), "ס": ((1, 1), (-1, 1), (1, -1)), "ר": ((1, -1),),
}  # fmt: skip


def corner_rounded(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A sharp corner cut back to an arc; size = its outer radius in q."""
    ways = SHARP[glyph.letter]
    way = ways[pick(rng, len(ways))]
    if plainness == 0.0:
        return marked(glyph, "corner_rounded", 0.0, 0.0)
    radius = graded(plainness, 0.05, 0.35, 0.75, 1.15)
    corner = _corner(glyph, way, radius)
    if corner is None:
        return None
    arc = _bent(corner, 0.9)
    out = np.array(way) * 0.6
    cut: Outline = np.concatenate(
        [arc, [corner.level + out * (0, 1), corner.tip + out, corner.upright + out * (1, 0)]]
    )
    rounded = replace(glyph, cuts=(*glyph.cuts, cut))
    if way == (1, -1) and glyph.has("kotz"):
        rounded = rounded.without("kotz")
    return marked(rounded, "corner_rounded", radius, plainness)


def corner_squared(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """An arc filled out to a corner; size = what the outer radius falls short of, in q."""
    ways = ROUND[glyph.letter]
    way = ways[pick(rng, len(ways))]
    full = 1.0
    corner = _corner(glyph, way, full)
    if corner is None:
        return None
    share = graded(plainness, 0.0, 0.4, 0.8, 1.0)
    if share == 0.0:
        return marked(glyph, "corner_squared", 0.0, 0.0)
    left = 1.0 - 0.92 * share
    tip = corner.tip
    shorter = _Corner(tip, tip + left * (corner.upright - tip), tip + left * (corner.level - tip))
    inner = tip - 0.75 * np.array(way)
    outline = np.concatenate(
        [[corner.upright - (0.1 * way[0], 0)], _bent(shorter, 0.9),
         [corner.level - (0, 0.1 * way[1]), inner]]
    )  # fmt: skip
    part = Part("corner", "heel", outline)
    return marked(
        glyph.with_parts([part]), "corner_squared", 0.92 * full * share, plainness, ("corner",)
    )


def _corner(glyph: Glyph, way: tuple[int, int], radius: float) -> _Corner | None:
    """The corner of the body on this side, with its edges `radius` q away from the tip."""
    right, low = way
    parts = [p for p in glyph.parts if p.kind not in ("tag", "kotz", "drop", "head")]
    if glyph.letter in "הת":
        parts = [p for p in parts if p.name != "leg_left"]
    region = Region([p.outline for p in parts])
    tip = _tip(region, parts, right, low)
    y, x = tip[1] - low * radius, tip[0] - right * radius
    left, far = region.spans(np.array([y]))
    hits = region.along(np.array([x, 0.0]), np.array([0.0, 1.0]))
    side = float((far if right > 0 else left)[0])
    if np.isnan(side) or not len(hits):
        return None
    if abs(side - tip[0]) > 0.6:
        return None
    return _Corner(tip, np.array([side, y]), np.array([x, float(hits[-1 if low > 0 else 0])]))


def _tip(region: Region, parts: list[Part], right: int, low: int) -> Floats:
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


def _bent(corner: _Corner, pull: float) -> Floats:
    """A curve from the upright edge to the level one, drawn toward the tip by `pull`."""
    middle = (corner.upright + corner.level) / 2
    control = middle + pull * (corner.tip - middle)
    curve: Floats = (
        (1 - _ARC) ** 2 * corner.upright + 2 * _ARC * (1 - _ARC) * control + _ARC**2 * corner.level
    )
    return curve


FAMILY: Family = {
    "corner_rounded": Entry("".join(SHARP), corner_rounded),
    "corner_squared": Entry("".join(ROUND), corner_squared),
}
