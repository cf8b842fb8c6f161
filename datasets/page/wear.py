"""What years do to a written sheet: which of folds, creases, holes and dirt a page gets."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.letterforms.raster import Mask
from crownlet.datasets.page.folds import creases, fold
from crownlet.datasets.page.holes import pierce, specks
from crownlet.datasets.page.textures import Field


def wear(page: Field, cover: Mask, q: float, strength: float, rng: np.random.Generator) -> None:
    """Wear `page`, (H, W, 3) float32, on which `cover` is the ink and `q` the pen in px."""
    chances = rng.random(4)
    if chances[0] < 0.2 * strength:
        fold(page, q, rng)
    if chances[1] < 0.12 * strength:
        creases(page, q, rng)
    if chances[2] < 0.06 * strength:
        pierce(page, cover, q, rng)
    if chances[3] < 0.2 * strength:
        specks(page, cover, q, rng)
