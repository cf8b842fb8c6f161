"""Applies a defect by its name, and lists the defects that a letter can have."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from crownlet.datasets.render.defects import (
    contacts,
    corners,
    crowns,
    cuts,
    ink_loss,
    proportions,
    yuds,
)
from crownlet.datasets.render.defects.common import RegisteredDefect
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import Hand

REGISTRY: dict[str, RegisteredDefect] = {
    **proportions.WIDENED_LETTERS,
    **proportions.LEG_LENGTHS,
    **proportions.MISSING_PARTS,
    **yuds.YUD_FORMS,
    **contacts.INNER_CONTACTS,
    **contacts.LEG_CONTACTS,
    **crowns.TAG_EXCESSES,
    **crowns.TAG_LOSSES,
    **crowns.TAG_MERGERS,
    **cuts.LOOSE_PARTS,
    **corners.CORNER_SHAPES,
    **cuts.BROKEN_STROKES,
    **ink_loss.INK_LOSSES,
}
"""In the order in which several are put into one letter: what moves parts, then what cuts them."""

_CLASHING_DEFECTS = (
    {"leg_short", "leg_long"},
    {"tag_missing", "tag_excess"},
    {"corner_rounded", "heel_missing"},
    {"head_melted", "part_loose"},
)
"""Two that undo or hide each other."""


def apply_defect(
    name: str, glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float = 1.0
) -> Glyph | None:
    """The glyph with this defect, its `DefectMark` added last; None where it cannot apply.

    `plainness` 0 leaves the letter as it was or nearly, below 1/3 it comes near the defect without
    having it, from there to 2/3 it is doubtful, above that plain. Sizes are in q unless the
    operation counts something. Call after `crown_letter`.

    Raises ValueError on an unknown name or a plainness outside 0..1.
    """
    entry = REGISTRY.get(name)
    if entry is None:
        raise ValueError(f"unknown defect {name!r}, known: {', '.join(REGISTRY)}")
    if not 0.0 <= plainness <= 1.0:
        raise ValueError(f"plainness runs from 0 to 1, got {plainness}")
    there = {mark.name for mark in glyph.defects}
    if glyph.letter not in entry.letters or name in there:
        return None
    if any(name in pair and pair & there for pair in _CLASHING_DEFECTS):
        return None
    return entry.operation(glyph, hand, rng, plainness)


@lru_cache(maxsize=64)
def applicable_defects(letter: str) -> tuple[str, ...]:
    """Names of the defects that this letter can have, in the registry's order."""
    return tuple(name for name, entry in REGISTRY.items() if letter in entry.letters)
