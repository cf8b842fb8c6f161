"""From trained networks to the two ONNX files that `crownlet.infer` runs, checked against torch."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
import yaml
from omegaconf import OmegaConf
from torch import Tensor, nn

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.image import crops
from crownlet.infer.networks import import_onnx_runtime
from crownlet.infer.thresholds import NO_PROMISE
from crownlet.models.assessor import PARTS, Assessor, AssessorExport
from crownlet.models.locator import UNIT, Locator, LocatorExport
from crownlet.train.calibration.networks import (
    Logits,
    calibrate,
    collect,
    defect_probabilities,
    thresholds,
    write_calibration,
)
from crownlet.train.fit.data import render_watch
from crownlet.train.fit.fit import Config, make_network, make_renders
from crownlet.train.fit.reservoir import Reservoir, read_crops
from crownlet.train.fit.weights import load_weights

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
        "parts": list(PARTS), "body": crops.CROP_BODY_PX,
        "crop": [crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX],
    }  # fmt: skip
    batch = torch.randint(
        0, 256, (4, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX), dtype=torch.uint8
    )
    dims = {"crops": {0: torch.export.Dim("letters", min=1, max=4096)}}
    names = ["letter", "defects", "tags", "parts"]
    _write(wrapped, batch, path, facts, ["crops"], names, dims)
    samples = [
        batch,
        torch.randint(0, 256, (7, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX), dtype=torch.uint8),
    ]
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
    session = import_onnx_runtime().InferenceSession(path, providers=["CPUExecutionProvider"])
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


def ship(config: Config) -> Path:
    """Calibrate on hands kept for it and write both ONNX files with what they need beside them."""
    folder = Path(config.export.to)
    locator = _network(config, "locator", config.export.locator)
    assessor = _network(config, "assessor", config.export.assessor)
    assert isinstance(locator, Locator)
    assert isinstance(assessor, Assessor)
    logits = calibration_logits(config, assessor)
    curves = calibrate(logits)
    differences = {
        "locator": export_locator(locator, folder / "locator.onnx", config.export.version),
        "assessor": export_assessor(
            assessor, asdict(curves), folder / "assessor.onnx", config.export.version
        ),
    }
    write_calibration(curves, folder / "calibration.yaml")
    _write_thresholds(config, logits, thresholds(defect_probabilities(logits, curves)), folder)
    write_checksums(folder)
    print("largest difference to torch:", differences)
    return folder


def _network(config: Config, name: str, weights: str) -> Assessor | Locator:
    model = OmegaConf.load(Path(__file__).parents[2] / "configs" / "model" / f"{name}.yaml")
    network = make_network(model)
    load_weights(network, Path(weights))
    return network.eval()


def calibration_logits(config: Config, assessor: Assessor) -> Logits:
    """The assessor's word on pages by hands of the calibration split, rendered if need be."""
    renders = replace(make_renders(config), watch_pages=config.export.calibration_pages)
    render_watch(renders)
    reservoir = Reservoir(
        renders.folder / "watch", read_crops, renders.watch_pages * 128, torch.device("cpu")
    )
    reservoir.top_up()
    return collect(assessor, reservoir.all_rows())


def _write_thresholds(
    config: Config, logits: Logits, chosen: dict[str, dict[str, float]], folder: Path
) -> None:
    """Write the calibrated borders; what is set by hand stands in routing.yaml beside them."""
    provenance = (
        f"{len(logits.true_letter)} letters on {config.export.calibration_pages} rendered pages by"
        f" hands of the calibration split, {datetime.date.today().isoformat()}: of the plain cases"
        " 1% lie below clear, of what lies above finding 95% are plain cases. Provisional, without"
        " a promise: letters of one hand err together and are counted singly here. The job"
        " `promise` puts others in their place."
    )
    document = {
        "version": f"{config.export.version}-provisional",
        "provenance": provenance,
        "promise": NO_PROMISE,
        "defects": chosen,
    }
    text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=96)
    (folder / "thresholds.yaml").write_text(text, encoding="utf-8")
