"""What the families of defects share: how plainness becomes a size, and how a glyph is marked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.render.letterforms.glyph import Glyph, copy_with
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.pen import Floats

DOUBTFUL_PLAINNESS, PLAIN_PLAINNESS = 1 / 3, 2 / 3
"""Plainness from which a defect may be seen, and from which every reader sees it."""

Operation = Callable[[Glyph, Hand, np.random.Generator, float], Glyph | None]
"""(glyph, hand, rng, plainness) to the glyph with its mark, or None where it cannot apply."""


@dataclass(frozen=True)
class RegisteredDefect:
    """An operation and the letters to which it may apply."""

    letters: str
    operation: Operation


DefectFamily = Mapping[str, RegisteredDefect]


def grade_size(plainness: float, none: float, doubtful: float, plain: float, full: float) -> float:
    """The size at this plainness, linear between the sizes at 0, 1/3, 2/3 and 1."""
    return float(
        np.interp(
            plainness,
            (0.0, DOUBTFUL_PLAINNESS, PLAIN_PLAINNESS, 1.0),
            (none, doubtful, plain, full),
        )
    )


def add_mark(
    glyph: Glyph, name: str, size: float, plainness: float, parts: tuple[str, ...] = ()
) -> Glyph:
    """The glyph with one more mark."""
    mark = DefectMark(name, float(size), float(plainness), parts)
    return copy_with(glyph, defects=(*glyph.defects, mark))


def mark_doubtful(glyph: Glyph, other: str | None, plainness: float, most: float = 0.5) -> Glyph:
    """The glyph marked likely to be read as `other`: the plainer the more, `most` at plainness 1.

    Below 1/3 it is not; a glyph that lies between two letters already stays as it is.
    """
    share = grade_size(plainness, 0.0, 0.0, 0.4, 1.0) * most
    if other is None or share <= 0.0 or glyph.share > 0.0:
        return glyph
    return copy_with(glyph, other=other, share=share)


def remove_marks(glyph: Glyph, name: str) -> Glyph:
    """The glyph without marks of this name."""
    return copy_with(glyph, defects=tuple(mark for mark in glyph.defects if mark.name != name))


def part_outlines(glyph: Glyph, *names: str) -> list[Outline]:
    """Outlines of the parts called so, of those that the glyph has."""
    return [part.outline for part in glyph.parts if part.name in names]


def other_outlines(glyph: Glyph, *names: str) -> list[Outline]:
    """Outlines of all other parts."""
    return [part.outline for part in glyph.parts if part.name not in names]


def bar_outline(start: Floats, end: Floats, width: float) -> Outline:
    """A straight stroke of even width between two points."""
    along = end - start
    across = np.array([-along[1], along[0]]) * (width / 2 / (float(np.hypot(*along)) + 1e-9))
    return np.array([start + across, end + across, end - across, start - across])


def draw_index(rng: np.random.Generator, count: int) -> int:
    """A number from 0 to count - 1 (quicker than `choice`)."""
    return int(rng.random() * count)
