"""Grey and even light: the same numbers strip by strip and in place; runs of ink by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from crownlet.datasets.files.images import read_page, to_gray
from crownlet.infer.image.upright import INK_GREY, SKIN_GREY, flatten, grey_percentile
from crownlet.infer.letters.scale import stroke_width


@pytest.mark.parametrize("kind", ["png", "jpg"])
def test_grey_in_strips_is_the_grey_of_the_whole(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(1)
    path = tmp_path / f"page.{kind}"
    Image.fromarray(rng.integers(0, 256, (700, 90, 3), dtype=np.uint8)).save(path)
    colour, grey = read_page(path), read_page(path, colour=False)
    assert np.array_equal(to_gray(colour.pixels), grey.pixels)
    assert colour.facts == grey.facts


def test_flattening_leaves_its_picture_as_it_was_and_levels_the_light() -> None:
    page = np.tile(np.linspace(120, 240, 600), (400, 1)).astype(np.uint8)
    page[100:300:20, 50:550] //= 5
    before = page.copy()
    flat = flatten(page, 30.0)
    assert np.array_equal(page, before)
    assert abs(float(np.median(flat[90])) - SKIN_GREY) < 8
    assert abs(float(np.median(flat[100, 60:540])) - INK_GREY) < 12


@pytest.mark.parametrize("width", [5, 12, 24])
def test_stroke_width_is_that_of_the_bars_drawn(width: int) -> None:
    page = np.full((800, 300), 255, np.uint8)
    for top in range(0, 800, 60):
        page[top : top + width, 20:280] = 0
    # The widths' histogram has bins a seventh apart at these lengths.
    assert stroke_width(page) == pytest.approx(width, rel=0.2)
    assert stroke_width(np.full((800, 300), 255, np.uint8)) == 0.0


def test_a_grey_is_ranked_as_numpy_ranks_it() -> None:
    rng = np.random.default_rng(4)
    for _ in range(200):
        spread = rng.normal(rng.uniform(0, 255), rng.uniform(1, 90), rng.integers(1, 60, 2))
        gray = np.clip(spread, 0, 255).astype(np.uint8)
        for percent in (0.0, 2.0, 50.0, 100.0):
            assert grey_percentile(gray[::2], percent) == np.percentile(gray[::2], percent)
