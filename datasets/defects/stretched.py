"""Letters drawn wider than the others of their kind (Yoreh De'ah 273:3; Keset HaSofer 5:2)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import DOUBTFUL, PLAIN, Entry, Family, doubted, graded, marked
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats, Region

_RATIOS = (1.0, 1.2, 1.5, 2.6)
"""Width against the usual one at plainness 0, 1/3, 2/3 and 1. Hands are uneven by a twentieth;
from half as wide again on the brief calls a letter stretched (4.3, F14)."""
LIKE = {"ך": "ר", "ו": "ר", "נ": "כ"}
"""What a wide roof or head makes of a letter (Mishnat Sofrim on final kaf, vav and nun)."""
_TALL = 1.5
"""Where the ink stands higher than this in q there is a stem, which keeps its thickness."""


def overstretched(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """The letter drawn out, its stems and tags as thick as before; size = new width over old."""
    if any(mark.name == "overstretched" for mark in glyph.defects):
        return None
    ratio = graded(plainness, *_RATIOS)
    if ratio == 1.0:
        return marked(glyph, "overstretched", 1.0, 0.0)
    x0, x1 = _width(glyph)
    place, moved = _stretching(glyph, x0, x1, (x1 - x0) * (ratio - 1.0))

    def drawn_out(part: Part) -> Part:
        x = part.outline[:, 0]
        if part.kind in ("tag", "kotz"):
            middle = float(x.min() + x.max()) / 2
            return part.moved(float(np.interp(middle, place, moved)) - middle, 0.0)
        return part.mapped(lambda outline: _mapped(outline, place, moved))

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
        cuts=tuple(_mapped(cut, place, moved) for cut in glyph.cuts),
        advance=glyph.advance + (x1 - x0) * (ratio - 1.0),
        crown=crown,
        stretch=span,
    )
    wide = doubted(wide, LIKE.get(glyph.letter), plainness)
    return marked(wide, "overstretched", ratio, plainness)


def noted(glyph: Glyph, extra: float) -> Glyph:
    """A letter which `build` lengthened by `extra` q, marked as wide as it is."""
    x0, x1 = _width(glyph)
    ratio = (x1 - x0) / max(x1 - x0 - extra, 0.3)
    plainness = float(np.interp(ratio, _RATIOS, (0.0, DOUBTFUL, PLAIN, 1.0)))
    return marked(glyph, "overstretched", ratio, plainness) if extra > 0 else glyph


def _width(glyph: Glyph) -> tuple[float, float]:
    """Leftmost and rightmost ink of the body, without tags and kotz."""
    body = np.concatenate([p.outline for p in glyph.parts if p.kind not in ("tag", "kotz")])
    return float(body[:, 0].min()), float(body[:, 0].max())


def _stretching(glyph: Glyph, x0: float, x1: float, extra: float) -> tuple[Floats, Floats]:
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
        gives = np.clip((_TALL - tall) / 0.4, 0.12, 1.0)
    gives = gives if gives.any() else np.ones(len(edges) - 1)
    grown = np.concatenate([[0.0], np.cumsum(gives / gives.sum())]) * extra
    return edges, edges + grown


def _mapped(outline: Floats, place: Floats, moved: Floats) -> Floats:
    """The outline with each x at `place` taken to `moved`."""
    x = outline[:, 0]
    # Beyond the ends everything moves with them.
    there = np.interp(x, place, moved) + np.minimum(x - place[0], 0) + np.maximum(x - place[-1], 0)
    return np.stack([there, outline[:, 1]], axis=1)


FAMILY: Family = {
    "overstretched": Entry("".join(chr(c) for c in range(0x5D0, 0x5EB)), overstretched)
}
