"""From trained networks to the two ONNX files that `crownlet.infer` runs, checked against torch."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from torch import Tensor, nn

from crownlet.datasets.alphabet import LETTERS
from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.infer import crops
from crownlet.infer.sessions import onnx_runtime
from crownlet.models.assessor import PARTS, Assessor, AssessorExport
from crownlet.models.locator import UNIT, Locator, LocatorExport

PARITY = 1e-3
"""Largest difference of any probability between torch and ONNX Runtime that is let through."""


def export_locator(network: Locator, path: Path, version: str) -> float:
    """Write locator.onnx for pages of any size; the largest difference of a centre probability."""
    facts = {"version": version, "letters": LETTERS, "body": UNIT, "stride": 4}
    page = torch.rand(1, 1, 160, 224)
    _write(
        LocatorExport(network), page, path, facts, ["page"],
        ["centre", "letter", "turn", "shape", "scale"],
        {"page": {2: torch.export.Dim("rows", min=2, max=4096) * 32,
                  3: torch.export.Dim("columns", min=2, max=4096) * 32}},
    )  # fmt: skip

    def probabilities(outputs: list[np.ndarray]) -> list[np.ndarray]:
        return [outputs[0], _softmax(outputs[1]), _softmax(outputs[2])]

    samples = [torch.rand(1, 1, 160, 224), torch.rand(1, 1, 320, 192)]
    return _parity(LocatorExport(network), path, samples, "page", probabilities)


def export_assessor(
    network: Assessor, calibration: dict[str, list[float]], path: Path, version: str
) -> float:
    """Write assessor.onnx with its calibration baked in; the largest difference of probability.

    `calibration` holds `gain` and `offset` of D numbers each and `temperatures` of two.
    """
    wrapped = AssessorExport(
        network,
        torch.tensor(calibration["gain"]),
        torch.tensor(calibration["offset"]),
        torch.tensor(calibration["temperatures"]),
    )
    facts = {
        "version": version, "letters": LETTERS, "defects": list(LEARNED_DEFECTS),
        "parts": list(PARTS), "body": crops.BODY, "crop": [crops.HEIGHT, crops.WIDTH],
    }  # fmt: skip
    batch = torch.randint(0, 256, (4, 2, crops.HEIGHT, crops.WIDTH), dtype=torch.uint8)
    dims = {"crops": {0: torch.export.Dim("letters", min=1, max=4096)}}
    names = ["letter", "defects", "tags", "parts"]
    _write(wrapped, batch, path, facts, ["crops"], names, dims)
    samples = [batch, torch.randint(0, 256, (7, 2, crops.HEIGHT, crops.WIDTH), dtype=torch.uint8)]
    return _parity(wrapped, path, samples, "crops", lambda outputs: outputs)


def _softmax(logits: np.ndarray) -> np.ndarray:
    raised = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True))


def _write(
    network: nn.Module, sample: Tensor, path: Path, facts: dict[str, object],
    inputs: list[str], outputs: list[str], dims: dict[str, dict[int, Any]],
) -> None:  # fmt: skip
    network.eval()
    path.parent.mkdir(parents=True, exist_ok=True)
    program = torch.onnx.export(
        network, (sample,), dynamo=True, input_names=inputs, output_names=outputs,
        dynamic_shapes=dims, opset_version=18, verbose=False,
    )  # fmt: skip
    assert program is not None
    model = program.model_proto
    for key, value in facts.items():
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        entry = model.metadata_props.add()
        entry.key, entry.value = key, text
    onnx.checker.check_model(model)
    temporary = path.with_suffix(".tmp")
    onnx.save(model, temporary)
    temporary.replace(path)


def _parity(
    network: nn.Module, path: Path, samples: list[Tensor], name: str,
    probabilities: Callable[[list[np.ndarray]], list[np.ndarray]],
) -> float:  # fmt: skip
    session = onnx_runtime().InferenceSession(path, providers=["CPUExecutionProvider"])
    worst = 0.0
    for sample in samples:
        with torch.no_grad():
            mine = probabilities([out.numpy() for out in network(sample)])
        theirs = probabilities(session.run(None, {name: sample.numpy()}))
        worst = max(worst, *(float(np.abs(a - b).max()) for a, b in zip(mine, theirs, strict=True)))
    if worst > PARITY:
        raise ValueError(f"{path.name} differs from torch by {worst:.2g}, more than {PARITY:g}")
    return worst


def write_checksums(
    folder: Path, names: tuple[str, ...] = ("locator.onnx", "assessor.onnx")
) -> None:
    """Write `checksums.sha256` in the form that `sha256sum --check` reads."""
    lines = [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}" for name in names
    ]
    (folder / "checksums.sha256").write_text("\n".join(lines) + "\n", encoding="utf-8")
