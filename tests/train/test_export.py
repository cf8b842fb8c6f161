"""Exported files against torch and against the ONNX standard's own checker."""

import base64
import json
import subprocess
from pathlib import Path
from typing import TypeVar

import numpy as np
import onnx
import pytest
import torch

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.networks import import_onnx_runtime
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.export.onnx import (
    MAX_PARITY_DIFFERENCE,
    export_assessor,
    export_locator,
    write_checksums,
)
from crownlet.train.export.quantise import write_integers

D = len(LEARNED_DEFECTS)
Network = TypeVar("Network", Locator, Assessor)


def calibration() -> dict[str, list[float]]:
    return {"gain": [1.5] * D, "offset": [-0.5] * D, "temperatures": [1.2, 0.8]}


def shaken(network: Network) -> Network:
    # Fresh residual blocks are the identity; give every weight something to do.
    with torch.no_grad():
        for p in network.parameters():
            p.add_(0.05 * torch.randn_like(p))
    return network


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("weights")
    torch.manual_seed(3)
    assert export_locator(shaken(Locator()), out / "locator.onnx", "t") < MAX_PARITY_DIFFERENCE
    assert (
        export_assessor(shaken(Assessor(D)), calibration(), out / "assessor.onnx", "t")
        < MAX_PARITY_DIFFERENCE
    )
    write_checksums(out)
    return out


def test_both_files_stay_below_sixteen_mebibytes_together_in_integers(
    folder: Path, tmp_path: Path
) -> None:
    random = np.random.default_rng(1)
    shown = {
        "locator": {"page": random.random((1, 1, 64, 64), np.float32)},
        "assessor": {"crops": random.integers(0, 256, (4, 2, 128, 96), np.uint8)},
    }
    for name, inputs in shown.items():
        write_integers(folder / f"{name}.onnx", tmp_path / f"{name}.onnx", [inputs])
    assert sum(path.stat().st_size for path in tmp_path.glob("*.onnx")) < 16 * 2**20


def test_the_letter_head_in_the_metadata_gives_the_letters_from_the_hidden_numbers(
    folder: Path,
) -> None:
    session = import_onnx_runtime().InferenceSession(folder / "assessor.onnx")
    text = session.get_modelmeta().custom_metadata_map["letter_head"]
    head = np.frombuffer(base64.b64decode(text), "<f4").reshape(28, -1)
    crops = np.random.default_rng(2).integers(0, 256, (5, 2, 128, 96), np.uint8)
    letter, hidden = session.run(["letter", "hidden"], {"crops": crops})
    assert hidden.shape == (5, head.shape[1] - 1)
    raised = np.exp(hidden @ head[:, :-1].T + head[:, -1])
    np.testing.assert_allclose(raised / raised.sum(1, keepdims=True), letter, atol=1e-5)


def test_the_model_carries_its_own_classes_and_sizes(folder: Path) -> None:
    model = onnx.load(folder / "assessor.onnx")
    onnx.checker.check_model(model)
    facts = {entry.key: entry.value for entry in model.metadata_props}
    assert facts["letters"] == LETTERS
    assert json.loads(facts["defects"]) == list(LEARNED_DEFECTS)
    assert json.loads(facts["crop"]) == [128, 96]


@pytest.mark.parametrize("size", [(64, 32), (352, 608)])
def test_the_locator_takes_pages_of_any_size(folder: Path, size: tuple[int, int]) -> None:
    session = import_onnx_runtime().InferenceSession(folder / "locator.onnx")
    page = np.random.default_rng(1).random((1, 1, *size), np.float32)
    outputs = session.run(None, {"page": page})
    assert all(out.shape[2:] == (size[0] // 4, size[1] // 4) for out in outputs)
    assert ((outputs[0] >= 0) & (outputs[0] <= 1)).all()


def test_checksums_are_those_of_the_standard_tool(folder: Path) -> None:
    # sha256sum of GNU coreutils reads the file as it stands.
    run = subprocess.run(
        ["sha256sum", "--check", "--strict", "checksums.sha256"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
