"""The job `promise`: gather evidence or take what is there, choose borders, write them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from omegaconf import OmegaConf

from crownlet.train.promise.choosing import Aims, choose, load_of
from crownlet.train.promise.evidence import load
from crownlet.train.promise.gather import Gathering, gather
from crownlet.train.promise.writing import document, table, write_thresholds


def promise(config: Any) -> Path:
    """Do the job as `configs/train.yaml` describes it; the path of the thresholds, or of the
    evidence where nothing is to be written."""
    own = config.promise
    path = Path(own.evidence)
    evidence = gather(gathering(own), path) if own.gather else load(path)
    aims = Aims(
        cleared=own.cleared, false=1.0 - own.findings_true, confidence=own.confidence,
        together=own.together, own=OmegaConf.to_container(own.cleared_of) or {},
        unpromised=(own.unpromised["clear"], own.unpromised["finding"]),
    )  # fmt: skip
    choices = choose(evidence, aims)
    burden = load_of(evidence, choices)
    print(table(choices, burden))
    if not own.write:
        return path
    content = document(evidence, choices, burden, aims, config.export.version)
    return write_thresholds(content, Path(own.model))


def gathering(own: Any) -> Gathering:
    """What to gather, from the job's part of the configuration."""
    return Gathering(
        Path(own.model), own.customs, own.pages, own.first_seed, own.workers, own.minutes,
        tuple(Path(scan) for scan in own.scans),
    )  # fmt: skip
