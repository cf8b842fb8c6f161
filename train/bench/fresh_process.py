"""A process that inspects one page again and again, and reports times and memory as JSON.

    python -m crownlet.train.bench.fresh_process '{"page": "p.png", "portion": "mezuzah", ...}'

It imports what `crownlet inspect` imports and nothing else of the bench: torch alone would take
more memory than the page.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

PROCESS_START_S = time.perf_counter()


def inspect_repeatedly(request: dict[str, Any]) -> dict[str, Any]:
    """Inspect a page `repeats` times after a first one; the quickest of them counts as warm."""
    from crownlet.infer.threads import limit_blas_threads, limit_opencv_threads

    # As `crownlet inspect` has them.
    limit_blas_threads()
    limit_opencv_threads()
    from crownlet.infer.findings.collect import collect_findings
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.run.write import write_page

    inspector = Inspector(request["model"])
    ready = time.perf_counter() - PROCESS_START_S
    memory = {"ready_mb": peak_memory()}
    rounds: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(request["repeats"] + 1):
            start, cpu = time.perf_counter(), time.process_time()
            record = inspector.inspect(request["page"], request["portion"])
            read = time.perf_counter()
            write_page(record, Path(folder), collect_findings(record, inspector.customs))
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
        "whole_s": time.perf_counter() - PROCESS_START_S,
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
    print(json.dumps(inspect_repeatedly(json.loads(sys.argv[1]))))
