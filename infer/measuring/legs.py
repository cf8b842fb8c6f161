"""How long legs are: under a roof from its underside, under a head from its top.

A head slopes and is rounded below, so that where it ends and its leg begins is a matter of taste;
Mishnat Sofrim gives the final nun's four pens with its head.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring import edges
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length, upright
from crownlet.infer.measuring.parting import hanging_leg
from crownlet.infer.measuring.seats import seat
from crownlet.infer.records import Floats

RIGHT, LEFT, HEADED = "דהךרף", "ת", "וזיןץ"
"""Letters whose leg stands at the right of a roof, at its left, or under a head."""
ROOFS = (0.2, 1.8)
"""A roof's underside lies between these, in q below the ruled line; what is higher may be a tag
that leans out over its head."""


def leg_lengths(ink: LetterInk) -> list[Length]:
    """Lengths of the legs that may be short or long, in q along the upright."""
    found = []
    leg = hanging_leg(ink)
    if ink.letter in RIGHT + LEFT + HEADED:
        others = tuple(piece for piece in ink.pieces if piece is not leg)
        found += _held(ink, edges.bottoms(ink.soft(others) if leg else ink.whole))
    if leg is not None:
        dark = ink.soft((leg,))
        top, end = float(np.nanmin(edges.tops(dark))), edges.bottoms(dark)
        k = int(np.nanargmax(end))
        found.append(
            upright("left_leg_length", "leg_short", k + 0.5, top, float(end[k]), ink.scale)
        )
    return found


def _held(ink: LetterInk, low: Floats) -> list[Length]:
    """A leg that hangs on its roof or head; `low` (w,) are the lower edges of the letter."""
    inked = np.flatnonzero(np.isfinite(low))
    middle = int((inked[0] + inked[-1]) / 2)
    if ink.letter in RIGHT:
        low[:middle] = np.nan
    elif ink.letter in LEFT:
        low[middle:] = np.nan
    if not np.isfinite(low).any():
        return []
    k = int(np.nanargmax(low))
    name = "length" if ink.letter in HEADED else "leg_length"
    start = _head_top(ink) if ink.letter in HEADED else _underside(ink, k)
    if start is None:
        return []
    return [upright(name, "leg_short", k + 0.5, start, float(low[k]), ink.scale)]


def _head_top(ink: LetterInk) -> float | None:
    """Level of the upper edge of the head, tags aside, in its middle."""
    top, known = seat(ink)
    return float(np.median(top[known])) if known.any() else None


def _underside(ink: LetterInk, end: int) -> float | None:
    """Level at which the roof ends beside a leg that ends in column `end`, in the half next to it.

    The other half of a roof may be cut off aslant, and a drop hangs from it.
    """
    above, below = (ink.y(q) for q in ROOFS)
    if above >= below:
        return None
    under = above + edges.undersides(ink.body[above : below + 1])
    columns = np.arange(len(under))
    beside = columns > end if ink.letter in LEFT else columns < end
    free = np.flatnonzero((under < below - 1.0) & beside)
    if len(free) < 4:
        return None
    half = free[: len(free) // 2] if ink.letter in LEFT else free[len(free) // 2 :]
    return float(np.median(under[half]))
