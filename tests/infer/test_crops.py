"""Letters cut out of a page: places against OpenCV's own affine maps, coarse ink against means."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from crownlet.infer.image import crops
from crownlet.infer.records import Located


def letters(count: int, turn: float, seed: int = 3) -> Located:
    rng = np.random.default_rng(seed)
    centre = rng.uniform(100, 400, (count, 2))
    body = np.column_stack([centre, rng.uniform(20, 60, count), np.full(count, turn)])
    box = np.hstack([centre - rng.uniform(5, 25, (count, 2)), centre + 30])
    return Located(body, box, np.ones(count), np.full((count, 27), 1 / 27))


def drawn_page() -> np.ndarray:
    noise = np.random.default_rng(5).integers(0, 256, (500, 500), dtype=np.uint8)
    return np.asarray(cv2.GaussianBlur(noise, (0, 0), 2.0))


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, 7.0])
def test_a_body_stands_upright_at_the_ruled_line(turn: float) -> None:
    """`cv2.getAffineTransform` of three points: the middle of the ruled line, and one body's height
    along and across it. Letters wider than the crop are narrowed."""
    found = letters(12, turn)
    matrices = crops.crop_matrices(found.body, found.box)
    for (x, y, height, degrees), matrix in zip(found.body, matrices, strict=True):
        angle = np.deg2rad(degrees)
        along, across = height * np.cos(angle), height * np.sin(angle)
        given = [(x, y), (x + along, y + across), (x - across, y + along)]
        narrowed = np.hypot(*matrix[0, :2]) / (crops.CROP_BODY_PX / height)
        assert 0 < narrowed <= 1 + 1e-9
        shown = [(48, 50), (48 + 48 * narrowed, 50), (48, 98)]
        expected = cv2.getAffineTransform(np.array(given, np.float32), np.array(shown, np.float32))
        np.testing.assert_allclose(matrix, expected, atol=2e-3)


def test_coarse_ink_is_the_mean_darkness_of_cells_within_the_box() -> None:
    """Means over cells of 8 by 8 px by numpy, rounded to whole greys."""
    found = letters(20, 0.0)
    cut = crops.cut_letters(drawn_page(), found.body, found.box)
    dark = np.where(cut[:, 1] > 0, 255 - cut[:, 0].astype(int), 0)
    means = dark.reshape(20, 16, 8, 12, 8).mean(axis=(2, 4)).reshape(20, -1)
    assert np.abs(crops.coarse_ink(cut) - means).max() <= 0.5
    assert means.max() > 60


def test_letters_are_the_same_by_themselves_and_together() -> None:
    page, found = drawn_page(), letters(70, 0.0)
    together = crops.cut_letters(page, found.body, found.box)
    for one, body, box in zip(together, found.body, found.box, strict=True):
        np.testing.assert_array_equal(one, crops.crop_letter(page, tuple(body), tuple(box)))
    np.testing.assert_array_equal(crops.ink_of_letters(page, found), crops.coarse_ink(together))


def test_a_page_is_fitted_again_only_at_another_scale() -> None:
    page, found = drawn_page(), letters(9, 0.0)
    larger = found.scaled(2.0)
    first = crops.fit_to_letters(page, larger)
    assert first.scale < 1.0
    assert crops.fit_to_letters(page, larger, first) is first
    again = crops.fit_to_letters(page, larger.scaled(1.1), first)
    assert again.scale == pytest.approx(first.scale / 1.1)
    assert again.page.shape != first.page.shape
