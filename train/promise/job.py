"""The job `promise`: gather evidence or take what is there, choose borders, write them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml
from omegaconf import OmegaConf

from crownlet.infer.thresholds import load_thresholds
from crownlet.models.assessor import Assessor
from crownlet.train.calibrate import Calibration
from crownlet.train.fit import make_network
from crownlet.train.promise.checking import check_table, kept, load_at
from crownlet.train.promise.choosing import Aims, choose, load_of
from crownlet.train.promise.evidence import Evidence, load, save
from crownlet.train.promise.from_crops import crop_evidence
from crownlet.train.promise.gather import Gathering, gather
from crownlet.train.promise.writing import document, letters_line, table, write_thresholds
from crownlet.train.scan_pools import paths_of
from crownlet.train.weights import load_weights

MODELS = Path(__file__).parents[2] / "configs" / "model"


def promise(config: Any) -> Path:
    """Do the job as `configs/train.yaml` describes it; the path of the thresholds, or of the
    evidence where nothing is to be written."""
    own = config.promise
    path = Path(own.evidence)
    evidence = collected(config, path) if own.gather else load(path)
    print(letters_line(evidence))
    if own.check:
        limits = load_thresholds(Path(own.model))
        print(check_table(kept(evidence, limits), load_at(evidence, limits)))
        return path
    aims = Aims(
        cleared=own.cleared, false=1.0 - own.findings_true, confidence=own.confidence,
        together=own.together, own={str(k): float(v) for k, v in own.cleared_of.items()},
        unpromised=(own.unpromised["clear"], own.unpromised["finding"]),
    )  # fmt: skip
    choices = choose(evidence, aims)
    burden = load_of(evidence, choices)
    print(table(choices, burden))
    if not own.write or own.pool:
        return path
    content = document(evidence, choices, burden, aims, config.export.version)
    return write_thresholds(content, Path(own.model))


def collected(config: Any, path: Path) -> Evidence:
    """New evidence: from whole pages, or, to try things out, from a pool of stored crops."""
    own = config.promise
    if not own.pool:
        return gather(gathering(own), path)
    network = make_network(OmegaConf.load(MODELS / "assessor.yaml"))
    load_weights(network, Path(config.export.assessor))
    assert isinstance(network, Assessor)
    curves = yaml.safe_load((Path(own.model) / "calibration.yaml").read_text("utf-8"))
    evidence = crop_evidence(network, Path(own.pool), Calibration(**curves))
    save(evidence, path)
    return evidence


def gathering(own: Any) -> Gathering:
    """What to gather, from the job's part of the configuration."""
    return Gathering(
        Path(own.model), own.customs, own.pages, own.first_seed, own.workers, own.minutes,
        paths_of(own.scans), own.split,
    )  # fmt: skip
