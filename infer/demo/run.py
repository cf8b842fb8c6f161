"""Make the sample scrolls, inspect them, and leave tables, marked pictures and an index page."""

from __future__ import annotations

import csv
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from crownlet.infer.annotate import annotated
from crownlet.infer.demo.planted import Planted, planted
from crownlet.infer.demo.scan import scanned
from crownlet.infer.demo.scenario import DPI, Sheet, sheets
from crownlet.infer.findings import findings_of
from crownlet.infer.inspector import Inspector
from crownlet.infer.places import Place, places, shown
from crownlet.infer.records import Box, PageRecord
from crownlet.infer.writer import write_page


@dataclass(frozen=True)
class Result:
    """One inspected sheet and the files made of it, as paths from the demo's folder."""

    sheet: Sheet
    record: PageRecord
    places: tuple[Place, ...]
    scan: str
    picture: str
    crops: dict[int, str]
    """Crops of the places shown, by their number."""
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

    start = time.perf_counter()
    inspector = inspector or Inspector(model)
    out.mkdir(parents=True, exist_ok=True)
    work = sheets()
    results = []
    for number, sheet in enumerate(work, start=1):
        result = _one_sheet(sheet, out, inspector)
        results.append(result)
        seconds = time.perf_counter() - start
        found = len(result.record.routed("finding")), len(result.record.routed("review"))
        say(
            f"[{number}/{len(work)}] {sheet.name}: {len(result.record.glyphs)} letters, "
            f"{found[0]} findings, {found[1]} to review ({seconds:.0f} s)"
        )
    _write_survey(out / "survey.csv", results)
    index = out / "index.html"
    index.write_text(index_page(results), encoding="utf-8")
    return index


def _one_sheet(sheet: Sheet, out: Path, inspector: Inspector) -> Result:
    """Compose, scan, inspect and picture one sheet."""
    from crownlet.datasets.page.compose import compose

    truth = compose(sheet.spec, sheet.seed)
    image = scanned(truth.image, sheet.seed)
    scan = out / "scans" / f"{sheet.name}.png"
    scan.parent.mkdir(exist_ok=True)
    Image.fromarray(image).save(scan, dpi=(DPI, DPI), compress_level=1)
    record = inspector.inspect(scan, sheet.portion, sheet.name)
    folder = write_page(record, out / "run", findings_of(record, inspector.customs))
    picture = folder / "marked.jpg"
    annotated(image, record).save(picture, quality=85)
    marks = places(record)
    crops = _crops(image, record, marks, folder / "crops")
    return Result(
        sheet, record, marks, _from(out, scan), _from(out, picture),
        {number: _from(out, path) for number, path in crops.items()},
        planted(truth, record, marks),
    )  # fmt: skip


def _from(out: Path, path: Path) -> str:
    return path.relative_to(out).as_posix()


def _crops(
    image: npt.NDArray[np.uint8], record: PageRecord, marks: tuple[Place, ...], folder: Path
) -> dict[int, Path]:
    """A picture of each place that is shown, with its neighbours, at one size of letters."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    made = {}
    for mark in shown(marks):
        x0, y0, x1, y1 = _around(mark.box, record.q, image.shape[1], image.shape[0])
        piece = Image.fromarray(image[y0:y1, x0:x1])
        scale = 26.0 / record.q
        piece = piece.resize(
            (max(1, round(piece.width * scale)), max(1, round(piece.height * scale))),
            Image.Resampling.BICUBIC,
        )
        made[mark.number] = folder / f"{mark.number:03d}.jpg"
        piece.save(made[mark.number], quality=88)
    return made


def _around(box: Box, q: float, width: int, height: int) -> tuple[int, int, int, int]:
    """A window of 10 by 8 q or more about a box, inside the picture."""
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    half_y = max(4.0 * q, (box[3] - box[1]) / 2 + 0.6 * q, ((box[2] - box[0]) / 2 + q) / 1.25)
    half_x = 1.25 * half_y
    return (
        max(0, round(x - half_x)), max(0, round(y - half_y)),
        min(width, round(x + half_x)), min(height, round(y + half_y)),
    )  # fmt: skip


def _write_survey(path: Path, results: list[Result]) -> None:
    """One row a sheet and reason, for a spreadsheet."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["source", "scroll", "side", "page", "letters", "reason", "route", "count"])
        for result in results:
            sheet = result.sheet
            tally: dict[tuple[str, str], int] = {}
            for mark in result.places:
                key = (mark.reasons[0], mark.route)
                tally[key] = tally.get(key, 0) + 1
            for (reason, route), count in sorted(tally.items()) or [(("", ""), 0)]:
                writer.writerow(
                    [sheet.source.name, sheet.scroll, sheet.side, sheet.name,
                     len(result.record.glyphs), reason, route, count]
                )  # fmt: skip
