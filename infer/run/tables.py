"""JSON files and tables of a run; findings.csv and measures.csv, written and read side by side."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Sequence, Set
from pathlib import Path
from typing import Any, cast, get_args

from crownlet.datasets.files.atomic import write_csv
from crownlet.datasets.files.documents import parse_json, read_small_file
from crownlet.datasets.files.errors import FileFault, quoted
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.findings.finding import HEADINGS, Finding, Heading, Scope
from crownlet.infer.findings.severity import opinions_on
from crownlet.infer.records import MeasureClaim, Measurement, Route
from crownlet.infer.run.older import upgrade_record, upgrade_table

Json = dict[str, Any]

MAX_RECORD_BYTES = 400_000_000
"""Size above which a JSON file of a run is not read; a page of 25,000 letters has 2 MB."""


class RunError(FileFault):
    """A run, or a file of it, that cannot be read: `path` names it, `reason` is the cause."""


class Columns:
    """A table as one list per column; KeyError for a column that it lacks.

    Whole columns at a time, since the queue of a review reads a hundred pages at once.
    """

    def __init__(self, names: list[str], rows: list[list[str]]) -> None:
        if any(len(row) != len(names) for row in rows):
            raise ValueError("a row has another number of cells than the first")
        columns = zip(*rows, strict=True) if rows else ((),) * len(names)
        self._columns = dict(zip(names, columns, strict=True))

    @property
    def header(self) -> tuple[str, ...]:
        """Names of the columns, in their order."""
        return tuple(self._columns)

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def text(self, name: str) -> tuple[str, ...]:
        """Cells as they are."""
        return self._columns[name]

    def whole(self, name: str) -> Iterator[int]:
        """Whole numbers."""
        return map(int, self._columns[name])

    def number(self, name: str) -> Iterator[float]:
        """Numbers; ValueError for one that is none or infinite."""
        cells = self._columns[name]
        return map(_read_numbers(name, set(cells)).__getitem__, cells)

    def numbers(self, *names: str) -> Iterator[tuple[float, ...]]:
        """Numbers of several columns, row by row."""
        return zip(*map(self.number, names), strict=True)

    def maybe(self, name: str) -> list[float | None]:
        """Numbers, None in empty cells and where there is no such column."""
        if name not in self._columns:
            return [None] * len(next(iter(self._columns.values()), ()))
        cells = self._columns[name]
        values: dict[str, float | None] = {**_read_numbers(name, set(cells) - {""}), "": None}
        return [values[cell] for cell in cells]

    def names(self, name: str) -> list[tuple[str, ...]]:
        """Names with `;` between; none where there is no such column."""
        if name not in self._columns:
            return [()] * len(next(iter(self._columns.values()), ()))
        return [tuple(cell.split(";")) if cell else () for cell in self._columns[name]]


def _read_numbers(name: str, cells: Set[str]) -> dict[str, float]:
    """The numbers that different cells of a column hold, each read once: a column of probabilities
    has few. ValueError where one is no finite number."""
    values = {cell: float(cell) for cell in cells}
    if not all(map(math.isfinite, values.values())):
        raise ValueError(f"{name} has a number that is none")
    return values


def read_table(path: Path) -> Columns:
    """A CSV file with a header; RunError if it cannot be read."""
    try:
        text = upgrade_table(read_small_file(path, MAX_RECORD_BYTES).decode("utf-8"))
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except (OSError, ValueError, csv.Error) as error:
        raise RunError(path, f"cannot be read ({cause_of(error)}).") from None
    if not rows:
        raise RunError(path, "is empty.")
    try:
        return Columns(rows[0], rows[1:])
    except ValueError as error:
        raise RunError(path, f"is damaged: {error}.") from None


def read_json(path: Path) -> Json:
    """A JSON object; RunError if there is none."""
    try:
        data = parse_record(read_small_file(path, MAX_RECORD_BYTES))
    except (OSError, ValueError) as error:
        raise RunError(path, f"cannot be read ({cause_of(error)}).") from None
    if not isinstance(data, dict):
        raise RunError(path, "holds no record of a run.")
    return data


def parse_record(data: bytes) -> Any:
    """The value of a JSON file of a run, in the names of today; ValueError if it is none."""
    return parse_json(upgrade_record(data.decode(json.detect_encoding(data))))


RECORD_ERRORS = (
    KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError, OSError,
)  # fmt: skip
"""What reading a record of other types, lengths or names than expected may raise."""


def cause_of(error: Exception) -> str:
    """What is wrong with a file, in a few words."""
    if isinstance(error, KeyError):
        return f"{quoted(str(error.args[0]))} is absent" if error.args else "a name is absent"
    if isinstance(error, UnicodeDecodeError):
        return f"is not UTF-8 text from byte {error.start} on"
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__)[:300]


FINDING_COLUMNS = (
    "number", "kind", "others", "scope", "glyphs", "line", "letter", "expected", "x0", "y0", "x1",
    "y1", "route", "sure", "p", "heading", "divine_name", "message",
)  # fmt: skip


def write_findings(path: Path, findings: Iterable[Finding]) -> None:
    """Write findings.csv (RFC 4180: UTF-8, commas, CRLF, a header row)."""
    write_csv(path, FINDING_COLUMNS, map(finding_row, findings))


def finding_row(finding: Finding) -> list[str]:
    """One row, in the order of `FINDING_COLUMNS`."""
    return [
        str(finding.number), finding.kind, ";".join(finding.others), finding.scope,
        ";".join(map(str, finding.glyphs)), str(finding.line), finding.letter or "",
        finding.expected or "", *(f"{v:.1f}" for v in finding.box), finding.route,
        str(int(finding.sure)), "" if finding.p is None else f"{finding.p:.4f}", finding.heading,
        str(int(finding.in_name)), finding.message,
    ]  # fmt: skip


def read_findings(path: Path, measurements: Sequence[Measurement] = ()) -> tuple[Finding, ...]:
    """The findings of a table, with those of `measurements` that are evidence of them.

    OSError if it cannot be read, ValueError naming the row that is no finding.
    """
    by_glyph: dict[int, list[Measurement]] = {}
    for measurement in measurements:
        by_glyph.setdefault(measurement.glyph, []).append(measurement)
    return tuple(
        _read_finding(path, number, row, by_glyph) for number, row in enumerate(_rows(path), 2)
    )


def _rows(path: Path) -> Iterator[dict[str, str]]:
    """The rows of a table by today's names of its columns."""
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(io.StringIO(upgrade_table(file.read()), newline=""))


def _read_finding(
    path: Path, number: int, row: dict[str, str], measured: dict[int, list[Measurement]]
) -> Finding:
    try:
        return _finding(row, measured)
    except (KeyError, IndexError, TypeError, ValueError, OverflowError, AttributeError):
        raise ValueError(f"{path}: row {number} is no finding") from None


def _finding(row: dict[str, str], measured: dict[int, list[Measurement]]) -> Finding:
    scope, heading, route = row["scope"], row["heading"], row["route"]
    if (
        scope not in get_args(Scope) or heading not in HEADINGS
        or route not in ("finding", "review") or not row["kind"]
    ):  # fmt: skip
        raise ValueError
    kind, letter = row["kind"], row["letter"] or None
    glyphs = tuple(int(g) for g in row["glyphs"].split(";") if g)
    near = measured.get(glyphs[0], []) if scope == "glyph" else []
    return Finding(
        number=int(row["number"]), kind=kind, scope=cast(Scope, scope), glyphs=glyphs,
        line=int(row["line"]), letter=letter,
        expected=_expected(row["expected"], kind),
        box=(float(row["x0"]), float(row["y0"]), float(row["x1"]), float(row["y1"])),
        route=cast(Route, route), p=float(row["p"]) if row["p"] else None,
        heading=cast(Heading, heading), opinions=opinions_on(kind, letter),
        measurements=tuple(m for m in near if m.defect == kind),
        in_name=row["divine_name"] == "1", message=row["message"],
        others=tuple(name for name in row["others"].split(";") if name), sure=row["sure"] == "1",
    )  # fmt: skip


def _expected(text: str, kind: str) -> str | None:
    """The expected letter: "" for an extra one, None where it is unknown."""
    return text or ("" if kind == "letter_extra" else None)


MEASURE_COLUMNS = ("glyph", "measure", "q", "mm", "x0", "y0", "x1", "y1", "defect", "claim")


def write_measures(path: Path, measurements: Iterable[Measurement]) -> None:
    """Write the table (RFC 4180: UTF-8, commas, CRLF, a header row)."""
    write_csv(path, MEASURE_COLUMNS, map(measure_row, measurements))


def measure_row(m: Measurement) -> list[str]:
    """One row, in the order of `MEASURE_COLUMNS`."""
    return [
        str(m.glyph), m.name, f"{m.q:.3f}", "" if m.mm is None else f"{m.mm:.3f}",
        *(f"{v:.1f}" for v in (*m.start, *m.end)), m.defect, m.claim,
    ]  # fmt: skip


def read_measures(path: Path) -> tuple[Measurement, ...]:
    """The rows of a table; OSError if it cannot be read, ValueError naming a row that is wrong."""
    return tuple(_read_measure(path, number, row) for number, row in enumerate(_rows(path), 2))


def _read_measure(path: Path, number: int, row: dict[str, str]) -> Measurement:
    try:
        claim = row["claim"]
        if claim not in get_args(MeasureClaim) or row["defect"] not in CATALOGUE:
            raise ValueError
        return Measurement(
            int(row["glyph"]), row["measure"], float(row["q"]),
            float(row["mm"]) if row["mm"] else None,
            (float(row["x0"]), float(row["y0"])), (float(row["x1"]), float(row["y1"])),
            row["defect"], cast(MeasureClaim, claim),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"{path}: row {number} is no measure") from error
