"""Heights and turns corrected by neighbours: noise goes, what is meant stays."""

from __future__ import annotations

import numpy as np

from crownlet.infer.letters.locator import _row_medians, smooth_neighbours
from crownlet.infer.records import Located

RNG = np.random.default_rng(3)


def lines(height: np.ndarray, turn: np.ndarray) -> Located:
    """Letters in lines of 20, 30 px apart, anchors fixed whatever their height and turn."""
    count = len(height)
    x, y = 30.0 * (np.arange(count) % 20), 60.0 * (np.arange(count) // 20)
    down = np.stack([-np.sin(np.deg2rad(turn)), np.cos(np.deg2rad(turn))], axis=1)
    ruled = np.stack([x, y], axis=1) - down * height[:, None] / 2
    body = np.column_stack([ruled, height, turn])
    return Located(body, np.zeros((count, 4)), np.ones(count), np.zeros((count, 27)))


def test_noise_of_height_shrinks_and_anchors_stay() -> None:
    height = 28 * np.exp(RNG.normal(0, 0.06, 200))
    found = lines(height, np.zeros(200))
    calm = smooth_neighbours(found)
    assert np.std(np.log(calm.body[:, 2])) < 0.5 * np.std(np.log(height))
    assert np.allclose(calm.anchors, found.anchors)


def test_a_large_letter_stays_large() -> None:
    # The ayin and the dalet of the first verse are written large (Mishneh Torah, Tefillin 2:6).
    height = np.full(100, 28.0)
    height[45] = 42.0
    assert smooth_neighbours(lines(height, np.zeros(100))).body[45, 2] == 42.0


def test_slowly_changing_height_is_followed() -> None:
    height = np.tile(np.linspace(24, 34, 20), 10)
    calm = smooth_neighbours(lines(height, np.zeros(200))).body[:, 2]
    inside = (np.arange(200) % 20 > 2) & (np.arange(200) % 20 < 17)
    assert np.abs(calm - height)[inside].max() < 0.6


def test_single_turns_are_outvoted_and_whole_lines_are_not() -> None:
    turn = np.zeros(100)
    turn[[7, 33]] = 180
    assert (smooth_neighbours(lines(np.full(100, 28.0), turn)).body[:, 3] == 0).all()
    turn = np.where(np.arange(40) < 20, 180.0, 0.0)
    found = lines(np.full(40, 28.0), turn)
    body = found.body.copy()
    body[20:, 1] += 400
    apart = Located(body, found.box, found.score, found.letters)
    assert (smooth_neighbours(apart).body[:, 3] == turn).all()


def test_medians_of_rows_are_those_of_numpy() -> None:
    """numpy's `nanmedian` is the reference; rows of 1 to 9 numbers, of which one is known."""
    rng = np.random.default_rng(20)
    rows = rng.normal(size=(400, 9))
    gaps = rng.random(rows.shape) < rng.random((400, 1))
    gaps[:, 0] = False
    rows[gaps] = np.nan
    np.testing.assert_array_equal(_row_medians(rows), np.nanmedian(rows, axis=1))
