"""`crownlet survey demo`: an invented survey from scans to report, with the truth beside it."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from crownlet.datasets.page.truth import LetterTruth
from crownlet.infer.demo.scan import scanned
from crownlet.infer.files import write_rows
from crownlet.infer.run import open_run
from crownlet.infer.survey.codes import read_keys
from crownlet.infer.survey.demo_scenario import DPI, FAULTS, SEED, Sheet, sheets, write_text
from crownlet.infer.survey.demo_truth import Marks, decide, put_in, written
from crownlet.infer.survey.gathering import gather
from crownlet.infer.survey.manifest import read_manifest
from crownlet.infer.survey.report import write_report
from crownlet.infer.survey.running import Wish, prepare

AUDITED = 20.0
"""Letters of each scroll read for each of the faults put in."""
OPENING = (
    "A demonstration. Sources, scribes and faults are invented, every letter was drawn by this "
    "program's own generator, and the audit was answered from what the generator wrote, as by a "
    "reader who never errs. What was put in stands at the end."
)
COLUMNS = ("scan", "scroll", "source", "side", "portion")


def run_demo(
    out: Path, scrolls: int = 8, model: str | None = None, say: Callable[[str], object] = print
) -> Path:
    """Write scans, manifest and survey into `out`; returns the report.

    ModelError when the networks cannot be used, OSError when `out` cannot be written.
    """
    start = time.perf_counter()
    (out / "scans").mkdir(parents=True, exist_ok=True)
    text = write_text(out / "text.txt")
    work = sheets(scrolls, text)
    truths = {sheet.name: _write(sheet, out) for sheet in work}
    say(f"{len(work)} pages written ({time.perf_counter() - start:.0f} s)")
    folder = out / "survey"
    if folder.exists():
        shutil.rmtree(folder)
    manifest = read_manifest(_manifest(out, work))
    running = prepare(manifest, folder, Wish(SEED, AUDITED, FAULTS, model))
    for number, _ in enumerate(running.pages(), start=1):
        if number % 12 == 0:
            say(f"{number} pages inspected ({time.perf_counter() - start:.0f} s)")
    running.finish()
    run = open_run(folder)
    truth: dict[tuple[str, int], Marks] = {}
    for key in read_keys(folder):
        glyphs = run.pages[key.page].record.glyphs
        for glyph, marks in zip(glyphs, written(truths[Path(key.scan).stem], glyphs), strict=True):
            if marks is not None:
                truth[key.page, glyph.glyph] = marks
    say(f"{decide(run, truth)} audit questions answered ({time.perf_counter() - start:.0f} s)")
    survey = gather(folder)
    return write_report(
        folder, survey, SEED, opening=(OPENING,),
        put_in=lambda results: put_in(survey, results, work, truth),
    )  # fmt: skip


def _write(sheet: Sheet, out: Path) -> tuple[LetterTruth, ...]:
    """Compose and scan one side; its letters."""
    from crownlet.datasets.page.compose import compose

    truth = compose(sheet.spec, sheet.seed)
    scan = Image.fromarray(scanned(truth.image, sheet.seed))
    scan.save(out / "scans" / f"{sheet.name}.png", dpi=(DPI, DPI), compress_level=1)
    return truth.letters


def _manifest(out: Path, work: tuple[Sheet, ...]) -> Path:
    rows = [
        (
            f"scans/{sheet.name}.png", sheet.scroll, sheet.scribe.source, sheet.side,
            "text.txt" if sheet.side == "face" else "mezuzah_reverse",
        )
        for sheet in work
    ]  # fmt: skip
    write_rows(out / "manifest.csv", COLUMNS, rows)
    return out / "manifest.csv"
