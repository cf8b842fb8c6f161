"""How much lower gimel's right foot ends than its left one (Mishnat Sofrim, gimel)."""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring import edges
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length

ZONE = 2.2
"""The feet are looked for lower than this, in q below the ruled line."""
RIGHT = 0.45
"""The right foot's end lies within so much, in q, of the right edge of the feet."""
BETWEEN = 0.15
"""Ink between the two ends that belongs to neither, in q."""


def foot_drop(ink: LetterInk) -> list[Length]:
    """Height of the left foot's end above the right foot's, q; below 0 if the left is lower."""
    low = edges.bottoms(ink.whole)
    low[~(low > ink.y(ZONE))] = np.nan
    columns = np.flatnonzero(np.isfinite(low))
    if len(columns) < 0.6 * ink.scale:
        return []
    border = columns[-1] - RIGHT * ink.scale
    right = columns[columns >= border]
    left = columns[columns < border - BETWEEN * ink.scale]
    if not len(right) or not len(left):
        return []
    a, b = int(left[low[left].argmax()]), int(right[low[right].argmax()])
    x = a + 0.5
    return [
        Length(
            "foot_drop", "foot_level", float(low[b] - low[a]) / ink.scale,
            np.array([x, low[a]]), np.array([x, low[b]]),
        )
    ]  # fmt: skip
