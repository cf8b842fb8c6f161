"""Defects of form: feet of a gimel on one level, missing heels and kotzim, leg length, width.

Legs become too short or too long by moving their ends (Mishnat Sofrim under each letter). Letters
become wider than the others of their kind (Yoreh De'ah 273:3; Keset HaSofer 5:2).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.render.defects.common import (
    DOUBTFUL_PLAINNESS,
    PLAIN_PLAINNESS,
    DefectFamily,
    RegisteredDefect,
    add_mark,
    draw_index,
    grade_size,
    mark_doubtful,
    other_outlines,
)
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import Region
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.render.letterforms.tags import rails

SHORTENED_LEGS: dict[str, tuple[str, ...]] = {
    "ד": ("leg",), "ה": ("leg", "leg_left"), "ו": ("leg",), "ז": ("leg",), "י": ("leg",),
    "ך": ("leg",), "ן": ("leg",), "ף": ("leg",), "ץ": ("leg",), "ק": ("leg_left",),
    "ר": ("leg",), "ת": ("leg_left",),
}  # fmt: skip

_MIN_LEG_Q = {"י": 0.08}
"""Of a leg at least 0.3 q stay visible under its head or roof; of a yud's, less."""

_MIN_LEG_END_Q = {"ו": 2.1, "ן": 3.5, "ך": 3.4}
"""y in q at which these end at the least: shorter they are yud, zayin and resh outright, and a
yud, a zayin and a resh written for another letter is `letter_swapped`."""

_MAX_LENGTHENING_Q = {"י": 0.9, "ו": 0.9, "ז": 0.9, "ד": 1.3, "ר": 1.3}
"""Most, in q, by which these are too long: a final nun has at least 4 q, and with a leg of almost
twice its roof a letter is a final kaf outright (Mishnat Sofrim)."""

SHORT_LEG_LOOKALIKES = {"וleg": "י", "ןleg": "ז", "ךleg": "ר", "הleg_left": "ד", "קleg_left": "ה",
              "תleg_left": "ף", "ףleg": "פ", "ץleg": "צ"}  # fmt: skip
"""What a short leg makes of a letter: Mishnat Sofrim on vav, final nun, final kaf, he, kuf, tav,
final pe, final tsadi; Menachot 29b."""

LONG_LEG_LOOKALIKES = {"י": "ו", "ו": "ן", "ז": "ן", "ד": "ך", "ר": "ך"}
"""What a long one makes of it: Mishnat Sofrim under each; Mishnah Berurah 32:72."""

_STRETCH_RATIOS = (1.0, 1.2, 1.5, 2.6)
"""Width against the usual one at plainness 0, 1/3, 2/3 and 1. Hands are uneven by a twentieth;
from 1.5 on a letter counts as stretched (common practice, no source)."""

WIDE_LOOKALIKES = {"ך": "ר", "ו": "ר", "נ": "כ"}
"""What a wide roof or head makes of a letter (Mishnat Sofrim on final kaf, vav and nun)."""

_STEM_HEIGHT_Q = 1.5
"""Where the ink stands higher than this in q there is a stem, which keeps its thickness."""


def foot_level(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Gimel's right foot not lower than its left (Mishnat Sofrim, gimel).

    Size = by how much the right foot ends higher, against the left one, than it was drawn, in q.
    Below 1/3 it is still the lower one; at 2/3 both end level, above that the right one is higher.
    """
    leg, foot = glyph.part("leg"), glyph.part("foot")
    lower = float(leg.outline[:, 1].max() - foot.outline[:, 1].max())
    if lower <= 0.0:
        return None
    wanted = grade_size(plainness, lower, min(lower, 0.09), -0.05, -0.34)
    change = lower - wanted
    by_leg = float(rng.uniform(0.35, 0.9))
    shorter = _lift_end(leg, by_leg * change, float(foot.outline[:, 1].min()))
    dropped = _drop_end(foot, (1.0 - by_leg) * change)
    changed = glyph.with_parts([shorter, dropped])
    end = float(shorter.outline[:, 1].max() - dropped.outline[:, 1].max())
    return add_mark(changed, "foot_level", lower - end, plainness, ("leg", "foot"))


def _lift_end(part: Part, rise: float, above: float) -> Part:
    """The part with its lower end drawn up by `rise`, unchanged above height `above`."""
    y = part.outline[:, 1]
    share = np.clip((y - above) / (y.max() - above + 1e-9), 0.0, 1.0)
    return replace(part, outline=part.outline - np.stack([0 * y, rise * share], axis=1))


def _drop_end(part: Part, fall: float) -> Part:
    """The part with its left end lowered by `fall`, its right end unmoved."""
    x = part.outline[:, 0]
    share = np.clip((x.max() - x) / (np.ptp(x) * 0.8 + 1e-9), 0.0, 1.0)
    return replace(part, outline=part.outline + np.stack([0 * x, fall * share], axis=1))


def heel_missing(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The heel behind the corner left out, the corner staying sharp (Mishnat Sofrim, bet, dalet).

    Size = the length of heel that is missing, in q.
    """
    if not glyph.has("heel"):
        return None
    low = glyph.letter == "ב"
    heel = glyph.part("heel")
    edge = _edge_beside(glyph, "wall" if low else "roof", low)
    before = float(heel.outline[:, 0].max())
    if before - edge < 0.08:
        return None
    keep = 1.0 - grade_size(plainness, 0.0, 0.3, 0.9, 1.0)
    changed = [_shorten_heel(heel, edge, keep)]
    if low:
        changed.append(_shorten_heel(glyph.part("base"), edge, keep))
    after = max(float(part.outline[:, 0].max()) for part in changed)
    return add_mark(
        glyph.with_parts(changed), "heel_missing", max(0.0, before - after), plainness, ("heel",)
    )


def _edge_beside(glyph: Glyph, name: str, low: bool) -> float:
    """x of the limb's right edge beside the heel."""
    outline = glyph.part(name).outline
    beside = outline[outline[:, 1] > 1.2] if low else outline[outline[:, 1] < 1.2]
    return float(beside[:, 0].max())


def _shorten_heel(part: Part, edge: float, keep: float) -> Part:
    """The part with what passes `edge` to the right shortened to the share `keep`."""
    x = part.outline[:, 0]
    moved = np.where(x > edge, edge + (x - edge) * keep, x)
    return replace(part, outline=np.stack([moved, part.outline[:, 1]], axis=1))


def kotz_missing(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The lower left point of the yud left out (Mishnat Sofrim, yud; Mishnah Berurah 32:15).

    Size = the length of the point that is missing, in q.
    """
    if not glyph.has("kotz"):
        return None
    kotz = glyph.part("kotz")
    body = Region(other_outlines(glyph, "kotz"))
    before = float(body.clearance(kotz.outline).max())
    if before <= 0.02:
        return None
    if plainness == 1.0:
        return add_mark(glyph.without("kotz"), "kotz_missing", before, plainness, ("kotz",))
    left, right = rails(kotz.outline)
    inward = left[0] + right[0] - left[-1] - right[-1]
    inward /= float(np.hypot(*inward)) + 1e-9
    sunk = grade_size(plainness, 0.0, 0.3, 0.9, 1.0) * before
    short = replace(kotz, outline=kotz.outline + sunk * inward)
    after = max(0.0, float(body.clearance(short.outline).max()))
    return add_mark(glyph.with_parts([short]), "kotz_missing", before - after, plainness, ("kotz",))


MISSING_PARTS: DefectFamily = {
    "foot_level": RegisteredDefect("ג", foot_level),
    "heel_missing": RegisteredDefect("בד", heel_missing),
    "kotz_missing": RegisteredDefect("י", kotz_missing),
}


def leg_short(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """A leg shortened from its end; size = the length that is missing, in q."""
    names = [name for name in SHORTENED_LEGS[glyph.letter] if glyph.has(name)]
    if not names:
        return None
    leg = glyph.part(names[draw_index(rng, len(names))])
    above, end = _fixed_height(glyph, leg), float(leg.outline[:, 1].max())
    room = end - max(
        above + _MIN_LEG_Q.get(glyph.letter, 0.3), _MIN_LEG_END_Q.get(glyph.letter, 0.0)
    )
    if room < 0.25:
        return None
    missing = grade_size(plainness, 0.0, 0.12 * room, 0.55 * room, room)
    changed = [_move_leg_end(leg, above, -missing)]
    if glyph.letter == "ת" and glyph.has("foot"):
        changed.append(glyph.part("foot").moved(0.0, -missing))
    spoilt = mark_doubtful(
        glyph.with_parts(changed), SHORT_LEG_LOOKALIKES.get(glyph.letter + leg.name), plainness
    )
    return add_mark(spoilt, "leg_short", missing, plainness, (leg.name,))


def leg_long(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """A leg lengthened from its end; size = the length too much, in q."""
    leg = glyph.part("leg")
    most = _MAX_LENGTHENING_Q[glyph.letter]
    excess = grade_size(plainness, 0.0, 0.15 * most, 0.5 * most, most)
    longer = glyph.with_parts([_move_leg_end(leg, _fixed_height(glyph, leg), excess)])
    longer = mark_doubtful(longer, LONG_LEG_LOOKALIKES[glyph.letter], plainness)
    return add_mark(longer, "leg_long", excess, plainness, (leg.name,))


def _fixed_height(glyph: Glyph, leg: Part) -> float:
    """Height above which the leg stays as it is: where it comes out of its head or roof."""
    top = float(leg.outline[:, 1].min())
    others = [p for p in glyph.parts if p.kind in ("head", "roof", "joint")]
    if leg.name == "leg_left" and glyph.letter in "הק":
        return top + 0.3
    low = [float(p.outline[:, 1].max()) for p in others]
    return min(max(low, default=top), float(leg.outline[:, 1].max()) - 0.1)


def _move_leg_end(leg: Part, above: float, shift: float) -> Part:
    """The leg with its end moved down by `shift` q, unchanged above height `above`."""
    y = leg.outline[:, 1]
    length = float(y.max()) - above
    moved = np.where(y > above, above + (y - above) * (length + shift) / length, y)
    return replace(leg, outline=np.stack([leg.outline[:, 0], moved], axis=1))


LEG_LENGTHS: DefectFamily = {
    "leg_short": RegisteredDefect("".join(SHORTENED_LEGS), leg_short),
    "leg_long": RegisteredDefect("".join(LONG_LEG_LOOKALIKES), leg_long),
}


def overstretched(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The letter drawn out, its stems and tags as thick as before; size = new width over old."""
    if any(mark.name == "overstretched" for mark in glyph.defects):
        return None
    ratio = grade_size(plainness, *_STRETCH_RATIOS)
    if ratio == 1.0:
        return add_mark(glyph, "overstretched", 1.0, 0.0)
    x0, x1 = _body_edges(glyph)
    place, moved = _stretch_map(glyph, x0, x1, (x1 - x0) * (ratio - 1.0))

    def drawn_out(part: Part) -> Part:
        x = part.outline[:, 0]
        if part.kind in ("tag", "kotz"):
            middle = float(x.min() + x.max()) / 2
            return part.moved(float(np.interp(middle, place, moved)) - middle, 0.0)
        return part.mapped(lambda outline: _map_outline(outline, place, moved))

    crown, span = glyph.crown, glyph.stretch
    if crown is not None:
        ends = np.interp((crown.x0, crown.x1), place, moved)
        half, middle = (crown.x1 - crown.x0) / 2, float(ends.mean())
        crown = replace(crown, x0=middle - half, x1=middle + half)
    if span is not None:
        left, right = (float(v) for v in np.interp(span, place, moved))
        span = left, right
    wide = replace(
        glyph,
        parts=tuple(drawn_out(part) for part in glyph.parts),
        cuts=tuple(_map_outline(cut, place, moved) for cut in glyph.cuts),
        advance=glyph.advance + (x1 - x0) * (ratio - 1.0),
        crown=crown,
        stretch=span,
    )
    wide = mark_doubtful(wide, WIDE_LOOKALIKES.get(glyph.letter), plainness)
    return add_mark(wide, "overstretched", ratio, plainness)


def mark_stretched(glyph: Glyph, extra: float) -> Glyph:
    """A letter which `build_letter` lengthened by `extra` q, marked as wide as it is."""
    x0, x1 = _body_edges(glyph)
    ratio = (x1 - x0) / max(x1 - x0 - extra, 0.3)
    plainness = float(
        np.interp(ratio, _STRETCH_RATIOS, (0.0, DOUBTFUL_PLAINNESS, PLAIN_PLAINNESS, 1.0))
    )
    return add_mark(glyph, "overstretched", ratio, plainness) if extra > 0 else glyph


def _body_edges(glyph: Glyph) -> tuple[float, float]:
    """Leftmost and rightmost ink of the body, without tags and kotz."""
    body = np.concatenate([p.outline for p in glyph.parts if p.kind not in ("tag", "kotz")])
    return float(body[:, 0].min()), float(body[:, 0].max())


def _stretch_map(glyph: Glyph, x0: float, x1: float, extra: float) -> tuple[Floats, Floats]:
    """Places x and where they go: what grows is the lying strokes, not the stems."""
    edges = np.linspace(x0, x1, 17)
    if glyph.stretch is not None and glyph.stretch[1] - glyph.stretch[0] > 0.3:
        inside = (edges[:-1] >= glyph.stretch[0]) & (edges[1:] <= glyph.stretch[1])
        gives = inside.astype(np.float64)
    else:
        body = Region([p.outline for p in glyph.parts if p.kind not in ("tag", "kotz")])
        y = np.linspace(-0.3, 4.3, 20)
        x = np.repeat((edges[:-1] + edges[1:]) / 2, len(y))
        inked = body.contains(np.stack([x, np.tile(y, len(edges) - 1)], axis=1))
        tall = inked.reshape(-1, len(y)).sum(axis=1) * (y[1] - y[0])
        # A slant passes every column: a little is given everywhere, or alef would not widen.
        gives = np.clip((_STEM_HEIGHT_Q - tall) / 0.4, 0.12, 1.0)
    gives = gives if gives.any() else np.ones(len(edges) - 1)
    grown = np.concatenate([[0.0], np.cumsum(gives / gives.sum())]) * extra
    return edges, edges + grown


def _map_outline(outline: Floats, place: Floats, moved: Floats) -> Floats:
    """The outline with each x at `place` taken to `moved`."""
    x = outline[:, 0]
    # Beyond the ends everything moves with them.
    there = np.interp(x, place, moved) + np.minimum(x - place[0], 0) + np.maximum(x - place[-1], 0)
    return np.stack([there, outline[:, 1]], axis=1)


WIDENED_LETTERS: DefectFamily = {
    "overstretched": RegisteredDefect("".join(chr(c) for c in range(0x5D0, 0x5EB)), overstretched)
}
