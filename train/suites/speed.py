"""Time and memory of one page, measured in a process of its own as a user would have it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from crownlet.train.suites.type_pages import TypeSpec, compose_type_page

SCRIPT = """
import json, sys, time
start = time.perf_counter()
from crownlet.infer import Inspector
inspector = Inspector(sys.argv[2] or None)
ready = time.perf_counter() - start
rounds = []
for _ in range(4):
    start = time.perf_counter()
    page = inspector.inspect(sys.argv[1], portion="mezuzah")
    rounds.append((time.perf_counter() - start, page.timing))
seconds, stages = min(rounds[1:], key=lambda each: each[0])
# VmHWM, not ru_maxrss: that one a process inherits from the one that started it.
status = open("/proc/self/status").read()
print(json.dumps({
    "import_and_sessions_s": round(ready, 2), "first_page_s": round(rounds[0][0], 2),
    "warm_page_s": round(seconds, 2), "letters": len(page.glyphs),
    "peak_mb": round(int(status.split("VmHWM:")[1].split()[0]) / 1024),
    "stages_s": {name: round(value, 3) for name, value in stages.items()},
}))
"""


def measure_speed(model: str | None = None) -> dict[str, object]:
    """Inspect one type page of about 10 megapixels, cold once and warm three times."""
    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", 58.0, "cream"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "page.png"
        Image.fromarray(page.image).save(path)
        run = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(path), model or ""],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    facts: dict[str, object] = json.loads(run.stdout.strip().splitlines()[-1])
    megapixels = page.image.shape[0] * page.image.shape[1] / 1e6
    return {"megapixels": round(megapixels, 1), "cores": os.cpu_count(), **facts}
