"""From trained networks to the two ONNX files that `crownlet.infer` runs, checked against torch."""

from __future__ import annotations

import base64
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
from torch import Tensor, nn

from crownlet.datasets.files.atomic import atomic_write, write_file
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.image import crops
from crownlet.infer.networks import import_onnx_runtime
from crownlet.infer.promises import NO_PROMISE
from crownlet.models.assessor import PART_CHANNELS, Assessor, AssessorExport
from crownlet.models.locator import BODY_HEIGHT_PX, Locator, LocatorExport
from crownlet.train.calibration.networks import (
    Logits,
    calibrate,
    collect,
    defect_probabilities,
    thresholds,
    write_calibration,
)
from crownlet.train.fit.architecture import architecture_of_network
from crownlet.train.fit.augment import Strengths, change_crops
from crownlet.train.fit.data import claim_pool, render_watch
from crownlet.train.fit.fit import Config, make_renders
from crownlet.train.fit.reservoir import Batch, Reservoir, read_crops
from crownlet.train.fit.weights import open_assessor, open_locator, version_named, weights_named

CHANGES_SEED = 14

MAX_PARITY_DIFFERENCE = 1e-3
"""Largest difference of any probability between torch and ONNX Runtime that is let through."""


def export_locator(network: Locator, path: Path, version: str) -> float:
    """Write locator.onnx for pages of any size; the largest difference of a centre probability."""
    facts = {
        "version": version, "letters": LETTERS, "body": BODY_HEIGHT_PX, "stride": 4,
        "architecture": architecture_of_network(network).as_facts(),
    }  # fmt: skip
    page = torch.rand(1, 1, 160, 224)
    _write_onnx(
        LocatorExport(network), page, path, facts, ["page"],
        ["centre", "letter", "turn", "shape", "scale"],
        {"page": {2: torch.export.Dim("rows", min=2, max=4096) * 32,
                  3: torch.export.Dim("columns", min=2, max=4096) * 32}},
    )  # fmt: skip

    def probabilities(outputs: list[np.ndarray]) -> list[np.ndarray]:
        return [outputs[0], _softmax(outputs[1]), _softmax(outputs[2])]

    samples = [torch.rand(1, 1, 160, 224), torch.rand(1, 1, 320, 192)]
    return _check_parity(LocatorExport(network), path, samples, "page", probabilities)


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
        "parts": list(PART_CHANNELS), "body": crops.CROP_BODY_PX,
        "crop": [crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX],
        "architecture": architecture_of_network(network).as_facts(),
        "letter_head": letter_head(network, calibration["temperatures"][0]),
    }  # fmt: skip
    batch = torch.randint(
        0, 256, (4, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX), dtype=torch.uint8
    )
    dims = {"crops": {0: torch.export.Dim("letters", min=1, max=4096)}}
    names = ["letter", "defects", "tags", "parts", "hidden"]
    _write_onnx(wrapped, batch, path, facts, ["crops"], names, dims)
    samples = [
        batch,
        torch.randint(0, 256, (7, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX), dtype=torch.uint8),
    ]
    return _check_parity(wrapped, path, samples, "crops", lambda outputs: outputs)


def letter_head(network: Assessor, temperature: float) -> str:
    """The letter head as base64 of little-endian float32, (28, hidden + 1) row by row.

    With `w` the first columns and `b` the last one, the `letter` output is
    softmax(hidden @ w.T + b): the calibration is in them.
    """
    head = torch.cat([network.letter.weight, network.letter.bias[:, None]], dim=1) / temperature
    return base64.b64encode(head.detach().numpy().astype("<f4").tobytes()).decode("ascii")


def _softmax(logits: np.ndarray) -> np.ndarray:
    raised = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True))


def _write_onnx(
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
    with atomic_write(path) as draft:
        onnx.save(model, draft)


def _check_parity(
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
    if worst > MAX_PARITY_DIFFERENCE:
        raise ValueError(
            f"{path.name} differs from torch by {worst:.2g}, more than {MAX_PARITY_DIFFERENCE:g}"
        )
    return worst


def write_checksums(
    folder: Path, names: tuple[str, ...] = ("locator.onnx", "assessor.onnx")
) -> None:
    """Write `checksums.sha256` in the form that `sha256sum --check` reads."""
    lines = [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}" for name in names
    ]
    write_file(folder / "checksums.sha256", "\n".join(lines) + "\n")


def export_networks(config: Config) -> Path:
    """Calibrate on hands kept for it and write both ONNX files with what they need beside them."""
    folder = Path(config.export.to)
    locator = open_locator(weights_named(config.export.locator, "locator"))
    assessor = open_assessor(weights_named(config.export.assessor, "assessor"))
    version = version_named(config.export.version)
    logits = calibration_logits(config, assessor)
    curves = calibrate(logits)
    differences = {
        "locator": export_locator(locator, folder / "locator.onnx", version),
        "assessor": export_assessor(assessor, asdict(curves), folder / "assessor.onnx", version),
    }
    write_calibration(curves, folder / "calibration.yaml")
    _write_thresholds(config, logits, thresholds(defect_probabilities(logits, curves)), folder)
    write_checksums(folder)
    print("largest difference to torch:", differences)
    return folder


def calibration_logits(config: Config, assessor: Assessor) -> Logits:
    """The assessor's logits on pages by hands of the calibration split, rendered if need be.

    Those of the letters are of crops changed as they are in training: on renders as they are the
    assessor is right so often that a temperature fitted there makes it sure of every letter, and
    on real hands half of the letters misread then have a probability above 0.9.
    """
    renders = replace(make_renders(config), watch_pages=config.export.calibration_pages)
    claim_pool(renders)
    render_watch(renders)
    reservoir = Reservoir(
        renders.folder / "watch", read_crops, renders.watch_pages * 128, torch.device("cpu"),
        renders.watch_pages,
    )  # fmt: skip

    reservoir.top_up()
    rows = reservoir.all_rows()
    changed = collect(assessor, change_as_in_training(rows))
    return replace(collect(assessor, rows), letter=changed.letter)


def change_as_in_training(rows: Batch, at_once: int = 512) -> Batch:
    """Crops with the changes of `train.fit.augment`, the same ones each time."""
    generator = torch.Generator().manual_seed(CHANGES_SEED)
    parts = []
    for start in range(0, len(rows["letter"]), at_once):
        part = {key: value[start : start + at_once] for key, value in rows.items()}
        parts.append(change_crops(part, Strengths(), generator))
    return {key: torch.cat([part[key] for part in parts]) for key in rows}


def _write_thresholds(
    config: Config, logits: Logits, chosen: dict[str, dict[str, float]], folder: Path
) -> None:
    """Write the calibrated borders; values set by hand are in routing.yaml beside them."""
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
    write_file(folder / "thresholds.yaml", text)
