"""From trained weights to the shipped folder: calibration, ONNX, thresholds, checksums."""

from __future__ import annotations

import datetime
from dataclasses import asdict, replace
from pathlib import Path

import torch
import yaml
from omegaconf import OmegaConf

from crownlet.infer.promise import NONE
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.calibrate import (
    Logits,
    calibrate,
    collect,
    defect_probabilities,
    thresholds,
    write_calibration,
)
from crownlet.train.data import render_watch
from crownlet.train.export import export_assessor, export_locator, write_checksums
from crownlet.train.fit import Config, make_network, make_renders
from crownlet.train.reservoir import Reservoir, read_crops
from crownlet.train.weights import load_weights


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
    model = OmegaConf.load(Path(__file__).parents[1] / "configs" / "model" / f"{name}.yaml")
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
        "promise": NONE,
        "defects": chosen,
    }
    text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=96)
    (folder / "thresholds.yaml").write_text(text, encoding="utf-8")
