"""Tags (tagin): the thin strokes of a crown, set on the seat of a letter in the hand's own form.

A tag is two rails about a curved axis, from its root to its tip: outline = left rail upward, then
right rail downward, so that its axis and widths can be read back (`rails`). A form is a width
profile along the axis, from a hairline root to the head. Proportions are those of real writing;
three tags stand in the middle of the head, apart from one another and each attached (Mishnah
Berurah 36:12-13).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.render.letterforms.glyph import Crown, Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand, habits_of
from crownlet.datasets.render.letterforms.outlines import Region
from crownlet.datasets.render.letterforms.own_forms import form_of
from crownlet.datasets.render.letterforms.pen import Floats

# Half widths along the axis, as shares of the tag's thick end: (place, left, right).
_TAG_PROFILES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "flame": ((0, 0.28, 0.28), (0.2, 0.2, 0.2), (0.5, 0.3, 0.3), (0.78, 0.5, 0.5),
              (0.92, 0.44, 0.4), (1, 0.12, 0.12)),
    "leaf": ((0, 0.24, 0.24), (0.2, 0.2, 0.2), (0.48, 0.38, 0.34), (0.68, 0.52, 0.48),
             (0.84, 0.4, 0.4), (1, 0.08, 0.08)),
    "reed": ((0, 0.3, 0.3), (0.2, 0.28, 0.28), (0.5, 0.36, 0.36), (0.76, 0.48, 0.46),
             (0.9, 0.42, 0.42), (1, 0.14, 0.14)),
    "wedge": ((0, 0.24, 0.24), (0.3, 0.26, 0.26), (0.7, 0.42, 0.42), (0.97, 0.56, 0.56),
              (1, 0.5, 0.5)),
    "club": ((0, 0.3, 0.3), (0.2, 0.24, 0.24), (0.5, 0.42, 0.42), (0.8, 0.62, 0.58),
             (0.93, 0.58, 0.52), (1, 0.3, 0.26)),
    "flag": ((0, 0.26, 0.26), (0.4, 0.24, 0.24), (0.66, 0.26, 0.26), (0.74, 0.28, 0.75),
             (0.9, 0.26, 0.95), (1, 0.16, 0.3)),
    "pennant": ((0, 0.26, 0.26), (0.4, 0.22, 0.22), (0.66, 0.24, 0.24), (0.76, 0.8, 0.26),
                (0.88, 0.9, 0.26), (1, 0.4, 0.18)),
    "bare": ((0, 0.3, 0.3), (0.5, 0.28, 0.28), (1, 0.26, 0.26)),
    "square": ((0, 0.3, 0.3), (0.4, 0.22, 0.22), (0.7, 0.24, 0.24), (0.74, 0.72, 0.72),
               (0.98, 0.78, 0.78), (1, 0.7, 0.7)),
    "diamond": ((0, 0.3, 0.3), (0.4, 0.22, 0.22), (0.66, 0.22, 0.22), (0.72, 0.3, 0.3),
                (0.85, 0.85, 0.85), (1, 0.1, 0.1)),
    "round": ((0, 0.3, 0.3), (0.4, 0.22, 0.22), (0.68, 0.22, 0.22), (0.76, 0.6, 0.6),
              (0.86, 0.78, 0.78), (0.95, 0.56, 0.56), (1, 0.2, 0.2)),
    "blob": ((0, 0.22, 0.22), (0.4, 0.17, 0.17), (0.66, 0.2, 0.18), (0.74, 0.62, 0.7),
             (0.85, 0.86, 0.9), (0.94, 0.72, 0.6), (1, 0.25, 0.2)),
}  # fmt: skip

PROFILES_BY_FORM: dict[str, tuple[str, ...]] = {
    "flame": ("flame", "flame", "leaf", "reed"),
    "wedge": ("wedge", "club"),
    "flag": ("flag", "pennant"),
    "bare": ("bare",),
    "headed": ("square", "diamond", "round", "blob", "blob"),
}
"""The profiles in which hands write each form."""

AXIS_SHARES = np.array([0.0, 0.12, 0.28, 0.44, 0.58, 0.68, 0.74, 0.8, 0.86, 0.91, 0.96, 1.0])
"""Places along a tag at which its outline has points, 0 at its root."""

_NECK_AXIS_SHARE = 0.68
"""Place at which heads and flags begin."""

_HEADLESS_PROFILES = ("flame", "leaf", "reed", "wedge", "club", "bare")
"""Profiles without a head of its own size."""

_WIDTH_TABLES: dict[str, Floats] = {
    name: np.array(
        [np.interp(AXIS_SHARES, [p[0] for p in rows], [p[k] for p in rows]) for k in (1, 2)]
    )
    for name, rows in _TAG_PROFILES.items()
}

_ROOT_FADES = np.clip((AXIS_SHARES - 0.06) / 0.42, 0.0, 1.0)
"""How a hairline root widens to the form's own thickness."""


THREE_TAGGED = "שעטנזגצןץ"
"""Letters that take three tags (Menachot 29b): on these a bare line is remarked upon."""

MAX_ROOT_SPREAD_Q = 0.9
"""Most q between the roots of the outer tags."""

MIN_TAG_GAP_Q = 0.18
"""Least gap between two tags in q: stays open after a little ink spread."""

_MAX_TAG_HEIGHT_Q = {"י": 0.7, "ל": 1.3} | dict.fromkeys("בדקה", 2.0)
"""In q: a tall tag makes a little lamed of a yud (Mishnat Sofrim, yud) and one of a bet."""

_GAP_LEVELS = np.linspace(0.0, 1.0, 17)


def profile_of(hand: Hand) -> str:
    """The name of the width profile this hand gives its tags; a hand keeps to one."""
    ways = PROFILES_BY_FORM[hand.tag_form]
    return ways[(hand.seed >> 8) % len(ways)]


def axis_places(profile: str, width: float, height: float) -> Floats:
    """Places of a profile on a tag of this height: on a tall one the head keeps its size."""
    if profile in _HEADLESS_PROFILES:
        return AXIS_SHARES
    head = min(
        1.0 - _NECK_AXIS_SHARE, (1.9 if profile in ("flag", "pennant") else 1.55) * width / height
    )
    return np.where(
        AXIS_SHARES <= _NECK_AXIS_SHARE,
        AXIS_SHARES * (1.0 - head) / _NECK_AXIS_SHARE,
        1.0 - (1.0 - AXIS_SHARES) * head / (1.0 - _NECK_AXIS_SHARE),
    )


def half_widths(profile: str, width: float, root: float = 0.0) -> Floats:
    """Half widths (2, N) left and right at `AXIS_SHARES`, in q, for a tag `width` q thick.

    A positive `root` is the width in q to which the tag thins where it leaves its letter.
    """
    half = _WIDTH_TABLES[profile] * width
    if root > 0.0:
        half = np.minimum(half, root / 2 + (half - root / 2) * _ROOT_FADES)
    return half


@dataclass(frozen=True)
class _CrownPlan:
    """Where the tags of one crown stand: arrays with one entry a tag, lengths in q."""

    root: Floats
    height: Floats
    angle: Floats
    """Degrees from upright, positive to the right."""
    bend: Floats
    """How far each tip curls to the right, as a share of the height."""
    width: float
    profile: str
    thinnest: float
    """Width of the roots in q, 0 for the form's own."""


def crown_letter(glyph: Glyph, hand: Hand, rng: np.random.Generator, count: int) -> Glyph:
    """The glyph with `count` tags (0 to 5) standing on its crown seat, named tag_1.. from the left.

    Of three the middle one is the tallest; of lamed's two the right one (Mishnat Sofrim, lamed).
    On the letters of three tags a hand of bare lines leaves the mark `tag_bare`, by its habit.

    Raises ValueError if the glyph has no seat or wears tags already.
    """
    if count == 0:
        return glyph
    if glyph.crown is None or not 0 < count <= 5:
        raise ValueError(f"cannot set {count} tags on {glyph.letter!r}")
    if glyph.tags:
        raise ValueError(f"{glyph.letter!r} wears {glyph.tags} tags already")
    plan = _plan_crown(glyph, glyph.crown, hand, rng, count)
    footing = _footing(plan, Region([part.outline for part in glyph.parts]), glyph.crown)
    if hand.seed and count in (2, 3):
        plan = _shorten_beside_second(plan, footing)
    tags = tuple(_draw_tag(k, plan, float(footing[k]), rng, hand) for k in range(count))
    crowned = replace(glyph, parts=glyph.parts + tags, tags=count)
    if hand.tag_form != "bare" or glyph.letter not in THREE_TAGGED:
        return crowned
    mark = DefectMark("tag_bare", float(count), 1.0, tuple(tag.name for tag in tags))
    return replace(crowned, defects=(*glyph.defects, mark))


def rails(outline: Outline) -> tuple[Floats, Floats]:
    """(left, right) rails of a stroke, each (N, 2) from root to tip.

    Outlines run up one rail and down the other; the middle point of an odd number is the tip's.
    """
    half = len(outline) // 2
    return outline[:half], outline[-half:][::-1]


def _plan_crown(
    glyph: Glyph, crown: Crown, hand: Hand, rng: np.random.Generator, count: int
) -> _CrownPlan:
    """Roots, heights and angles, with a wide enough gap between each two."""
    draws = rng.uniform(-1.0, 1.0, (4, max(count, 4)))
    plan = _draw_plan(glyph, crown, hand, draws, count)
    if count == 1:
        return plan
    plan = _separate_tags(plan)
    if plan.width < 0.8 * hand.tag_width:
        # Set so unevenly, or leaning together, they would have to be hairs: set evenly.
        even = replace(hand, tag_fan=max(2.0, hand.tag_fan))
        plan = _separate_tags(_draw_plan(glyph, crown, even, 0.0 * draws, count))
    return plan


def _draw_plan(glyph: Glyph, crown: Crown, hand: Hand, draws: Floats, count: int) -> _CrownPlan:
    """A crown in this hand, its unevenness from `draws` (4, N) in [-1, 1]."""
    unsteady = hand.jitter
    order = np.arange(count) - (count - 1) / 2
    room = crown.x1 - crown.x0
    pitch = (
        min(0.42, max(0.88 * room, 0.5) / (count - 1), MAX_ROOT_SPREAD_Q / (count - 1))
        if count > 1
        else 0
    )
    own = form_of(hand.form_seed, hand.style, glyph.letter)
    # In some hands yud's tag is as long as the letter.
    most = _MAX_TAG_HEIGHT_Q.get(glyph.letter, 4.0)
    if glyph.letter == "י":
        most += 1.6 * own.forms[3] ** 2
    height = np.full(count, min(max(0.55, hand.tag_height * own.tag), most))
    height *= (1.0 + 0.12 * unsteady * draws[0, :count]) * _relative_heights(count)
    lean = hand.tag_lean + 4.0 * unsteady * draws[3, 0]
    # Tall tags fan less, or their tips would stand over the neighbours; nor may they meet.
    fan = min(max(hand.tag_fan, -5.0 / hand.tag_height), 9.0 / hand.tag_height)
    fan = max(fan, 0.0) if count == 2 else fan
    angle = lean + fan * order + (2.0 + 2.0 / hand.tag_height) * unsteady * draws[1, :count]
    middle = (crown.x0 + crown.x1) / 2 + 0.08 * room * unsteady * draws[3, 1]
    root = middle + pitch * order
    if count > 1:
        root += 0.1 * pitch * unsteady * draws[2, :count]
    form = profile_of(hand)
    # A curl of the tip, to the side that this hand favours; flames curl the most.
    curl = (0.12 if form in ("flame", "leaf", "reed") else 0.05) * (1 if hand.seed & 64 else -1)
    bend = curl * (0.6 + 0.4 * draws[3, 2]) + 0.03 * unsteady * draws[2, :count]
    # Some hands' bare lines are broad ones, as some hands' heads are large.
    heavy = 0.6 * max(0.0, habits_of(hand.seed).head_size) * (hand.tag_form in ("bare", "headed"))
    width = hand.tag_width * (1 + heavy) * (1 + 0.1 * unsteady * draws[3, 3])
    return _CrownPlan(root, height, angle, bend, width, form, hand.tag_root)


def _relative_heights(count: int) -> Floats:
    """Heights of the tags of one crown relative to the hand's."""
    if count == 2:
        return np.array([0.8, 1.1])
    if count == 3:
        return np.array([0.9, 1.12, 0.92])
    return np.ones(count)


def _shorten_beside_second(plan: _CrownPlan, footing: Floats) -> _CrownPlan:
    """The plan with its other tags shortened where, on a falling head, they pass the second."""
    upright = np.cos(np.radians(plan.angle))
    tips = footing - plan.height * upright
    passed = (tips[1] + 0.07 - tips).clip(0.0, None) / upright
    passed[1] = 0.0
    return replace(plan, height=np.maximum(plan.height - passed, 0.3))


def _separate_tags(plan: _CrownPlan) -> _CrownPlan:
    """The plan with its outer tags fanned out, then all made thinner, until they stand apart."""
    room = _width_factor(plan)
    if room < 0.85:
        order = np.arange(len(plan.root)) - (len(plan.root) - 1) / 2
        plan = replace(plan, angle=plan.angle + order * 5.0 / float(plan.height.max()))
        room = _width_factor(plan)
    return plan if room >= 1.0 else replace(plan, width=plan.width * max(0.3, room))


def _width_factor(plan: _CrownPlan) -> float:
    """By what factor the tags' widths may grow before the gap falls below `MIN_TAG_GAP_Q`."""
    level = _GAP_LEVELS * float(plan.height.max())
    slope = np.radians(plan.angle)[:, None]
    height = plan.height[:, None]
    place = level / (height * np.cos(slope))
    x = plan.root[:, None] + level * np.tan(slope) + plan.bend[:, None] * height * place**2
    at = axis_places(plan.profile, plan.width, float(plan.height.mean()))
    table = half_widths(plan.profile, plan.width)
    left = np.interp(place, at, table[0], right=np.nan) / np.cos(slope)
    right = np.interp(place, at, table[1], right=np.nan) / np.cos(slope)
    wide = right[:-1] + left[1:]
    gap = x[1:] - x[:-1] - MIN_TAG_GAP_Q
    return max(0.0, float(np.nanmin(gap / wide)))


def _draw_tag(
    k: int, plan: _CrownPlan, footing: float, rng: np.random.Generator, hand: Hand
) -> Part:
    """One tag, its root sunk a little into the ink whose upper edge is at `footing`."""
    slope = math.radians(float(plan.angle[k]))
    up = np.array([math.sin(slope), -math.cos(slope)])
    side = np.array([math.cos(slope), math.sin(slope)])
    foot = np.array([plan.root[k], footing])
    sink = float(rng.uniform(0.06, 0.1))
    length = float(plan.height[k]) + sink
    t = axis_places(plan.profile, plan.width, length)
    axis = foot - sink * up + (length * t)[:, None] * up
    axis = axis + (float(plan.bend[k] * plan.height[k]) * t**2)[:, None] * side
    half = half_widths(plan.profile, plan.width, plan.thinnest)
    half = half * (1 + hand.rough * 2 * rng.uniform(-1, 1, half.shape))
    left = axis - half[0][:, None] * side
    right = axis + half[1][:, None] * side
    return Part(f"tag_{k + 1}", "tag", np.concatenate([left, right[::-1]]))


def _footing(plan: _CrownPlan, body: Region, crown: Crown) -> Floats:
    """y of the ink under each root: the lowest of three tries, so that the whole root holds."""
    tries = plan.root[:, None] + np.array([-0.3, 0.0, 0.3]) * plan.width
    tops = body.tops(tries.ravel()).reshape(tries.shape)
    tops = np.where(np.abs(tops - crown.y) < 0.6, tops, crown.y)
    lowest: Floats = tops.max(axis=1)
    return lowest
