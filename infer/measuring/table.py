"""measures.csv: one measure a row, lengths in kulmus and mm, rulers in px of the page as given."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import cast, get_args

from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.files import write_rows
from crownlet.infer.measuring.measurement import Measurement, Says

COLUMNS = ("glyph", "measure", "q", "mm", "x0", "y0", "x1", "y1", "defect", "says")


def write_measures(path: Path, measurements: Iterable[Measurement]) -> None:
    """Write the table (RFC 4180: UTF-8, commas, CRLF, a header row)."""
    write_rows(path, COLUMNS, map(measure_row, measurements))


def measure_row(m: Measurement) -> list[str]:
    """One row, in the order of `COLUMNS`."""
    return [
        str(m.glyph), m.name, f"{m.q:.3f}", "" if m.mm is None else f"{m.mm:.3f}",
        *(f"{v:.1f}" for v in (*m.start, *m.end)), m.of, m.says,
    ]  # fmt: skip


def read_measures(path: Path) -> tuple[Measurement, ...]:
    """The rows of a table; OSError if it cannot be read, ValueError naming a row that is wrong."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(file)
        return tuple(_read(path, number, row) for number, row in enumerate(rows, start=2))


def _read(path: Path, number: int, row: dict[str, str]) -> Measurement:
    try:
        if row["says"] not in get_args(Says) or row["defect"] not in CATALOGUE:
            raise ValueError
        return Measurement(
            int(row["glyph"]), row["measure"], float(row["q"]),
            float(row["mm"]) if row["mm"] else None,
            (float(row["x0"]), float(row["y0"])), (float(row["x1"]), float(row["y1"])),
            row["defect"], cast(Says, row["says"]),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"{path}: row {number} is no measure") from error
