"""The way in: apply a defect by its name, and ask which may befall a letter."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from crownlet.datasets.defects import (
    corners,
    crowns,
    excess,
    flakes,
    form,
    lengths,
    loose,
    strokes,
    touching,
    yuds,
)
from crownlet.datasets.defects.common import Entry
from crownlet.datasets.letterforms.glyph import Glyph
from crownlet.datasets.letterforms.hand import Hand

REGISTRY: dict[str, Entry] = {
    **crowns.FAMILY,
    **loose.FAMILY,
    **yuds.FAMILY,
    **touching.FAMILY,
    **form.FAMILY,
    **strokes.FAMILY,
}
"""What the networks of this version learn."""
LATER: dict[str, Entry] = {
    **excess.FAMILY,
    **touching.LATER,
    **corners.FAMILY,
    **lengths.FAMILY,
    **flakes.FAMILY,
}
"""Drawn already, but not learned yet (`implemented: false` in the catalogue)."""


def apply(
    name: str, glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float = 1.0
) -> Glyph | None:
    """The glyph with this defect, its `DefectMark` added last; None where it cannot apply.

    `plainness` 0 leaves the letter as it was or nearly, below 1/3 it comes near the defect without
    having it, from there to 2/3 it is doubtful, above that plain. Sizes are in q unless the
    operation counts something. Call after `crown_letter`.

    Raises ValueError on an unknown name or a plainness outside 0..1.
    """
    entry = REGISTRY.get(name) or LATER.get(name)
    if entry is None:
        known = ", ".join([*REGISTRY, *LATER])
        raise ValueError(f"unknown defect {name!r}, known: {known}")
    if not 0.0 <= plainness <= 1.0:
        raise ValueError(f"plainness runs from 0 to 1, got {plainness}")
    if glyph.letter not in entry.letters or any(mark.name == name for mark in glyph.defects):
        return None
    return entry.operation(glyph, hand, rng, plainness)


@lru_cache(maxsize=64)
def applicable(letter: str, later: bool = False) -> tuple[str, ...]:
    """Names of the defects that may befall this letter, in the registry's order.

    With `later`, those drawn but not learned yet instead of those learned.
    """
    registry = LATER if later else REGISTRY
    return tuple(name for name, entry in registry.items() if letter in entry.letters)
