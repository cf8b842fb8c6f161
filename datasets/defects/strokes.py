"""White across a stroke: a stroke broken, a ring opened.

A stroke that is only thin is not broken (Mishnah Berurah 32:36, 41): below 1/3 the crack does not
go through. A ring must be closed on all sides, even of a hair's opening (Keset HaSofer 5:3).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import (
    DOUBTFUL,
    Entry,
    Family,
    graded,
    marked,
    outlines_but,
    pick,
)
from crownlet.datasets.letterforms.glyph import Glyph, Outline, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats, Region
from crownlet.datasets.letterforms.tags import rails

BREAKABLE: dict[str, tuple[str, ...]] = {
    "א": ("body",), "ב": ("roof", "wall", "base"), "ג": ("leg",), "ד": ("roof", "leg"),
    "ה": ("roof", "leg", "leg_left"), "ו": ("leg",), "ז": ("leg",),
    "ח": ("leg_right", "leg_left", "roof"), "ט": ("wall", "base", "leg_left"), "י": ("leg",),
    "ך": ("roof", "leg"), "כ": ("roof", "wall", "base"), "ל": ("neck", "roof", "leg"),
    "מ": ("roof", "wall", "base", "leg_left"), "ן": ("leg",), "נ": ("neck", "base"),
    "ע": ("leg", "thigh"), "ף": ("roof", "leg"), "פ": ("roof", "wall", "base"),
    "ץ": ("leg",), "צ": ("neck", "base"), "ק": ("roof", "leg", "leg_left"),
    "ר": ("roof", "leg"), "ש": ("leg", "thigh"), "ת": ("roof", "leg", "leg_left"),
}  # fmt: skip
"""By letter, the strokes that may break; a ring that breaks is `ring_open`."""
_MARGIN = 0.35
"""Least length in q of the shorter piece."""
_BEYOND = 0.1
"""How far a crack runs out into the white on both sides, in q."""


def stroke_broken(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """A crack through a whole stroke; size = width of the white in q (0 while ink still holds)."""
    names = [name for name in BREAKABLE[glyph.letter] if glyph.has(name)]
    for k in rng.permutation(len(names)):
        part = glyph.part(names[int(k)])
        chord = _chord(glyph, part, rng)
        if chord is not None:
            return _cracked(glyph, chord, "stroke_broken", rng, plainness, (part.name,))
    return None


def _chord(glyph: Glyph, part: Part, rng: np.random.Generator) -> tuple[Floats, Floats] | None:
    """The two ends of a way across the part where nothing else lies; None if there is none."""
    left, right = _sides(part)
    axis = (left + right) / 2
    flat = part.kind in ("roof", "base")
    steps = np.diff(axis[:, 0]) if flat else np.hypot(*np.diff(axis, axis=0).T)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    # The crack passes through the edges and ends in the white: all of it must be free.
    out = (right - left) / (np.hypot(*(right - left).T)[:, None] + 1e-9) * _BEYOND
    others = Region(outlines_but(glyph, part.name))
    n = len(axis)
    clear = others.clearance(np.concatenate([left - out, axis, right + out]))
    free = clear.reshape(3, n).min(axis=0) > 0.1
    free &= (run > _MARGIN) & (run < run[-1] - _MARGIN)
    free &= np.hypot(*(right - left).T) > 0.05
    if flat:
        # At a slanted end the crack would leave no more than a crumb.
        thick = np.hypot(*(right - left).T)
        thin = run[thick < 0.8 * np.median(thick)]
        free &= (np.abs(run[:, None] - thin) > _MARGIN).all(axis=1)
    where = np.flatnonzero(free)
    if not len(where):
        return None
    k = int(where[pick(rng, len(where))])
    return left[k], right[k]


def _sides(part: Part) -> tuple[Floats, Floats]:
    """Rails of a stroke; of a roof or base its upper and lower edge at even steps."""
    if part.kind not in ("roof", "base"):
        return rails(part.outline)
    region = Region([part.outline])
    x0, x1 = float(part.outline[:, 0].min()), float(part.outline[:, 0].max())
    upper, lower = [], []
    for x in np.linspace(x0 + 0.02, x1 - 0.02, 12):
        hits = region.along(np.array([x, 0.0]), np.array([0.0, 1.0]))
        if len(hits) >= 2:
            upper.append((x, hits[0]))
            lower.append((x, hits[-1]))
    return np.array(upper), np.array(lower)


def _cracked(
    glyph: Glyph, chord: tuple[Floats, Floats], name: str, rng: np.random.Generator,
    plainness: float, parts: tuple[str, ...],
) -> Glyph:  # fmt: skip
    """The glyph with a jagged band of white along the chord; through it if doubtful or more."""
    start, end = chord
    if rng.random() < 0.5:
        start, end = end, start
    wide = graded(plainness, 0.05, 0.055, 0.15, 0.28) * float(rng.uniform(0.9, 1.1))
    reach = graded(plainness, 0.0, 0.75, 1.0, 1.0) if plainness < DOUBTFUL else 1.0
    along = end - start
    long = float(np.hypot(*along))
    along = along / long
    across = np.array([-along[1], along[0]])
    far = long + _BEYOND if reach == 1.0 else min(reach * long, long - 0.08)
    place = np.linspace(-_BEYOND, max(far, 0.02), 6)
    drift = 0.03 * float(rng.uniform(-1, 1)) * place
    sides = wide / 2 + 0.07 * wide * rng.uniform(-1.0, 1.0, (2, 6))
    middle = start + place[:, None] * along
    upper = middle + (drift + sides[0])[:, None] * across
    lower = middle + (drift - sides[1])[:, None] * across
    cut: Outline = np.concatenate([upper, lower[::-1]])
    wide = float(sides.sum(axis=0)[1:-1].min())
    size = wide if reach == 1.0 else 0.0
    return marked(replace(glyph, cuts=(*glyph.cuts, cut)), name, size, plainness, parts)


def ring_open(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """The ring of samech or final mem opened; size = width of the opening in q (0 while closed)."""
    wall, right = glyph.part("wall_left").outline, glyph.part("wall").outline
    x0, x1 = float(wall[:, 0].max()) + 0.08, float(right[:, 0].min()) - 0.08
    chance = float(rng.random())
    if chance < 0.65:
        # Where the left wall closes the ring, oftenest right under the roof.
        place = 1.1 + 0.95 * float(rng.random()) ** 1.5
        origin, way, name = np.array([x0, place]), np.array([-1.0, 0.0]), "wall_left"
    else:
        x = x0 + (x1 - x0) * float(rng.uniform(0.1, 0.6))
        up = chance > 0.85
        origin, way = np.array([x, 1.5]), np.array([0.0, -1.0 if up else 1.0])
        name = "roof" if up else "base"
    hits = Region([part.outline for part in glyph.parts]).along(origin, way)
    hits = hits[hits > 0]
    if len(hits) < 2:
        return None
    chord = origin + way * hits[0], origin + way * hits[-1]
    return _cracked(glyph, chord, "ring_open", rng, plainness, (name,))


FAMILY: Family = {
    "stroke_broken": Entry("".join(BREAKABLE), stroke_broken),
    "ring_open": Entry("סם", ring_open),
}
