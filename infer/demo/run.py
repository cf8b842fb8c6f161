"""Make the sample scrolls, inspect them as a user would, and leave tables, sheets and an index."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from crownlet.infer.commands.working import tally
from crownlet.infer.demo.planted import Planted, planted
from crownlet.infer.demo.scan import scanned
from crownlet.infer.demo.scenario import DPI, Sheet, sheets
from crownlet.infer.demo.tables import write_scroll_table, write_survey
from crownlet.infer.findings import Finding, findings_of
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord
from crownlet.infer.writer import write_page


@dataclass(frozen=True)
class Result:
    """One inspected sheet; `scan` is its picture, as a path from the demo's folder."""

    sheet: Sheet
    record: PageRecord
    findings: tuple[Finding, ...]
    scan: str
    planted: Planted


def run_demo(
    out: Path,
    model: str | None = None,
    say: Callable[[str], object] = print,
    inspector: Inspector | None = None,
) -> Path:
    """Write the demo into `out`; returns the path of its index page.

    ModelError when the networks cannot be used, OSError when `out` cannot be written.
    """
    from crownlet.infer.demo.index import index_page
    from crownlet.infer.run import open_run
    from crownlet.infer.scrolls.table import read_table
    from crownlet.infer.scrolls.updating import update_scrolls
    from crownlet.infer.sheet.making import make_sheets
    from crownlet.infer.sheet.render import write_whole

    start = time.perf_counter()
    inspector = inspector or Inspector(model)
    out.mkdir(parents=True, exist_ok=True)
    work, run = sheets(), out / "run"
    results = []
    for number, sheet in enumerate(work, start=1):
        results.append(_one_sheet(sheet, out, inspector))
        took = time.perf_counter() - start
        told = tally(results[-1].record, results[-1].findings)
        say(f"[{number}/{len(work)}] {sheet.name}: {told} ({took:.0f} s)")
    table = write_scroll_table(out / "scrolls.csv", work)
    update_scrolls(run, read_table(table))
    made = make_sheets(open_run(run), say=lambda line: None, complain=say)
    write_survey(out / "survey.csv", results)
    write_whole(out / "index.html", index_page(results, made.index.parent.relative_to(out)))
    return out / "index.html"


def _one_sheet(sheet: Sheet, out: Path, inspector: Inspector) -> Result:
    """Compose, scan and inspect one sheet."""
    from crownlet.datasets.page.compose import compose

    truth = compose(sheet.spec, sheet.seed)
    scan = out / "scans" / f"{sheet.name}.png"
    scan.parent.mkdir(exist_ok=True)
    Image.fromarray(scanned(truth.image, sheet.seed)).save(scan, dpi=(DPI, DPI), compress_level=1)
    record = inspector.inspect(scan, sheet.portion, sheet.name)
    findings = findings_of(record, inspector.customs)
    write_page(record, out / "run", findings)
    where = scan.relative_to(out).as_posix()
    return Result(sheet, record, findings, where, planted(truth, record, findings))
