"""Forms of a tag: how thick it is along its axis, from a hairline root to its head."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats

# Half widths along the axis, as shares of the tag's thick end: (place, left, right).
_PROFILES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "flame": ((0, 0.28, 0.28), (0.2, 0.2, 0.2), (0.5, 0.3, 0.3), (0.78, 0.5, 0.5),
              (0.92, 0.44, 0.4), (1, 0.12, 0.12)),
    "leaf": ((0, 0.24, 0.24), (0.2, 0.2, 0.2), (0.48, 0.38, 0.34), (0.68, 0.52, 0.48),
             (0.84, 0.4, 0.4), (1, 0.08, 0.08)),
    "wedge": ((0, 0.24, 0.24), (0.3, 0.26, 0.26), (0.7, 0.42, 0.42), (0.97, 0.56, 0.56),
              (1, 0.5, 0.5)),
    "club": ((0, 0.3, 0.3), (0.2, 0.24, 0.24), (0.5, 0.42, 0.42), (0.8, 0.62, 0.58),
             (0.93, 0.58, 0.52), (1, 0.3, 0.26)),
    "flag": ((0, 0.26, 0.26), (0.4, 0.24, 0.24), (0.66, 0.26, 0.26), (0.74, 0.28, 0.75),
             (0.9, 0.26, 0.95), (1, 0.16, 0.3)),
    "pennant": ((0, 0.26, 0.26), (0.4, 0.22, 0.22), (0.66, 0.24, 0.24), (0.76, 0.8, 0.26),
                (0.88, 0.9, 0.26), (1, 0.4, 0.18)),
    "bare": ((0, 0.3, 0.3), (0.5, 0.28, 0.28), (1, 0.26, 0.26)),
    "square": ((0, 0.3, 0.3), (0.4, 0.22, 0.22), (0.7, 0.24, 0.24), (0.74, 0.72, 0.72),
               (0.98, 0.78, 0.78), (1, 0.7, 0.7)),
    "diamond": ((0, 0.3, 0.3), (0.4, 0.22, 0.22), (0.66, 0.22, 0.22), (0.72, 0.3, 0.3),
                (0.85, 0.85, 0.85), (1, 0.1, 0.1)),
    "round": ((0, 0.3, 0.3), (0.4, 0.22, 0.22), (0.68, 0.22, 0.22), (0.76, 0.6, 0.6),
              (0.86, 0.78, 0.78), (0.95, 0.56, 0.56), (1, 0.2, 0.2)),
    "blob": ((0, 0.22, 0.22), (0.4, 0.17, 0.17), (0.66, 0.2, 0.18), (0.74, 0.62, 0.7),
             (0.85, 0.86, 0.9), (0.94, 0.72, 0.6), (1, 0.25, 0.2)),
}  # fmt: skip
VARIANTS: dict[str, tuple[str, ...]] = {
    "flame": ("flame", "flame", "leaf"),
    "wedge": ("wedge", "club"),
    "flag": ("flag", "pennant"),
    "bare": ("bare",),
    "headed": ("square", "diamond", "round", "blob", "blob"),
}
"""The profiles in which hands write each form."""
AXIS = np.array([0.0, 0.12, 0.28, 0.44, 0.58, 0.68, 0.74, 0.8, 0.86, 0.91, 0.96, 1.0])
"""Places along a tag at which its outline has points, 0 at its root."""
_NECK = 0.68
"""Place at which heads and flags begin."""
_EVEN = ("flame", "leaf", "wedge", "club", "bare")
"""Profiles without a head of its own size."""
_TABLES: dict[str, Floats] = {
    name: np.array([np.interp(AXIS, [p[0] for p in rows], [p[k] for p in rows]) for k in (1, 2)])
    for name, rows in _PROFILES.items()
}
_ROOT_FADES = np.clip((AXIS - 0.06) / 0.42, 0.0, 1.0)
"""How a hairline root widens to the form's own thickness."""


def profile_of(hand: Hand) -> str:
    """The name of the width profile this hand gives its tags; a hand keeps to one."""
    ways = VARIANTS[hand.tag_form]
    return ways[(hand.seed >> 8) % len(ways)]


def places(profile: str, width: float, height: float) -> Floats:
    """Places of a profile on a tag of this height: on a tall one the head keeps its size."""
    if profile in _EVEN:
        return AXIS
    head = min(1.0 - _NECK, (1.9 if profile in ("flag", "pennant") else 1.55) * width / height)
    return np.where(
        AXIS <= _NECK,
        AXIS * (1.0 - head) / _NECK,
        1.0 - (1.0 - AXIS) * head / (1.0 - _NECK),
    )


def half_widths(profile: str, width: float, root: float = 0.0) -> Floats:
    """Half widths (2, N) of the left and right side at `AXIS`, in q, for a tag `width` q thick.

    A positive `root` is the width in q to which the tag thins where it leaves its letter.
    """
    half = _TABLES[profile] * width
    if root > 0.0:
        half = np.minimum(half, root / 2 + (half - root / 2) * _ROOT_FADES)
    return half
