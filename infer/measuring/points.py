"""What stands out at corners: the heel of bet and dalet, the kotz of the yud."""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring import edges
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length, level, upright

HEELS = {"ב": ((2.05, 3.1), (1.15, 1.85)), "ד": ((0.0, 1.1), (1.45, 2.1))}
"""By letter, rows in q below the ruled line: those of the heel, and of the limb it stands out
from."""


def heel(ink: LetterInk) -> list[Length]:
    """How far the heel stands out to the right of wall or leg, q (Mishnat Sofrim: bet, dalet)."""
    zone, limb = HEELS[ink.letter]
    right = edges.rights(ink.body)
    out, beside = (right[ink.y(a) : ink.y(b)] for a, b in (zone, limb))
    if not np.isfinite(out).any() or not np.isfinite(beside).any():
        return []
    k = int(np.nanargmax(out))
    edge = float(np.nanmedian(beside))
    y = ink.y(zone[0]) + k + 0.5
    return [level("heel", "heel_missing", y, edge, float(out[k]), ink.scale)]


def kotz(ink: LetterInk) -> list[Length]:
    """How far the lower left point of the yud reaches below its head's underside, q.

    It is the deepest fall of the lower edge's level on the way from the left to the leg's end.
    """
    low = edges.bottoms(ink.body)
    inked = np.flatnonzero(np.isfinite(low))
    low = low[inked[0] : int(np.nanargmax(low)) + 1]
    if len(low) < 3:
        return []
    low = np.where(np.isfinite(low), low, low[0])
    after = int((np.maximum.accumulate(low) - low).argmax())
    tip = int(low[: after + 1].argmax())
    x = inked[0] + tip + 0.5
    return [upright("kotz", "kotz_missing", x, float(low[after]), float(low[tip]), ink.scale)]
