"""The job `reference`: sketches of pages that the networks know, kept beside them for drift.

Hands of the calibration split write the pages: half as faulty as those of training, half with few
faults, as scrolls in use are.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.render.page.spec import training
from crownlet.infer.drift.reference import fit_reference, page_features, write_drift_reference
from crownlet.infer.networks import OnnxNetworks
from crownlet.train.calibration.expected_error import fit_error_curve, read_hard_pages
from crownlet.train.evaluation.workers import PageReader, ReadingJob

Floats = npt.NDArray[np.float64]

REFERENCE_FIRST_SEED = 710_000_000

REFERENCE_CUSTOMS = "unspecified"


def make_reference(config: Any) -> Path:
    """Write `reference.json` beside the networks of `reference.model`; its path."""
    return write_reference(Path(config.reference.model), config.reference)


def write_reference(model: Path, settings: Any) -> Path:
    """Read `settings.pages` pages with the networks in `model` and keep their sketches there, and
    `settings.hard_pages` harder ones for the errors to expect."""
    reader = PageReader(str(model), REFERENCE_CUSTOMS, settings.workers)
    found = np.stack(list(sketch_pages(reader, reference_jobs(settings.pages))))
    today = datetime.date.today().isoformat()
    provenance = f"{len(found)} rendered pages by hands of the calibration split, {today}"
    checksums = OnnxNetworks(model, threads=1).info.checksums
    hard = read_hard_pages(reader, settings.hard_pages)
    kinds = f"{len(hard.doubt)} rendered pages, many by far hands or badly taken, {today}"
    errors = fit_error_curve(hard, kinds)
    return write_drift_reference(fit_reference(found, checksums, provenance, errors), model)


def reference_jobs(
    count: int, split: str = "calibrate", first_seed: int = REFERENCE_FIRST_SEED
) -> list[ReadingJob]:
    """Pages, of which every other one has few faults."""
    plain = {"defect_rate": 0.03, "habit_rate": 0.05, "gap_rate": 0.005, "morph_rate": 0.005}
    return [
        ReadingJob(training(split=split, **(plain if k // 2 % 2 else {})), first_seed + k)
        for k in range(count)
    ]


def sketch_pages(reader: PageReader, pages: list[ReadingJob]) -> Iterator[Floats]:
    """(F,) of each page that is not refused."""
    for page in reader.read(pages):
        if page.records and page.records[0].glyphs:
            yield page_features(page.records[0])
