"""Two ways in which neighbours come to touch: one is moved into the other, or ink bridges them."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, DefectMark, Outline
from crownlet.datasets.page.silhouette import CELLS, TOP, Silhouette, contact

_BODY = slice(int(-TOP * CELLS), int((BODY_HEIGHT - TOP) * CELLS))
LONGEST_BRIDGE = 0.9
"""Widest white in q that a drop of ink bridges."""


def moved_together(
    right: Silhouette, left: Silhouette, rng: np.random.Generator
) -> tuple[float, DefectMark]:
    """How far to move the left letter (q, from a common origin) so that bodies touch."""
    deep = float(rng.uniform(0.12, 0.26))  # cells make outlines look 1/8 q nearer
    first = contact(right, left, _BODY, 1)
    if not np.isfinite(first):
        first = contact(right, left, slice(None), 1)
    shift = min(contact(right, left, _BODY, 3), first + 0.08) + deep
    rows = right.left[_BODY] - left.right[_BODY] < shift
    return shift, _mark(float(rows.sum()) / CELLS)


def bridged(
    right: Silhouette, left: Silhouette, shift: float, rng: np.random.Generator
) -> tuple[Outline, DefectMark] | None:
    """A thin bar of ink between bodies `shift` apart, in q from the left letter's origin.

    None where the white between them is too wide for it.
    """
    near, far = left.right[_BODY], right.left[_BODY] - shift
    white = np.where(np.isfinite(far - near), far - near, np.inf)
    rows = np.flatnonzero(white < min(white.min() + 0.4, LONGEST_BRIDGE))
    if len(rows) == 0:
        return None
    row = int(rng.choice(rows))
    y = (row + 0.5) / CELLS
    thick = float(rng.uniform(0.1, 0.4))
    x0, x1 = float(near[row]) - 0.15, float(far[row]) + 0.15
    x = np.linspace(x0, x1, 7)
    waist = thick / 2 * (0.6 + 0.4 * np.linspace(-1, 1, 7) ** 2)
    rise = y + np.linspace(0, float(rng.normal(0, 0.1)), 7)
    upper = np.stack([x, rise - waist], axis=1)
    lower = np.stack([x, rise + waist], axis=1)[::-1]
    return np.concatenate([upper, lower]), _mark(0.6 * thick)


def _mark(width: float) -> DefectMark:
    """A contact of `width` q; even a hair's breadth is a contact, though not a plain one."""
    return DefectMark("letters_touch", width, float(min(1.0, 0.45 + 1.2 * width)))
