"""Networks in integers: which layers stay in floats, and that letters are read as before."""

from __future__ import annotations

import base64
import shutil
from pathlib import Path

import numpy as np
import onnx
import pytest
import yaml
from onnx import numpy_helper

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.networks import NETWORK_FILES, PART_MASKS_KEY, OnnxNetworks, weights_folder
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.export.onnx import export_assessor, export_locator, write_checksums
from crownlet.train.export.quantise import nodes_in_floats, quantise, quantise_in_place
from crownlet.train.fit.weights import load_narrower


@pytest.fixture(scope="module")
def floats(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped weights as they were before they became integers."""
    folder = tmp_path_factory.mktemp("models") / "floats"
    shutil.copytree(weights_folder(), folder)
    curves = yaml.safe_load((folder / "calibration.yaml").read_text("utf-8"))
    locator, assessor = Locator(), Assessor(len(LEARNED_DEFECTS))
    load_narrower(locator, folder / "locator.safetensors")
    load_narrower(assessor, folder / "assessor.safetensors")
    export_locator(locator.eval(), folder / "locator.onnx", "t")
    export_assessor(assessor.eval(), curves, folder / "assessor.onnx", "t")
    write_checksums(folder)
    return folder


@pytest.mark.parametrize(("name", "heads"), [("locator.onnx", 5), ("assessor.onnx", 1)])
def test_the_heads_stay_in_floats(floats: Path, name: str, heads: int) -> None:
    """The locator has five heads of one convolution, the assessor one of masks (models/)."""
    assert len(set(nodes_in_floats(onnx.load(floats / name).graph))) == heads


def test_integers_take_a_quarter_of_the_room_and_read_the_same_letters(
    floats: Path, tmp_path: Path
) -> None:
    """8 bits instead of 32 (Jacob et al. 2018); the same letters but for doubtful ones."""
    folder = shutil.copytree(floats, tmp_path / "in integers")
    away = quantise_in_place(folder, pages=1, held_out=1)
    for name in NETWORK_FILES:
        # Heads and the layer of hidden numbers stay in floats: half a megabyte of the assessor.
        assert (folder / name).stat().st_size < 0.4 * (floats / name).stat().st_size
    assert OnnxNetworks(folder).info.letters == OnnxNetworks(floats).info.letters
    keys = {p.key for p in onnx.load(folder / "assessor.onnx").metadata_props}
    assert PART_MASKS_KEY in keys
    assert [path.name for path in tmp_path.iterdir()] == ["in integers"]
    assert away["letters"] > 40
    assert away["other_letter"] <= 0.05
    assert 0 < away["defect_p_mean"] < 0.02
    with pytest.raises(ValueError, match="integers already"):
        quantise(folder, tmp_path / "again", pages=1)


@pytest.mark.parametrize("name", NETWORK_FILES)
def test_no_two_products_of_the_shipped_networks_can_overflow_sixteen_bits(name: str) -> None:
    """VPMADDUBSW adds two products of 8 bits in 16, saturating (Intel's Software Developer's
    Manual, volume 2): processors without VNNI agree with the others only if 255 (a + b) fits."""
    model = onnx.load(weights_folder() / name)
    inner = {p.key: p.value for p in model.metadata_props}.get(PART_MASKS_KEY)
    graphs = [model.graph]
    if inner is not None:
        graphs.append(onnx.load_from_string(base64.b64decode(inner)).graph)
    weights = [kernel for graph in graphs for kernel in kernels_of(graph)]
    assert len(weights) > 20
    for kernel in weights:
        assert 255 * 2 * np.abs(kernel).max() <= np.iinfo(np.int16).max


def kernels_of(graph: onnx.GraphProto) -> list[np.ndarray]:
    """Weights of the convolutions in integers."""
    arrays = {w.name: w for w in graph.initializer}
    of_integers = {
        node.output[0]: numpy_helper.to_array(arrays[node.input[0]])
        for node in graph.node
        if node.op_type == "DequantizeLinear" and node.input[0] in arrays
    }
    return [
        of_integers[node.input[1]].astype(int)
        for node in graph.node
        if node.op_type == "Conv" and node.input[1] in of_integers
    ]
