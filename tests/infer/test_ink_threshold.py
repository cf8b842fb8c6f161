"""Greys by rank in small windows, against numpy's own quantiles."""

from __future__ import annotations

import numpy as np

from crownlet.infer.layout.gaps import INK_LEVEL, PALE_INK_LEVEL, ink_threshold


def test_level_of_pale_ink_is_half_way_by_numpys_quantiles() -> None:
    rng = np.random.default_rng(3)
    for low, size in zip(rng.integers(0, 250, 300), rng.integers(1, 500, 300), strict=True):
        window = rng.integers(low, 256, (int(size), 3), dtype=np.uint8)
        dark, skin = np.quantile(window, (0.1, 0.9))
        expected = max(INK_LEVEL, (dark + skin) / 2) if dark > PALE_INK_LEVEL else INK_LEVEL
        assert ink_threshold(window) == expected


def test_no_window_has_the_usual_level() -> None:
    assert ink_threshold(np.zeros((0, 4), np.uint8)) == INK_LEVEL
