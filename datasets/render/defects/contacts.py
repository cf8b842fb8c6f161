"""Contacts inside a letter: two heads, a counter that closes, a leg on its roof.

No part may touch another but at its joint (Keset HaSofer 5:3). The leg of he and kuf must hang
free, even of a hair's contact (Orach Chayim 32:18; Mishnah Berurah 32:82-83).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.render.defects.common import (
    DOUBTFUL_PLAINNESS,
    DefectFamily,
    RegisteredDefect,
    add_mark,
    bar_outline,
    draw_index,
    grade_size,
    mark_doubtful,
    part_outlines,
)
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import Region
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.scribal.catalogue import CATALOGUE

_NEAR_CONTACT_GAP_Q = 0.1
"""Gap in q that remains just before two parts, or a leg and its roof, touch."""

_DISPLACED_YUD_Q = 0.15
"""A yud moved by more than this in q may count as out of its place."""

LEANING_HEADS: dict[str, tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]] = {
    "ט": ((("head_left",), ("head_right", "wall")),),
    "ע": ((("head",), ("yud", "thigh")),),
    "צ": ((("head",), ("yud", "joint")),),
    "ץ": ((("head",), ("yud", "joint")),),
    "ש": (
        (("head",), ("yud_middle", "joint_middle")),
        (("yud_middle",), ("yud_right", "thigh")),
    ),
}
"""By letter: the head that stays, and the head with its limb that leans toward it."""

_MAX_CONTACT_WIDTH_Q, _MAX_CONTACT_SHARE = 0.32, 0.4
"""A contact is at most this wide in q, and at most this share of the leg's own top."""

_MIN_CONTACT_WIDTH_Q = 0.14
"""A contact on a thin leg is at least this wide in q, so that it shows where a letter is small."""

_FUSED_LEG_SHARE = 0.15
"""Share of plain contacts in which the leg melts into the roof as a chet's does."""

_HAIR_CONTACT_Q, _CHET_CONTACT_Q = 0.05, 0.3
"""Width in q of a contact up to which a he stays a he; width at which it may be read as a chet."""

_RAISED_LEG_SHARE = 0.4
"""Share of contacts in which the leg itself is drawn up to its roof, which its tip touches. Book
hands do so in most of their hes (looked at), and readers take the letter for a he."""


def heads_touch(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A right head leans onto its left neighbour; size = length of the contact in q.

    Below 1/3 it comes near without touching: size 0.
    """
    ways = LEANING_HEADS[glyph.letter]
    still, leaning = ways[draw_index(rng, len(ways))]
    bends = 1.5
    own = glyph.part(leaning[0]).outline
    y = np.linspace(float(own[:, 1].min()) + 0.02, float(own[:, 1].max()), 24)
    gap = _gaps_between(glyph, still, leaning[:1], y)
    top = float(y[0])
    arrives = np.clip((bends - y) / (bends - top), 0.05, 1.0)
    overlap = (
        grade_size(plainness, 0, 0.02, 0.08, 0.2)
        if plainness >= DOUBTFUL_PLAINNESS
        else -_NEAR_CONTACT_GAP_Q
    )
    shift = max(0.0, float(np.nanmin((gap + overlap) / arrives)))
    shift *= min(1.0, plainness / DOUBTFUL_PLAINNESS)
    moved = []
    for name in leaning:
        part = glyph.part(name)
        share = np.clip((bends - part.outline[:, 1]) / (bends - top), 0.0, 1.2)
        outline = part.outline - np.stack([shift * share, 0 * share], axis=1)
        moved.append(replace(part, outline=outline))
    changed = glyph.with_parts(moved)
    fine = np.linspace(float(y[0]), float(y[-1]), 97)
    size = _contact_length(_gaps_between(changed, still, leaning[:1], fine), fine)
    if (size > 0) != (plainness >= DOUBTFUL_PLAINNESS):
        return None
    tags = [tag.outline for tag in glyph.of_kind("tag")]
    if size == 0 and tags and Region(tags).clearance(changed.part(leaning[0]).outline).min() <= 0:
        return None  # What comes near the head is held up by its tags.
    if shift > _DISPLACED_YUD_Q and CATALOGUE["yud_misplaced"].applies_to(glyph.letter):
        # The yud that leans so far is no longer in its place either; it was
        # not drawn as a defect, so it is in doubt.
        changed = add_mark(changed, "yud_misplaced", 0.0, 0.5)
    # A tet closed above resembles a samech (common practice, no source).
    changed = mark_doubtful(changed, "ס" if glyph.letter == "ט" else None, plainness)
    return add_mark(changed, "heads_touch", size, plainness, (*still, leaning[0]))


def ring_closed(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Mem's base drawn out to its nose, pe's drop to its wall; size = length of the contact in q.

    Below 1/3 it comes near without touching: size 0.
    """
    mem = glyph.letter == "מ"
    mover, still = ("base", "leg_left") if mem else ("drop", "wall" if glyph.has("wall") else "leg")
    part = glyph.part(mover)
    y = np.linspace(float(part.outline[:, 1].min()) + 0.02, float(part.outline[:, 1].max()), 24)
    names = ((still,), (mover,)) if mem else ((mover,), (still,))
    overlap = (
        grade_size(plainness, 0, 0.03, 0.1, 0.25)
        if plainness >= DOUBTFUL_PLAINNESS
        else -_NEAR_CONTACT_GAP_Q
    )
    changed = glyph
    if not mem and rng.random() < 0.5:
        return _bridge_drop(glyph, rng, plainness)
    for _ in range(3):
        gap = _gaps_between(changed, *names, y)
        if np.isnan(gap).all():
            return None
        shift = (float(np.nanmin(gap)) + overlap) * min(1.0, plainness / DOUBTFUL_PLAINNESS)
        if shift < 0.005:
            break
        changed = changed.with_parts([_draw_out(changed.part(mover), -shift if mem else shift)])
    fine = np.linspace(float(y[0]), float(y[-1]), 97)
    size = _contact_length(_gaps_between(changed, *names, fine), fine)
    if (size > 0) != (plainness >= DOUBTFUL_PLAINNESS):
        return None
    # Closed below, mem is like final mem: Orach Chayim 32:18.
    changed = mark_doubtful(changed, "ם" if mem else None, plainness)
    return add_mark(changed, "ring_closed", size, plainness, (mover, still))


def _bridge_drop(glyph: Glyph, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Ink run from pe's drop to its wall, its base or its roof; size = the bridge's width."""
    drop = glyph.part("drop").outline
    frame = [p.outline for p in glyph.parts if p.name not in ("drop", "joint")]
    right = drop[int(drop[:, 0].argmax())] - (0.1, 0.0)
    foot = drop[int(drop[:, 1].argmax())] - (0.0, 0.1)
    ways = [(right, (1.0, 0.0))]
    if glyph.has("base"):
        ways.append((foot, (0.0, 1.0)))
    start, way = ways[draw_index(rng, len(ways))]
    hits = Region(frame).along(start, np.array(way))
    hits = hits[hits > 0.1]
    if not len(hits) or hits[0] > 1.8:
        return None
    width = grade_size(plainness, 0.05, 0.055, 0.16, 0.42) * float(rng.uniform(0.85, 1.15))
    far, aside = float(hits[0]) + 0.12, rng.uniform(-0.05, 0.05, 2)
    if plainness < DOUBTFUL_PLAINNESS:
        # A spur toward it, which does not reach.
        far = max(0.1, float(hits[0]) - _NEAR_CONTACT_GAP_Q) * plainness / DOUBTFUL_PLAINNESS
    end = start + np.array(way) * far + aside
    bridged = glyph.with_parts([Part("bridge", "joint", bar_outline(start, end, width))])
    width = width if plainness >= DOUBTFUL_PLAINNESS else 0.0
    return add_mark(bridged, "ring_closed", width, plainness, ("drop",))


def _draw_out(part: Part, shift: float) -> Part:
    """The part with its left end (right, if positive) moved by `shift` q, the rest following."""
    x = part.outline[:, 0]
    end, reach = (x.min(), 1.2) if shift < 0 else (x.max(), 0.8)
    share = np.clip(1.0 - np.abs(x - end) / reach, 0.0, 1.0)
    return replace(part, outline=part.outline + np.stack([shift * share, 0 * x], axis=1))


def _gaps_between(glyph: Glyph, left: tuple[str, ...], right: tuple[str, ...], y: Floats) -> Floats:
    """Gap in q at each height between a group and the one to its right; nan where one is absent."""
    _x, near = Region(part_outlines(glyph, *left)).spans(y)
    far, _x = Region(part_outlines(glyph, *right)).spans(y)
    return far - near


def _contact_length(gap: Floats, y: Floats) -> float:
    """Length in q over which the gap is closed."""
    return float((np.nan_to_num(gap, nan=1.0) <= 0).mean() * (y[-1] - y[0]))


INNER_CONTACTS: DefectFamily = {
    "heads_touch": RegisteredDefect("".join(LEANING_HEADS), heads_touch),
    "ring_closed": RegisteredDefect("מפף", ring_closed),
}


def leg_touches_roof(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The left leg raised to the roof, or bridged to it; size = width of the contact in q.

    Below 1/3 the leg comes near without touching: size 0.
    """
    leg, roof = glyph.part("leg_left"), glyph.part("roof")
    head = leg.outline[leg.outline[:, 1] < leg.outline[:, 1].min() + 0.1]
    x, top = float(head[:, 0].mean()), float(head[:, 1].min())
    hits = Region([roof.outline]).along(np.array([x, 0.0]), np.array([0.0, 1.0]))
    if len(hits) < 2 or top <= hits[-1]:
        return None
    under = float(hits[-1])
    if plainness < DOUBTFUL_PLAINNESS:
        rise = grade_size(
            plainness, 0.0, max(0.0, _gap_above(leg, roof) - _NEAR_CONTACT_GAP_Q), 0, 0
        )
        return add_mark(
            glyph.with_parts([_raise_leg(leg, rise)]), "leg_touches_roof", 0.0, plainness
        )
    names = ("roof", "leg_left")
    # Fused along its whole thickness it would be a plain chet's or tav's leg: another letter.
    wide = _width_below(leg, top)
    most, share = (
        min(_MAX_CONTACT_WIDTH_Q, max(_MAX_CONTACT_SHARE * wide, _MIN_CONTACT_WIDTH_Q)),
        grade_size(plainness, 0, 0.1, 0.16, 0.22),
    )
    # A leg begun too high touches with its tip; what touches widely is a bridge of ink, with its
    # corners, for a leg that widens softly from the roof is a plain chet's.
    if rng.random() < _RAISED_LEG_SHARE:
        rise = top - under + grade_size(plainness, 0, 0.015, 0.08, 0.35)
        least = grade_size(plainness, 0, 0.02, 0.1, 0.12)
        raised = _narrow_leg(_raise_leg(leg, rise), under, max(share * wide, 1.1 * least))
        left, right = Region([raised.outline]).spans(np.array([under]))
        width = float(np.nan_to_num(right - left)[0])
        if width > least:
            touched = glyph.with_parts([raised])
            touched = _mark_like_chet(touched, width)
            return add_mark(touched, "leg_touches_roof", width, plainness, names)
    width = min(grade_size(plainness, 0, 0.035, 0.13, 0.38) * float(rng.uniform(0.75, 1.15)), most)
    if rng.random() < _FUSED_LEG_SHARE:
        width = max(width, grade_size(plainness, 0, 0.035, 0.2, 0.95) * wide)
    skew = float(rng.uniform(-0.08, 0.08))
    edge, _right = Region([roof.outline]).spans(np.array([under - 0.15]))
    root = max(x + skew, float(edge[0]) + width / 2 + 0.06)
    start, end = np.array([root, under - 0.15]), np.array([_middle_below(leg, top), top + 0.25])
    thickness = width * float(end[1] - start[1]) / float(np.hypot(*(end - start)))
    bridge = Part("bridge", "joint", bar_outline(start, end, thickness))
    touched = _mark_like_chet(glyph.with_parts([bridge]), width)
    return add_mark(touched, "leg_touches_roof", width, plainness, names)


def _mark_like_chet(glyph: Glyph, width: float) -> Glyph:
    """A contact by a hair leaves a he; the wider it is the more it is a chet (Mishnat Sofrim)."""
    if glyph.letter != "ה" or width <= _HAIR_CONTACT_Q or glyph.share > 0.0:
        return glyph
    share = 0.5 * min(1.0, (width - _HAIR_CONTACT_Q) / (_CHET_CONTACT_Q - _HAIR_CONTACT_Q))
    return replace(glyph, other="ח", share=share)


def _raise_leg(leg: Part, rise: float) -> Part:
    """The leg drawn upward by `rise` q at its top, its lower end unmoved."""
    y = leg.outline[:, 1]
    share = (y.max() - y) / (y.max() - y.min() + 1e-9)
    return replace(leg, outline=leg.outline - np.stack([0 * y, rise * share], axis=1))


def _gap_above(leg: Part, roof: Part) -> float:
    """Least height of the gap between any point of the leg's upper end and the roof."""
    region, y = Region([roof.outline]), leg.outline[:, 1]
    room = 9.0
    for point in leg.outline[y < y.min() + 0.5]:
        hits = region.along(np.array([point[0], 0.0]), np.array([0.0, 1.0]))
        if len(hits):
            room = min(room, float(point[1] - hits[-1]))
    return room


def _middle_below(leg: Part, top: float) -> float:
    """x of the middle of the leg 0.25 q below its top."""
    left, right = Region([leg.outline]).spans(np.array([top + 0.25]))
    return float((left + right)[0]) / 2


def _width_below(leg: Part, top: float) -> float:
    """How wide the leg is 0.25 q below its top."""
    left, right = Region([leg.outline]).spans(np.array([top + 0.25]))
    return float(np.nan_to_num(right - left)[0])


def _narrow_leg(leg: Part, under: float, width: float) -> Part:
    """The leg brought to at most `width` where it meets the roof at y = `under`, its full width
    from 0.35 q below."""
    region = Region([leg.outline])
    left, right = region.spans(np.array([under + 0.02]))
    if np.isnan(left).any() or right[0] - left[0] <= width:
        return leg
    x, y = leg.outline[:, 0], leg.outline[:, 1]
    middle = float(left[0] + right[0]) / 2
    factor = 1 - (1 - width / float(right[0] - left[0])) * np.clip((under + 0.35 - y) / 0.33, 0, 1)
    return replace(leg, outline=np.stack([middle + (x - middle) * factor, y], axis=1))


LEG_CONTACTS: DefectFamily = {"leg_touches_roof": RegisteredDefect("הק", leg_touches_roof)}
