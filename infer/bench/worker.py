"""One inspection after another in a process of its own, measured as a user would have it."""

from __future__ import annotations

import time

BEGUN = time.perf_counter()

import json  # noqa: E402
import subprocess  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402


def measured(page: Path, portion: str, model: Path | None, repeats: int) -> dict[str, Any]:
    """Times, memory and letters of one page, inspected in a fresh process."""
    request = {"page": str(page), "portion": portion, "repeats": repeats}
    request["model"] = str(model) if model else None
    start = time.perf_counter()
    run = subprocess.run(
        [sys.executable, "-m", "crownlet.infer.bench.worker", json.dumps(request)],
        capture_output=True, text=True,
    )  # fmt: skip
    whole = time.perf_counter() - start
    if run.returncode:
        raise RuntimeError(run.stderr.strip().splitlines()[-1])
    facts: dict[str, Any] = json.loads(run.stdout.splitlines()[-1])
    # What Python takes to start and to end is counted with the cold start.
    facts["cold"]["python_s"] = whole - facts.pop("whole_s")
    return facts


def inspections(request: dict[str, Any]) -> dict[str, Any]:
    """Inspect a page `repeats` times after a first one; the quickest of them counts as warm."""
    import cv2

    from crownlet.infer.findings import findings_of
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.writer import write_page

    cv2.setNumThreads(1)  # As `crownlet inspect` has it.
    inspector = Inspector(request["model"])
    ready = time.perf_counter() - BEGUN
    memory = {"ready_mb": peak_memory()}
    rounds: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(request["repeats"] + 1):
            start, cpu = time.perf_counter(), time.process_time()
            record = inspector.inspect(request["page"], request["portion"])
            read = time.perf_counter()
            write_page(record, Path(folder), findings_of(record, inspector.customs))
            end = time.perf_counter()
            stages = {**record.timing, "write": end - read}
            used = time.process_time() - cpu
            rounds.append({"page_s": end - start, "cpu_s": used, "stages_s": stages})
    first, *others = rounds
    return {
        "letters": "".join(glyph.letter for glyph in record.glyphs),
        "megapixels": record.image.width * record.image.height / 1e6,
        "cold": {"ready_s": ready, **first},
        "warm": min(others, key=lambda each: float(each["page_s"])),
        "memory": memory | {"peak_mb": peak_memory()},
        "whole_s": time.perf_counter() - BEGUN,
    }


def peak_memory() -> float:
    """Most memory that this process has held so far, in MiB."""
    status = Path("/proc/self/status")
    if status.exists():  # ru_maxrss a process inherits from the one that started it.
        return int(status.read_text().split("VmHWM:")[1].split()[0]) / 1024
    import resource

    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / 2**20 if sys.platform == "darwin" else most / 1024


if __name__ == "__main__":
    print(json.dumps(inspections(json.loads(sys.argv[1]))))
