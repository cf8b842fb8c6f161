"""Memory of the sheets does not grow with the number of pages.

The limit of 1.5 GB for pages of 150 megapixels is this project's own decision; here pages are
smaller, and so is the memory in which pictures are held. `tests/hostile/large_page.py --pages 3`
measures those.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import sheet_samples as made

from crownlet.datasets.files.images import read_page
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.records import PageRecord
from crownlet.infer.run.write import write_page

SHAPE = (10_000, 1240)
"""Rows and columns: 12 megapixels, 37 MB."""

DOUBTS = {1: ("tag_loose", "finding", 0.97), 10: ("foot_level", "finding", 0.95)}

SHEETS = """
import re, sys
from pathlib import Path
from crownlet.infer.run import pictures
pictures.CACHE_BYTES = 20_000_000
from crownlet.infer.run.run import open_run
from crownlet.infer.sheet.make import make_sheets
assert make_sheets(open_run(sys.argv[1]), report=lambda line: None).failed == 0
print(Path("/proc/self/status").read_text())
"""


def write_large_page(folder: Path, name: str) -> None:
    """Letters with doubts at the top of a page that is empty below."""
    letters = made.glyphs(doubts=DOUBTS)
    written = made.picture(letters)
    pixels = np.empty((*SHAPE, 3), np.uint8)
    pixels[:] = made.SKIN
    pixels[: len(written)] = written
    scan = folder / "scans" / f"{name}.png"
    scan.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(scan), pixels[:, :, ::-1])
    record = PageRecord(name, read_page(scan).facts, tuple(letters), (), None, 0)
    write_page(record, folder / "run", collect_findings(record, load_customs()))


def peak_of_sheets(folder: Path, scrolls: list[list[str]]) -> int:
    """Most memory, bytes, of a process that makes the sheets of scrolls of these pages: `VmHWM`,
    proc(5)."""
    for pages in scrolls:
        for name in pages:
            write_large_page(folder, name)
    run = made.scrolls(folder, [{"name": pages[0], "faces": pages} for pages in scrolls])
    command = [sys.executable, "-c", SHEETS, str(run.folder)]
    status = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert "Crown loose" in (run.folder / "sheets" / "teaching.html").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found
    return int(found[1]) * 1024


def test_memory_does_not_grow_with_the_number_of_pages(tmp_path: Path) -> None:
    one = peak_of_sheets(tmp_path / "one", [["a"]])
    several = peak_of_sheets(tmp_path / "several", [["a", "b"], ["c"], ["d"]])
    # A page held longer than it is needed would be one picture more, or two with Names covered.
    assert several - one < 0.7 * 3 * SHAPE[0] * SHAPE[1], (one, several)
