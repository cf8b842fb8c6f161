"""The upper edge of a letter's head or roof, without what stands on it."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.measuring import edges
from crownlet.infer.measuring.ink import LetterInk, Mask
from crownlet.infer.records import Floats

Bools = npt.NDArray[np.bool_]

PEN = 0.36
"""Strokes thinner than this, in q, are no part of a head: tags are 0.12 to 0.3 q thick."""
HEADS = {"": 1.2, "ל": -0.6}
"""Heads and roofs end above this, in q below the ruled line: their lower part is left aside."""
STEEP = 0.25
"""An edge that falls by more than this within as much, in q, is a flank."""
ROOM = (-0.5, 0.9)
"""Heads begin between these, in q below the ruled line: the heads of tags may be as thick as the
pen, but stand higher. Lamed's stands on its neck."""


def seat(ink: LetterInk) -> tuple[Floats, Bools]:
    """(w,) y of the upper edge of head or roof, and the columns in which it was seen.

    Elsewhere it is that of the nearest of them; all NaN where there is none.
    """
    low = ink.y(HEADS["ל" if ink.letter == "ל" else ""])
    if low < 1:
        width = ink.dark.shape[1]
        return np.full(width, np.nan), np.zeros(width, np.bool_)
    size = max(3, int(PEN * ink.scale) | 1)
    thick = np.asarray(cv2.morphologyEx(ink.own[:low], cv2.MORPH_OPEN, _disc(size)), np.uint8)
    known = np.asarray(thick.any(axis=0), np.bool_)
    rough, fine = thick.argmax(axis=0).astype(np.float64), edges.tops(ink.whole[:low])
    if ink.letter != "ל":
        known &= rough > ink.origin[1] + ROOM[0] * ink.scale
        known &= rough < ink.origin[1] + ROOM[1] * ink.scale
    known = _level(rough, known, ink.scale)
    # Under a tag the edge of the head cannot be seen; a head all covered is known to the pixel.
    bare = known & (np.abs(fine - rough) < 1.0)
    known, top = (bare, fine) if bare.any() else (known, rough)
    columns = np.flatnonzero(known)
    if not len(columns):
        return np.full(len(top), np.nan), known
    middles = (columns[1:] + columns[:-1]) / 2
    return top[columns[np.searchsorted(middles, np.arange(len(top)))]], known


@cache
def _disc(size: int) -> Mask:
    """A disc of an odd number of px across."""
    reach = np.arange(size) - size // 2
    return (reach[:, None] ** 2 + reach**2 <= (size / 2) ** 2).astype(np.uint8)


def _level(top: Floats, known: Bools, scale: float) -> Bools:
    """Columns of the upper edge itself, not of a flank that falls away from it."""
    reach = max(1, round(STEEP * scale))
    high = np.where(known, top, np.inf).astype(np.float32)[None]
    highest = cv2.erode(high, np.ones((1, 2 * reach + 1), np.uint8))[0]
    return np.asarray(known & (top - highest <= reach))
