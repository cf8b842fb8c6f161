"""More tags than the rule: they do no harm while attached, but change a vav or yud easily
(Mishnah Berurah 36:13-14)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import Entry, Family, graded, marked, pick
from crownlet.datasets.letterforms.glyph import Crown, Glyph
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Region
from crownlet.datasets.letterforms.tags import crown_letter, rails

_TOPS = ("head", "head_left", "yud_upper", "roof", "body")
_MOST = 5
_COUNTS = 0.5
"""Plainness below which a point is no stroke yet."""


def tag_excess(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Further tags beside the expected ones, or tags on a letter of none; size = how many.

    Below a half they are no more than points, which do not count as tags.
    """
    if plainness == 0.0:
        return marked(glyph, "tag_excess", 0.0, 0.0)
    seat = glyph.crown or seat_of(glyph)
    extra = 1 + pick(rng, 2)
    if seat is None or glyph.tags + extra > _MOST:
        return None
    old = tuple(tag.name for tag in glyph.of_kind("tag"))
    bare = replace(
        glyph.without(*old), tags=0, defects=(), crown=_widened(glyph, seat, glyph.tags + extra)
    )
    crowned = crown_letter(bare, hand, rng, glyph.tags + extra)
    tags = crowned.of_kind("tag")
    added = tags[:extra] if rng.random() < 0.5 else tags[-extra:]
    if plainness < 1.0:
        share = graded(plainness, 0.02, 0.12, 0.6, 1.0)
        short = []
        for part in added:
            left, right = rails(part.outline)
            root = (left[0] + right[0]) / 2
            kind = "kotz" if plainness < _COUNTS else part.kind
            outline = root + (part.outline - root) * (max(share, 0.6), share)
            short.append(replace(part, outline=outline, kind=kind))
        crowned = crowned.with_parts(short)
    counted = extra if plainness >= _COUNTS else 0
    crowned = replace(crowned, crown=glyph.crown, tags=glyph.tags + counted, defects=glyph.defects)
    names = tuple(part.name for part in added)
    return marked(crowned, "tag_excess", extra, plainness, names)


def _widened(glyph: Glyph, seat: Crown, count: int) -> Crown:
    """The seat with room for so many tags, still over the head or roof that carries it."""
    tops = [part.outline for part in glyph.parts if part.name in _TOPS]
    carrier = min(tops, key=lambda top: abs(float(top[:, 1].min()) - seat.y))
    x0, x1 = float(carrier[:, 0].min()) + 0.12, float(carrier[:, 0].max()) - 0.12
    half = min(max((seat.x1 - seat.x0) / 2, 0.13 * count), (x1 - x0) / 2)
    middle = min(max((seat.x0 + seat.x1) / 2, x0 + half), x1 - half)
    return replace(seat, x0=middle - half, x1=middle + half)


def seat_of(glyph: Glyph) -> Crown | None:
    """A seat on the head or roof of a letter that takes no tags."""
    for name in _TOPS:
        if glyph.has(name):
            outline = glyph.part(name).outline
            x0, x1 = float(outline[:, 0].min()), float(outline[:, 0].max())
            start, end = x0 + 0.2, min(x1 - 0.2, x0 + 0.9)
            top = Region([outline]).tops(np.array([(start + end) / 2]))
            return Crown(start, end, float(top[0]))
    return None


FAMILY: Family = {"tag_excess": Entry("".join(chr(c) for c in range(0x5D0, 0x5EB)), tag_excess)}
