"""Forms of which two are accepted: the chet's roof.

No defect is measured here; which form a hand has matters only where its customs name one.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring import edges
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length, upright

MIDDLE, RIGHT = (0.34, 0.68), (0.72, 0.95)
"""Shares of a chet's width, from its left: where a hump rises, and its right head's top."""


def hump(ink: LetterInk) -> list[Length]:
    """How far below the top of a chet's right head its roof ends, in the middle, in q.

    Under a hump the white rises to the height of the heads; a flat roof lies there at its full
    thickness. Half of the columns decide, so that a tag that stands there does not.
    """
    top, under = edges.tops(ink.body), edges.undersides(ink.body)
    inked = np.flatnonzero(np.isfinite(top))
    if len(inked) < ink.scale:
        return []
    first, width = int(inked[0]), int(inked[-1] - inked[0]) + 1
    middle, right = (
        row[first + int(low * width) : first + int(high * width)]
        for row, (low, high) in ((under, MIDDLE), (top, RIGHT))
    )
    if not (np.isfinite(middle).any() and np.isfinite(right).any()):
        return []
    level, end = float(np.nanmedian(right)), float(np.nanmedian(middle))
    x = first + 0.5 * (MIDDLE[0] + MIDDLE[1]) * width
    return [upright("roof_end", "custom_form", x, level, end, ink.scale)]
