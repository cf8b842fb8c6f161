"""Everything that one run of the bench measures, as plain numbers."""

from __future__ import annotations

import os
import platform
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crownlet.datasets.texts import portion
from crownlet.infer.bench import networks, rival
from crownlet.infer.bench.peak import measured_peak
from crownlet.infer.bench.reading_errors import error_rate, letters_of
from crownlet.infer.bench.work import in_integers
from crownlet.infer.bench.worker import measured
from crownlet.infer.sessions import Sessions, onnx_runtime


@dataclass(frozen=True)
class Plan:
    """What is measured: a page, the portion it shows, the networks, and how often."""

    page: Path
    portion: str = "mezuzah"
    model: Path | None = None
    repeats: int = 5
    rivals: bool = True
    """Whether Tesseract and torch run too, where they are installed."""


def bench(plan: Plan) -> dict[str, Any]:
    """All figures of one run, seconds and MiB unless the key says otherwise."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    sessions = Sessions(plan.model)
    integers = in_integers(sessions.folder)
    peak = measured_peak(sessions.threads, integers=integers)
    ours = measured(plan.page, plan.portion, plan.model, plan.repeats)
    written = portion(plan.portion).letters
    letters = ours.pop("letters")
    kept = networks.shown(sessions, plan.page)
    # Whatever else runs here may have slowed it the first time.
    peak = max(peak, measured_peak(sessions.threads, integers=integers))
    seconds = ours["warm"]["page_s"]
    return {
        "machine": machine(sessions.threads, load, peak) | {"integers": integers},
        "page": {"file": plan.page.name, "megapixels": ours.pop("megapixels"),
                 "letters": len(letters)},
        **ours,
        "pages_a_second": 1 / seconds,
        "letters_a_second": len(letters) / seconds,
        "letter_error_rate": error_rate(letters, written),
        "networks": networks.alone(kept, peak, plan.repeats),
        "tesseract": _tesseract(plan, written, seconds) if plan.rivals else None,
        "torch": _torch(plan, kept) if plan.rivals else None,
        "load_after": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
    }  # fmt: skip


def machine(threads: int, load: float | None, peak: float) -> dict[str, Any]:
    """The processor, and how busy it was before the run: a busy one makes every figure worse."""
    return {
        "processor": _processor(), "threads": threads, "load_before": load,
        "peak_gigaflop_a_second": peak / 1e9, "onnxruntime": onnx_runtime().__version__,
        "python": platform.python_version(),
    }  # fmt: skip


def _processor() -> str:
    facts = Path("/proc/cpuinfo")
    lines = facts.read_text(encoding="utf-8").splitlines() if facts.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()


def _tesseract(plan: Plan, written: str, ours: float) -> dict[str, Any] | None:
    version = rival.version()
    if version is None:
        return None
    runs = [rival.read(plan.page) for _ in range(max(2, plan.repeats - 2))]
    text, seconds = min(runs, key=lambda run: run[1])
    return {
        "version": version, "model": rival.model(), "page_s": seconds,
        "letter_error_rate": error_rate(letters_of(text), written), "times_ours": seconds / ours,
    }  # fmt: skip


def _torch(plan: Plan, kept: networks.Shown) -> dict[str, float] | None:
    """Seconds of the same networks in torch, None where it or its weights are missing."""
    try:
        from crownlet.train.plain import seconds_in_torch
    except ModuleNotFoundError:
        return None
    folder = kept.sessions.folder
    if not (folder / "assessor.safetensors").exists():
        return None
    threads, repeats = kept.sessions.threads, min(3, plan.repeats)
    return seconds_in_torch(folder, kept.pages, kept.crops, repeats, threads)
