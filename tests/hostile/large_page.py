"""Pages of 150 megapixels through inspection, sheet and review: what memory each fills at most.

    python tests/hostile/large_page.py --megapixels 150 --pages 3

prints a line for each: its exit code, seconds of the processor, and its peak of memory in MB. A
page is a drawn mezuzah, enlarged, in colour.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), *(str(HERE.parent / name) for name in ("infer", "review"))]
from counting import MEMORY  # noqa: E402
from killing import crownlet  # noqa: E402

WALLS_ASKED = 4
"""Walls of which every picture is asked, as a reader's browser does."""


def draw_page(path: Path, megapixels: float, seed: int) -> None:
    """A drawn page of so many pixels, as a PNG file."""
    import cv2

    from crownlet.datasets.render.page.compose import compose
    from crownlet.datasets.render.page.spec import mezuzah

    small = compose(mezuzah(30.0), seed).image
    scale = math.sqrt(megapixels * 1e6 / (small.shape[0] * small.shape[1]))
    large = cv2.resize(small, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
    cv2.imwrite(str(path), large[:, :, ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])


# A process begins with the peak of the one that starts it (getrusage(2)), so a small one starts it.
MEASURE = """
import json, resource, subprocess, sys
code = subprocess.call(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([code, used.ru_utime + used.ru_stime, used.ru_maxrss]))
"""


def measure(name: str, command: Sequence[str]) -> dict[str, Any]:
    """A command run to its end."""
    measured = subprocess.run(
        [sys.executable, "-c", MEASURE, *command], check=True, stdout=subprocess.PIPE
    )
    code, seconds, peak_kb = json.loads(measured.stdout)
    return {
        "command": name, "code": code, "seconds": round(seconds, 1),
        "peak_mb": round(peak_kb * 1024 / 1e6),
    }  # fmt: skip


def measure_review(run: Path) -> dict[str, Any]:
    """`crownlet review`, asked for walls, for single letters, and for all their pictures."""
    import httpx
    from review_server import Server

    server, asked = Server(run, "--reader", "anna"), 0
    try:
        with httpx.Client(base_url=server.base, timeout=300) as window:
            start = window.get(server.address, follow_redirects=True).text
            walls = re.findall(r'href="(/wall/[^"]+)"', start)[:WALLS_ASKED]
            for page in (*walls, "/one", "/one/1", "/one/2"):
                for picture in re.findall(r"/crop/\d+/\w+\.jpg", window.get(page).text):
                    window.get(picture).raise_for_status()
                    asked += 1
        status = Path(f"/proc/{server.process.pid}/status").read_text()
    finally:
        server.kill()
    line = re.search(r"VmHWM:\s+(\d+) kB", status)
    peak = int(line[1]) * 1024 if line else 0
    return {"command": "review", "pictures": asked, "peak_mb": round(peak / 1e6)}


def measure_all(folder: Path, megapixels: float, pages: int = 1) -> Iterator[dict[str, Any]]:
    """Each command after the one whose run it needs."""
    scans = [folder / "scans" / f"scan{chr(97 + number)}.png" for number in range(pages)]
    scans[0].parent.mkdir()
    for number, scan in enumerate(scans):
        draw_page(scan, megapixels, 7 + number)
    run = folder / "run"
    yield measure("inspect", crownlet("inspect", scans[0].parent, "--out", run))
    yield measure("sheet", crownlet("sheet", run))
    yield measure_review(run)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=150)
    parser.add_argument("--pages", type=int, default=1)
    options = parser.parse_args()
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for figures in measure_all(Path(folder), options.megapixels, options.pages):
            wrong += figures["peak_mb"] * 1e6 > MEMORY or figures.get("code", 0) != 0
            print(json.dumps(figures), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
