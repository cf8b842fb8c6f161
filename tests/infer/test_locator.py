"""Decoding of maps and tiling: letters come out where the maps put them, once each."""

from __future__ import annotations

import blocks
import cv2
import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.image.upright import rotate_letters_back, rotate_points_back, turn_upright
from crownlet.infer.letters import locator as module
from crownlet.infer.letters.locator import decode_maps, locate, suppress_duplicates
from crownlet.infer.networks import LocatorMaps
from crownlet.infer.records import Located


def maps_with(row: int, column: int, **values: float) -> LocatorMaps:
    """Empty maps of 32 x 24 cells with one letter in one cell."""
    maps = {n: np.zeros((c, 32, 24), np.float32) for n, c in
            (("letter", 27), ("turn", 4), ("shape", 6), ("scale", 1))}  # fmt: skip
    centre = np.zeros((32, 24), np.float32)
    centre[row, column] = values["p"]
    maps["letter"][index_of("ש"), row, column] = 10
    maps["turn"][int(values.get("quarter", 0)), row, column] = 5
    maps["shape"][:, row, column] = [0.05, -0.1, 0.5, 1.2, 0.6, 0.5]
    maps["scale"][0, row, column] = np.log(1.5)
    return LocatorMaps(centre, **maps)


def test_a_cell_becomes_a_letter() -> None:
    # By the contract: cell centre (i + 0.5) * 4 px, offsets and sides in units of 28 px.
    found = decode_maps(maps_with(10, 7, p=0.8), 0.3)
    x, y = 7.5 * 4 + 0.05 * 28, 10.5 * 4 - 0.1 * 28
    assert found.score.tolist() == pytest.approx([0.8])
    assert found.anchors[0].tolist() == pytest.approx([x, y])
    assert found.body[0].tolist() == pytest.approx([x, y - 21, 42, 0])
    assert found.box[0].tolist() == pytest.approx([x - 14, y - 33.6, x + 16.8, y + 14])
    assert found.letters[0].argmax() == index_of("ש")


@pytest.mark.parametrize(
    ("quarter", "ruled"), [(0, (0, -21)), (1, (21, 0)), (2, (0, 21)), (3, (-21, 0))]
)
def test_turned_letters_hang_from_a_turned_line(quarter: int, ruled: tuple[int, int]) -> None:
    # A letter turned clockwise once has its upper side on the right.
    found = decode_maps(maps_with(10, 7, p=0.8, quarter=quarter), 0.3)
    x, y = 7.5 * 4 + 0.05 * 28, 10.5 * 4 - 0.1 * 28
    assert found.anchors[0].tolist() == pytest.approx([x, y])
    assert (found.body[0, :2] - [x, y]).tolist() == pytest.approx(list(ruled), abs=1e-5)
    assert found.body[0, 3] == 90 * quarter


def test_below_the_threshold_is_nothing() -> None:
    assert len(decode_maps(maps_with(10, 7, p=0.2), 0.3)) == 0


def test_doubles_go_and_neighbours_stay() -> None:
    x = np.array([100.0, 103.0, 112.0, 300.0])
    body = np.column_stack([x, np.full(4, 50.0), np.full(4, 28.0), np.zeros(4)])
    box = np.column_stack([x - 5, np.full(4, 45.0), x + 5, np.full(4, 80.0)])
    found = Located(body, box, np.array([0.6, 0.9, 0.7, 0.5]), np.zeros((4, 27)))
    assert suppress_duplicates(found).body[:, 0].tolist() == [103, 112, 300]


def test_two_peaks_on_one_stretched_letter_are_one() -> None:
    body = np.array([[100.0, 50, 28, 0], [140, 50, 28, 0]])
    box = np.array([[40.0, 50, 200, 80], [42, 50, 198, 79]])
    found = Located(body, box, np.array([0.6, 0.9]), np.zeros((2, 27)))
    assert suppress_duplicates(found).body[:, 0].tolist() == [140]


def test_tiles_see_what_the_whole_page_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    image, placed = blocks.page(["שמע ישראל " * 4] * 24, q=28 / 3)
    whole = locate(blocks.BlockNetworks(), image, 28.0, 0.3)
    networks = blocks.BlockNetworks()
    monkeypatch.setattr(module, "MAX_UNTILED_PIXELS", 100_000)
    monkeypatch.setattr(module, "TILE_PX", 512)
    monkeypatch.setattr(module, "TILE_OVERLAP_PX", 160)
    tiled = locate(networks, image, 28.0, 0.3)
    assert max(max(shape) for shape in networks.seen) == 512
    assert len(networks.seen) > 4
    assert len(tiled) == len(whole) == len(placed)
    order = np.lexsort(whole.anchors.T.round())
    other = np.lexsort(tiled.anchors.T.round())
    assert np.allclose(whole.anchors[order], tiled.anchors[other])


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turning_back_is_the_inverse_of_turning(turn: int) -> None:
    given = np.zeros((50, 80), np.uint8)
    given[12, 61] = 255
    upright = turn_upright(given, turn)
    y, x = (int(v[0]) for v in np.nonzero(upright))
    back = rotate_points_back(np.array([[x + 0.5, y + 0.5]]), turn, (80, 50))
    assert back[0].tolist() == [61.5, 12.5]
    codes = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if turn:  # OpenCV's own rotation as reference
        assert np.array_equal(cv2.rotate(upright, codes[turn]), given)


def test_boxes_and_bodies_turn_with_the_page() -> None:
    found = Located(np.array([[10.0, 20, 30, 0]]), np.array([[5.0, 20, 15, 50]]), np.ones(1),
                    np.zeros((1, 27)))  # fmt: skip
    back = rotate_letters_back(found, 90, (100, 60))
    assert back.body[0].tolist() == [80, 10, 30, 90]
    assert back.box[0].tolist() == [50, 5, 80, 15]
    assert back.anchors[0].tolist() == pytest.approx([65, 10])
