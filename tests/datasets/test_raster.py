"""Masks of letters against areas and distances known from geometry."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from shapely.geometry import Polygon

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import Glyph, Part
from crownlet.datasets.render.letterforms.raster import coverage, fill_mask, fine_factor, trim_mask


def _square(x0: float, y0: float, x1: float, y1: float) -> Outline:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)


def _glyph(*outlines: Outline, cuts: tuple[Outline, ...] = ()) -> Glyph:
    parts = tuple(Part(f"part_{i}", "body", outline) for i, outline in enumerate(outlines))
    return Glyph("א", parts, 3.0, cuts=cuts)


@pytest.mark.parametrize("scale", [6.0, 9.7, 16.0, 41.3])
def test_area_of_a_disc_is_pi_r_squared(scale: float) -> None:
    angle = np.linspace(0, 2 * pi, 90, endpoint=False)
    disc = np.stack([1.5 + np.cos(angle), 1.5 + np.sin(angle)], axis=1)
    patch, _, _ = coverage(_glyph(disc), scale, (3.3, 7.8))
    assert patch.sum() / 255 == pytest.approx(pi * scale**2, rel=0.03)


@pytest.mark.parametrize("origin", [(0.0, 0.0), (10.25, -3.5), (4.9, 6.1)])
def test_ink_lies_where_the_outline_is_to_a_fifth_of_a_pixel(origin: tuple[float, float]) -> None:
    patch, x0, y0 = coverage(_glyph(_square(0, 0, 2, 3)), 12.0, origin)
    weight = patch / patch.sum()
    rows, columns = np.mgrid[: patch.shape[0], : patch.shape[1]]
    assert x0 + (weight * (columns + 0.5)).sum() == pytest.approx(origin[0] + 12, abs=0.2)
    assert y0 + (weight * (rows + 0.5)).sum() == pytest.approx(origin[1] + 18, abs=0.2)


def test_overlapping_parts_and_cuts_cover_what_shapely_says() -> None:
    a, b = _square(0, 0, 2, 2), _square(1, 1, 3, 3)
    cut = _square(0.5, 0.5, 1.5, 1.5)
    patch, _, _ = coverage(_glyph(a, b, cuts=(cut,)), 20.0)
    expected = Polygon(a).union(Polygon(b)).difference(Polygon(cut)).area * 20.0**2
    assert patch.sum() / 255 == pytest.approx(expected, rel=0.03)


def test_a_hair_gap_and_a_hairline_survive_at_fifteen_pixels_a_pen() -> None:
    # 600 dpi on a 10 cm mezuzah: q is 15 px, a tag's stem 1.8 px (scribal-rules 7.2).
    gap = _glyph(_square(0, 0, 1, 1), _square(1.2, 0, 2, 1))
    patch, _, _ = coverage(gap, 15.0, (0.5, 0.5))
    middle = patch[patch.shape[0] // 2]
    assert middle[14:22].min() < 32
    hair, _, _ = coverage(_glyph(_square(0, 0, 0.12, 3)), 15.0, (0.3, 0.0))
    assert hair.max(axis=1)[5:40].min() > 128


def test_masks_are_never_coarser_than_the_pen_asks() -> None:
    assert fine_factor(5.0) * 5.0 >= 28.0
    assert fine_factor(60.0) >= 2


def test_trimming_moves_edges_by_the_gain_asked() -> None:
    mask = fill_mask([_square(10, 10, 30, 30)], [], 4, margin=3.0).mask
    plain, wide = trim_mask(mask, 1.5), trim_mask(mask, 1.5, gain=1.0)
    assert plain.sum() / 255 == pytest.approx(80.0**2, rel=0.01)
    assert wide.sum() / 255 == pytest.approx(82.0**2, rel=0.01)
