"""ONNX sessions: verified files, metadata, and a clear sentence for every broken folder."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.networks import (
    ASSESSOR_OUTPUTS,
    LOCATOR_OUTPUTS,
    ModelError,
    OnnxNetworks,
    count_physical_cores,
)

PARTS = ["ink", "tag", "head", "leg", "roof", "joint"]


def constant(name: str, shape: tuple[int, ...]) -> onnx.NodeProto:
    value = helper.make_tensor(name + "_value", TensorProto.FLOAT, shape, np.zeros(shape).ravel())
    return helper.make_node("Constant", [], [name], value=value)


def stub(path: Path, source: str, kind: int, outputs: dict[str, tuple[int, ...]],
         meta: dict[str, str] | None = None) -> None:  # fmt: skip
    """A network with the right names that answers zeros whatever it is shown."""
    shape = ["n", *("abc"[:3])]
    graph = helper.make_graph(
        [constant(name, shape) for name, shape in outputs.items()], "stub",
        [helper.make_tensor_value_info(source, kind, shape)],
        [helper.make_tensor_value_info(n, TensorProto.FLOAT, s) for n, s in outputs.items()],
    )  # fmt: skip
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    helper.set_model_props(model, meta or {})
    onnx.save(model, path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    channels = {"centre": 1, "letter": 27, "turn": 4, "shape": 6, "scale": 1}
    stub(tmp_path / "locator.onnx", "page", TensorProto.FLOAT,
         {name: (1, channels[name], 8, 8) for name in LOCATOR_OUTPUTS})  # fmt: skip
    shapes = {"letter": (2, 28), "defects": (2, len(LEARNED_DEFECTS)), "tags": (2, 5),
              "parts": (2, 6, 32, 24)}  # fmt: skip
    meta = {"version": "stub-1", "letters": LETTERS, "defects": json.dumps(LEARNED_DEFECTS),
            "parts": json.dumps(PARTS)}  # fmt: skip
    stub(tmp_path / "assessor.onnx", "crops", TensorProto.UINT8, shapes, meta)
    seal(tmp_path)
    return tmp_path


def seal(folder: Path) -> None:
    rows = [f"{hashlib.sha256((folder / n).read_bytes()).hexdigest()}  {n}\n"
            for n in ("locator.onnx", "assessor.onnx")]  # fmt: skip
    (folder / "checksums.sha256").write_text("".join(rows))


def test_metadata_and_shapes(folder: Path) -> None:
    sessions = OnnxNetworks(folder)
    assert sessions.info.version == "stub-1"
    assert sessions.info.letters == LETTERS
    assert sessions.info.defects == LEARNED_DEFECTS
    assert sessions.info.parts == tuple(PARTS)
    maps = sessions.locate(np.zeros((1, 1, 32, 32), np.float32))
    assert maps.centre.shape == (8, 8)
    assert maps.shape.shape == (6, 8, 8)
    seen = sessions.assess(np.zeros((2, 2, 128, 96), np.uint8))
    assert [a.shape[1] for a in seen[:3]] == [28, len(LEARNED_DEFECTS), 5]
    assert len(ASSESSOR_OUTPUTS) == 3
    assert sessions.part_masks(seen, np.array([1])).shape == (1, 6, 32, 24)


def test_altered_file_is_refused(folder: Path) -> None:
    data = bytearray((folder / "assessor.onnx").read_bytes())
    data[-1] ^= 1
    (folder / "assessor.onnx").write_bytes(data)
    with pytest.raises(ModelError, match=r"assessor\.onnx: its checksum is not"):
        OnnxNetworks(folder)


@pytest.mark.parametrize("name", ["locator.onnx", "assessor.onnx", "checksums.sha256"])
def test_missing_file_is_named(folder: Path, name: str) -> None:
    (folder / name).unlink()
    with pytest.raises(ModelError, match="missing") as caught:
        OnnxNetworks(folder)
    assert str(folder / name) in str(caught.value)


def test_other_broken_folders(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="no such model folder"):
        OnnxNetworks(tmp_path / "nowhere")
    (folder / "locator.onnx").write_bytes(b"not a network")
    seal(folder)
    with pytest.raises(ModelError, match=r"locator\.onnx: is not a usable network"):
        OnnxNetworks(folder)


def test_networks_that_do_not_say_enough(folder: Path) -> None:
    stub(folder / "assessor.onnx", "crops", TensorProto.UINT8, {"letter": (2, 28)})
    seal(folder)
    with pytest.raises(ModelError, match="lacks the outputs defects, tags"):
        OnnxNetworks(folder)


def test_cores() -> None:
    assert count_physical_cores() >= 1
