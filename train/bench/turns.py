"""A process that inspects one page whenever it is asked to, and says what that took.

    python train/bench/turns.py '{"page": "p.png", "portion": "mezuzah", "model": null}'

answers each line of its input with a line of JSON: processor seconds, seconds, and processor
seconds by stage. It is run by its path, so that an earlier checkout can be measured too.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any


def serve(request: dict[str, Any]) -> None:
    """Inspect once for warmth, and then once for each line of the input."""
    with suppress(ModuleNotFoundError):  # An earlier checkout does not limit them.
        from crownlet.infer.threads import limit_blas_threads

        limit_blas_threads()
    import cv2

    from crownlet.infer.findings.collect import collect_findings
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.pipeline import Stopwatch
    from crownlet.infer.run.write import write_page

    cv2.setNumThreads(1)  # As `crownlet inspect` has it.
    # An earlier checkout counts the seconds of its stages, which say nothing on a busy machine.
    by_stage = hasattr(Stopwatch, "clock")
    Stopwatch.clock = staticmethod(time.process_time)
    inspector = Inspector(request["model"])
    with tempfile.TemporaryDirectory() as folder:

        def turn() -> dict[str, Any]:
            start, used = time.perf_counter(), time.process_time()
            record = inspector.inspect(request["page"], request["portion"])
            read = time.process_time()
            write_page(record, Path(folder), collect_findings(record, inspector.customs))
            stages = {**record.timing, "write": time.process_time() - read}
            return {
                "cpu_s": time.process_time() - used,
                "seconds": time.perf_counter() - start,
                "stages_s": stages if by_stage else {},
            }

        turn()
        print("ready", flush=True)
        for _ in sys.stdin:
            print(json.dumps(turn()), flush=True)


if __name__ == "__main__":
    serve(json.loads(sys.argv[1]))
