"""Forms of which two are accepted: the chet's roof, the upper right of the final mem.

No defect is measured here; which form a hand has matters only where its customs name one.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring import edges
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length, upright

MIDDLE, RIGHT = (0.34, 0.68), (0.72, 0.95)
"""Shares of a chet's width, from its left: where a hump rises, and its right head's top."""
DIAGONAL = float(np.sqrt(2.0) - 1.0)
"""Share of a corner's radius by which its arc stays behind the corner, along the diagonal."""
REACH = 1.5
"""Farthest from the corner, in q, that the arc is looked for."""


def hump(ink: LetterInk) -> list[Length]:
    """How far the roof of a chet rises in its middle above the top of its right head, in q."""
    top = edges.tops(ink.body)
    inked = np.flatnonzero(np.isfinite(top))
    if len(inked) < ink.scale:
        return []
    first, width = int(inked[0]), int(inked[-1] - inked[0]) + 1
    middle, right = (
        top[first + int(low * width) : first + int(high * width)] for low, high in (MIDDLE, RIGHT)
    )
    if not (np.isfinite(middle).any() and np.isfinite(right).any()):
        return []
    level, peak = float(np.nanmedian(right)), float(np.nanmin(middle))
    x = first + int(MIDDLE[0] * width) + int(np.nanargmin(middle)) + 0.5
    return [upright("hump_height", "custom_form", x, peak, level, ink.scale)]


def corner(ink: LetterInk) -> list[Length]:
    """Radius of the outer corner at the upper right of a final mem, in q."""
    tops, rights = edges.tops(ink.body), edges.rights(ink.body)
    wall = rights[ink.y(0.9) : ink.y(2.2)]
    if not np.isfinite(wall).any():
        return []
    x = float(np.nanmedian(wall))
    inner = slice(max(0, int(x - 1.7 * ink.scale)), max(1, int(x - 0.9 * ink.scale)))
    roof = tops[inner]
    if not np.isfinite(roof).any():
        return []
    y = float(np.nanmedian(roof))
    away = np.arange(-0.3 * ink.scale, REACH * ink.scale, edges.STEP)
    along = np.array([-1.0, 1.0]) / np.sqrt(2.0)
    point = np.array([x, y])
    dark = edges.sampled(ink.body, point + away[:, None] * along)
    inside = np.flatnonzero(dark >= edges.HALF)
    if not len(inside):
        return []
    behind = float(away[inside[0]])
    radius = max(0.0, behind / DIAGONAL) / ink.scale
    return [Length("corner_radius", "custom_form", radius, point, point + behind * along)]
