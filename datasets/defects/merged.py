"""Tags of one crown that touch: they must read as separate strokes (Mishnah Berurah 36:13; Keset
HaSofer 5:4)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import DOUBTFUL, Entry, Family, graded, marked, pick
from crownlet.datasets.letterforms.glyph import Glyph, Part
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats, Region
from crownlet.datasets.letterforms.tags import THREE_TAGGED

_SUNK = 0.11
"""Length in q from the end of a tag's root to where it surely stands free of the letter."""


def tag_merged(
    glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float
) -> Glyph | None:
    """Neighbouring tags touch at their heads, sides or roots; size = length of the contact in q.

    Below 1/3 they come near without touching: size 0.
    """
    tags = glyph.of_kind("tag")
    if len(tags) < 2:
        return None
    first = pick(rng, len(tags) - 1)
    fixed, moving = tags[first], tags[first + 1]
    if rng.random() < 0.5:
        fixed, moving = moving, fixed
    near = plainness < DOUBTFUL
    overlap = -0.1 if near else graded(plainness, 0, 0.012, 0.05, 0.16)
    share = plainness / DOUBTFUL if near else 1.0
    low = rng.random() < 0.3
    brought = _brought(fixed, moving, overlap, low, share)
    if brought is None:
        return None
    changed, size = [brought], _contact(fixed, brought)
    if len(tags) == 3 and rng.random() < 0.35:
        other = next(tag for tag in tags if tag not in (fixed, moving))
        middle = brought if moving is tags[1] else fixed
        third = _brought(middle, other, overlap, low, share)
        if third is not None:
            changed.append(third)
            size = max(size, _contact(middle, third))
    if (size > 0) != (plainness >= DOUBTFUL):
        return None
    names = tuple(sorted({fixed.name, *(part.name for part in changed)}))
    return marked(glyph.with_parts(changed), "tag_merged", size, plainness, names)


def _white(a: Part, b: Part, count: int = 33) -> tuple[Floats, Floats]:
    """Heights (y, from below up) at which both tags stand, and the white between them there."""
    if a.outline[:, 0].mean() > b.outline[:, 0].mean():
        a, b = b, a
    top = max(float(a.outline[:, 1].min()), float(b.outline[:, 1].min())) + 1e-3
    # Not within the ink of the letter, in which the roots are sunk.
    root = min(float(a.outline[:, 1].max()), float(b.outline[:, 1].max())) - _SUNK
    y = np.linspace(root, top, count)
    _left, right = Region([a.outline]).spans(y)
    left, _right = Region([b.outline]).spans(y)
    return y, np.nan_to_num(left - right, nan=9.0)


def _contact(a: Part, b: Part) -> float:
    """Length along which two tags touch, in q."""
    y, white = _white(a, b, 97)
    return float((white <= 0).mean() * (y[0] - y[-1]))


def _brought(fixed: Part, moving: Part, overlap: float, low: bool, share: float) -> Part | None:
    """`moving` leaned, or moved at its root, until it overlaps `fixed` by `overlap` q.

    It goes only a `share` of that way.
    """
    y, white = _white(fixed, moving)
    root, top = float(moving.outline[:, 1].max()), float(y[-1])
    if root - top < 0.2:
        return None
    height = (root - y) / (root - top)
    # How much of a shift at the tip (or at the root) arrives at each height.
    arrives = np.clip(1.0 - height, 0.0, 1.0) if low else height
    zone = arrives > 0.2
    if not zone.any():  # the other tag stands wholly above what can be moved
        return None
    shift = share * max(0.0, float(((white + overlap)[zone] / arrives[zone]).min()))
    side = 1.0 if fixed.outline[:, 0].mean() > moving.outline[:, 0].mean() else -1.0
    level = (root - moving.outline[:, 1]) / (root - top)
    move = side * shift * (np.clip(1.0 - level, 0.0, 1.0) if low else np.clip(level, 0.0, 1.3))
    return replace(moving, outline=moving.outline + np.stack([move, 0 * move], axis=1))


FAMILY: Family = {"tag_merged": Entry(THREE_TAGGED + "ל", tag_merged)}
