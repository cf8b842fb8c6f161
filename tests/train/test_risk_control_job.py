"""The job `promise` from end to end: pages through the shipped networks, thresholds read back."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
from omegaconf import OmegaConf

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import training
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import read_verified_files, weights_folder
from crownlet.infer.thresholds import load_thresholds
from crownlet.train.risk_control.evidence import load_evidence
from crownlet.train.risk_control.gather import control_risk

CONFIG = Path(__file__).parents[2] / "configs" / "train.yaml"


def test_the_job_writes_thresholds_with_their_promise(tmp_path: Path) -> None:
    model, evidence = tmp_path / "model", tmp_path / "evidence.npz"
    shutil.copytree(weights_folder(), model)
    config = OmegaConf.load(CONFIG)
    config.promise.update(
        {"model": str(model), "evidence": str(evidence), "pages": 2, "workers": 2}
    )
    path = control_risk(config)
    limits = load_thresholds(model)
    assert limits.promise is not None
    calibration = limits.promise.calibration
    assert (calibration["scrolls"], calibration["pages"], calibration["source"]) == (
        2,
        2,
        "renders",
    )
    assert calibration["letters"] == len(load_evidence(evidence))
    assert limits.promise.made_for(Inspector(model).networks.info.checksums)
    assert set(read_verified_files(model)) <= set(calibration["model"])
    # Issue 3, 7: two scrolls carry no promise at 95% (0.8^13 is above 0.05), and that is said.
    assert set(limits.promise.defects.values()) == {None}
    assert any("over renders" in sentence for sentence in limits.promise.limits)
    assert any("Too few scrolls" in sentence for sentence in limits.promise.limits)

    # Chosen again from what is there, it is the same file.
    first = path.read_bytes()
    config.promise.gather = False
    assert control_risk(config).read_bytes() == first
    # Issue 3, 7: the calibration hands are their own; the evidence holds pages of that split alone.
    seeds = np.unique(load_evidence(evidence).scroll).tolist()
    assert seeds == [config.promise.first_seed, config.promise.first_seed + 1]
    page = compose(training(split="calibrate"), seeds[0])
    assert page.meta["split"] == "calibrate"
