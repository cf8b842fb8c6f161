"""The part masks as a network of their own: the same answers as in one, bit for bit."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from crownlet.infer.networks import PART_MASKS_KEY, ModelError, OnnxNetworks, weights_folder
from crownlet.train.export.onnx import write_checksums
from crownlet.train.export.part_masks import split_part_masks


@pytest.fixture(scope="module")
def split(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("models") / "split"
    shutil.copytree(weights_folder(), folder)
    split_part_masks(folder / "assessor.onnx")
    write_checksums(folder)
    return folder


def test_answers_stay_the_same(split: Path) -> None:
    crops = np.random.default_rng(20).integers(0, 256, (7, 2, 128, 96), dtype=np.uint8)
    whole, parted = OnnxNetworks(), OnnxNetworks(split)
    one, two = whole.assess(crops), parted.assess(crops)
    for a, b in zip(one[:3], two[:3], strict=True):
        np.testing.assert_array_equal(a, b)
    assert all(len(feature) == 7 for feature in two.features)
    for rows in (np.arange(7), np.array([2, 5]), np.array([], np.int64)):
        np.testing.assert_array_equal(whole.part_masks(one, rows), parted.part_masks(two, rows))
    assert whole.info.defects == parted.info.defects


def test_a_second_split_changes_nothing(split: Path) -> None:
    before = (split / "assessor.onnx").read_bytes()
    split_part_masks(split / "assessor.onnx")
    assert (split / "assessor.onnx").read_bytes() == before


def test_a_damaged_network_of_part_masks_is_named(split: Path, tmp_path: Path) -> None:
    import onnx

    folder = shutil.copytree(split, tmp_path / "damaged")
    model = onnx.load(folder / "assessor.onnx")
    for entry in model.metadata_props:
        if entry.key == PART_MASKS_KEY:
            entry.value = "%%%"
    onnx.save(model, folder / "assessor.onnx")
    write_checksums(folder)
    with pytest.raises(ModelError, match=PART_MASKS_KEY):
        OnnxNetworks(folder)
