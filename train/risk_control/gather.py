"""The job `promise`: gather evidence or load it, choose thresholds, write them.

Calibration pages go through the whole tool, as users run it, in several processes.
"""

from __future__ import annotations

import datetime
import logging
import multiprocessing as mp
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import yaml

from crownlet.datasets.coco.read import load_coco
from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.spec import Split, training
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import OnnxNetworks
from crownlet.infer.thresholds import load_thresholds
from crownlet.train.calibration.networks import Calibration
from crownlet.train.evaluation.workers import text_of
from crownlet.train.fit.pool import TooManyFailuresError, render_pages
from crownlet.train.fit.scans import paths_of, require_pages, scan_pages
from crownlet.train.fit.weights import open_assessor, weights_named
from crownlet.train.risk_control.check import check_table, load_under, measure_promises
from crownlet.train.risk_control.choose import RiskTargets, choose_thresholds, measure_load
from crownlet.train.risk_control.evidence import (
    Evidence,
    crop_evidence,
    join_evidence,
    load_evidence,
    page_evidence,
    save_evidence,
)
from crownlet.train.risk_control.write import (
    build_document,
    choice_table,
    describe_letters,
    write_thresholds,
)

LOG = logging.getLogger(__name__)

EVIDENCE_FIRST_SEED = 700_000_000
"""Pages of the calibration split from here on; the curves are calibrated on those from 0 on."""


@dataclass(frozen=True)
class GatherConfig:
    """Which pages to inspect, with what, and how."""

    model: Path
    customs: str = "beit_yosef"
    """Expects tags on all the letters that any custom asks them of, so that each is examined."""
    pages: int = 1500
    first_seed: int = EVIDENCE_FIRST_SEED
    workers: int = 2
    minutes: float = 60.0
    """Time after which no further page is begun."""
    scans: tuple[Path, ...] = ()
    """Labelled scans instead of renders: COCO files, each one scroll, or a data set's folder, of
    which the part `calibrate` is taken."""
    split: Split = "calibrate"
    """Hands that render the pages; thresholds are chosen on no other than these."""


def gather_evidence(what: GatherConfig, path: Path) -> Evidence:
    """Inspect the pages, write the evidence to `path` and return it."""
    parts = path.parent / f".{path.stem}.parts"
    shutil.rmtree(parts, ignore_errors=True)
    parts.mkdir(parents=True)
    context = mp.get_context("spawn")
    stop_at = time.monotonic() + 60 * what.minutes
    started = []
    for k in range(what.workers):
        process = context.Process(target=_worker, args=(what, k, stop_at, parts), daemon=True)
        process.start()
        started.append(process)
    for process in started:
        process.join()
    if any(process.exitcode for process in started):
        raise RuntimeError("a process that gathered evidence failed; its error is above")
    found = [load_evidence(part) for part in sorted(parts.glob("*.npz"))]
    evidence = join_evidence(found, _evidence_facts(what, found))
    save_evidence(evidence, path)
    shutil.rmtree(parts, ignore_errors=True)
    return evidence


def _evidence_facts(what: GatherConfig, found: list[Evidence]) -> dict[str, object]:
    inspector = Inspector(what.model, what.customs)
    return {
        "source": [str(scan) for scan in what.scans] or "renders",
        "pages": sum(part.facts["pages"] for part in found),
        "pages_refused": sum(part.facts["refused"] for part in found),
        "pages_failed": sum(part.facts["failed"] for part in found),
        "split": what.split,
        "first_seed": what.first_seed,
        "customs": what.customs,
        "date": datetime.date.today().isoformat(),
        "model": {"version": inspector.networks.info.version, **inspector.networks.info.checksums},
    }


def _worker(what: GatherConfig, number: int, stop_at: float, parts: Path) -> None:
    """Every `workers`-th scroll, from the `number`-th on, into one file."""
    cv2.setNumThreads(1)
    inspector = Inspector(what.model, what.customs, networks=OnnxNetworks(what.model, threads=1))
    found: list[Evidence] = []
    pages = refused = failed = 0
    for scroll, page in _pages_by_scroll(what, number, stop_at):
        pages += 1
        try:
            record = inspector.inspect(page.image, text_of(page))
            found.append(page_evidence(page, record, inspector.customs, scroll))
        except PageError:
            refused += 1
        except Exception:
            # As in rendering: one page in ten thousand should not cost the others.
            failed += 1
            LOG.exception("page of scroll %d could not be inspected", scroll)
            if failed > max(2, pages / 50):
                raise TooManyFailuresError(f"{failed} of {pages} pages failed") from None
        if pages % 50 == 0:
            print(f"process {number}: {pages} pages", flush=True)
    if found:
        facts = {"pages": pages, "refused": refused, "failed": failed}
        save_evidence(join_evidence(found, facts), parts / f"{number:03d}.npz")


def _pages_by_scroll(
    what: GatherConfig, number: int, stop_at: float
) -> Iterator[tuple[int, PageTruth]]:
    """Pages with the number of their scroll: a rendered page has a hand of its own."""
    if what.scans:
        for scroll, page in _labelled_pages(what.scans):
            if scroll % what.workers == number:
                yield scroll, page
        return
    seeds = range(what.first_seed + number, what.first_seed + what.pages, what.workers)
    for name, page in render_pages(training(split=what.split), seeds, stop_at):
        yield int(name[1:]), page


def _labelled_pages(scans: tuple[Path, ...]) -> Iterator[tuple[int, PageTruth]]:
    """Pages of all sources with the number of their scroll."""
    numbers: dict[tuple[Path, str], int] = {}
    for source in scans:
        folder = source.is_dir()
        for page in scan_pages(source, "calibrate") if folder else load_coco(source):
            # A COCO file is one scroll, whatever its pages say.
            key = (source, str(page.meta.get("scroll", "")) if folder else "")
            yield numbers.setdefault(key, len(numbers)), page


def control_risk(config: Any) -> Path:
    """Do the job as `configs/train.yaml` describes it; the path of the thresholds, or of the
    evidence where nothing is to be written."""
    own = config.promise
    path = Path(own.evidence)
    if own.gather:
        for source in paths_of(own.scans):
            require_pages(source, "calibrate", "promise.scans")
    evidence = collect_evidence(config, path) if own.gather else load_evidence(path)
    print(describe_letters(evidence))
    if own.check:
        limits = load_thresholds(Path(own.model))
        print(check_table(measure_promises(evidence, limits), load_under(evidence, limits)))
        return path
    aims = RiskTargets(
        cleared=own.cleared, false=1.0 - own.findings_true, confidence=own.confidence,
        together=own.together, own={str(k): float(v) for k, v in own.cleared_of.items()},
        unpromised=(own.unpromised["clear"], own.unpromised["finding"]),
    )  # fmt: skip
    choices = choose_thresholds(evidence, aims)
    burden = measure_load(evidence, choices)
    print(choice_table(choices, burden))
    if not own.write or own.pool:
        return path
    version = config.export.version or OnnxNetworks(own.model, threads=1).info.version
    content = build_document(evidence, choices, burden, aims, version)
    return write_thresholds(content, Path(own.model))


def collect_evidence(config: Any, path: Path) -> Evidence:
    """New evidence: from whole pages, or, to try things out, from a pool of stored crops."""
    own = config.promise
    if not own.pool:
        return gather_evidence(gather_config(own), path)
    network = open_assessor(weights_named(config.export.assessor, "assessor"))
    curves = yaml.safe_load((Path(own.model) / "calibration.yaml").read_text("utf-8"))
    evidence = crop_evidence(network, Path(own.pool), Calibration(**curves))
    save_evidence(evidence, path)
    return evidence


def gather_config(own: Any) -> GatherConfig:
    """What to gather, from the job's part of the configuration."""
    return GatherConfig(
        Path(own.model), own.customs, own.pages, own.first_seed, own.workers, own.minutes,
        paths_of(own.scans), own.split,
    )  # fmt: skip
