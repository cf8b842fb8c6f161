"""Everything that one run of the bench measures, as plain numbers.

The page, a mezuzah of 10 megapixels set in type or a picture of the user's own, is inspected in a
process of its own (`fresh_process.py`), so that import and memory are those of a user's run.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.networks import OnnxNetworks, import_onnx_runtime
from crownlet.train.bench import networks
from crownlet.train.bench.baseline import (
    error_rate,
    keep_letters,
    read_with_tesseract,
    tesseract_model,
    tesseract_version,
)
from crownlet.train.bench.networks import is_quantised, measure_peak

BENCH_BODY_PX = 58.0
"""Body height in px of the page set here: a mezuzah of 714 letters then has 10.2 megapixels."""


def measure_page(page: Path, portion: str, model: Path | None, repeats: int) -> dict[str, Any]:
    """Times, memory and letters of one page, inspected in a fresh process."""
    request = {"page": str(page), "portion": portion, "repeats": repeats}
    request["model"] = str(model) if model else None
    start = time.perf_counter()
    run = subprocess.run(
        [sys.executable, "-m", "crownlet.train.bench.fresh_process", json.dumps(request)],
        capture_output=True, text=True,
    )  # fmt: skip
    whole = time.perf_counter() - start
    if run.returncode:
        raise RuntimeError(run.stderr.strip().splitlines()[-1])
    facts: dict[str, Any] = json.loads(run.stdout.splitlines()[-1])
    # What Python takes to start and to end is counted with the cold start.
    facts["cold"]["python_s"] = whole - facts.pop("whole_s")
    return facts


@dataclass(frozen=True)
class BenchPlan:
    """What is measured: a page, the portion it shows, the networks, and how often."""

    page: Path
    portion: str = "mezuzah"
    model: Path | None = None
    repeats: int = 5
    rivals: bool = True
    """Whether Tesseract and torch run too, where they are installed."""


def run_bench(plan: BenchPlan) -> dict[str, Any]:
    """All figures of one run, in seconds and MiB unless the key names another unit."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    sessions = OnnxNetworks(plan.model)
    integers = is_quantised(sessions.folder)
    peak = measure_peak(sessions.threads, integers=integers)
    ours = measure_page(plan.page, plan.portion, plan.model, plan.repeats)
    written = load_portion(plan.portion).letters
    letters = ours.pop("letters")
    kept = networks.record_inputs(sessions, plan.page)
    # Whatever else runs here may have slowed it the first time.
    peak = max(peak, measure_peak(sessions.threads, integers=integers))
    seconds = ours["warm"]["page_s"]
    return {
        "machine": machine(sessions.threads, load, peak) | {"integers": integers},
        "page": {"file": plan.page.name, "megapixels": ours.pop("megapixels"),
                 "letters": len(letters)},
        **ours,
        "pages_a_second": 1 / seconds,
        "letters_a_second": len(letters) / seconds,
        "letter_error_rate": error_rate(letters, written),
        "networks": networks.measure_alone(kept, plan.repeats, integers=integers),
        "tesseract": _tesseract(plan, written, seconds) if plan.rivals else None,
        "torch": _torch(plan, kept) if plan.rivals else None,
        "load_after": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
    }  # fmt: skip


def machine(threads: int, load: float | None, peak: float) -> dict[str, Any]:
    """The processor, and how busy it was before the run: a busy one makes every figure worse."""
    return {
        "processor": _processor(), "threads": threads, "load_before": load,
        "peak_gigaflop_a_second": peak / 1e9, "onnxruntime": import_onnx_runtime().__version__,
        "python": platform.python_version(),
    }  # fmt: skip


def _processor() -> str:
    facts = Path("/proc/cpuinfo")
    lines = facts.read_text(encoding="utf-8").splitlines() if facts.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()


def _tesseract(plan: BenchPlan, written: str, ours: float) -> dict[str, Any] | None:
    version = tesseract_version()
    if version is None:
        return None
    runs = [read_with_tesseract(plan.page) for _ in range(max(2, plan.repeats - 2))]
    text, seconds = min(runs, key=lambda run: run[1])
    return {
        "version": version, "model": tesseract_model(), "page_s": seconds,
        "letter_error_rate": error_rate(keep_letters(text), written), "times_ours": seconds / ours,
    }  # fmt: skip


def _torch(plan: BenchPlan, kept: networks.Shown) -> dict[str, float] | None:
    """Seconds of the same networks in torch, None where it or its weights are missing."""
    try:
        from crownlet.train.bench.networks import measure_in_torch
    except ModuleNotFoundError:
        return None
    folder = kept.sessions.folder
    if not (folder / "assessor.safetensors").exists():
        return None
    threads, repeats = kept.sessions.threads, min(3, plan.repeats)
    return measure_in_torch(folder, kept.pages, kept.crops, repeats, threads)


def write_type_page(folder: Path, body: float = BENCH_BODY_PX) -> Path:
    """Write a mezuzah set in a scribal-style font as PNG; needs the extra `train` and the font.

    Raises:
        FileNotFoundError: the fonts are not installed.
        ModuleNotFoundError: the extra `train` is not installed.
    """
    from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page

    path = folder / "mezuzah.png"
    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", body, "cream"))
    Image.fromarray(page.image).save(path)
    return path
