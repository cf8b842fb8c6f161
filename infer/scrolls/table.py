"""The user's table of scrolls: a CSV file that says which scan is which side of which scroll."""

from __future__ import annotations

import csv
import io
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from crownlet.infer.errors import FileFault
from crownlet.infer.scrolls.scroll import SIDES, Side

NEEDED = ("scan", "scroll", "side")
COLUMNS = (*NEEDED, "source")
MAX_BYTES = 4 * 1024 * 1024
MAX_NAME = 120
_FORBIDDEN = '/\\:*?"<>|'
"""Not in the name of a scroll: files are named after it."""


class TableError(FileFault):
    """A table of scrolls that cannot be used; the reason names line and column."""


@dataclass(frozen=True)
class Row:
    """One scan; `line` is its line in the file."""

    line: int
    scan: str
    scroll: str
    side: Side
    source: str | None


@dataclass(frozen=True)
class Table:
    """All rows of a table, in its order."""

    path: str
    rows: tuple[Row, ...]

    def fault(self, row: Row, column: str, reason: str) -> TableError:
        """An error that names a row and a column."""
        return TableError(self.path, f"line {row.line}, column {column}: {reason}")


def read_table(path: str | Path) -> Table:
    """A table from a CSV file, UTF-8, with columns `scan,scroll,side` and optionally `source`.

    Commas, semicolons and tabs divide. TableError, in one sentence, for anything else.
    """
    text = _text(Path(path))
    first = text.partition("\n")[0]
    divider = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=divider, strict=True)
    try:
        columns = _columns(path, next(reader, []))
        rows, start = [], reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(_row(path, start, columns, [cell.strip() for cell in cells]))
            start = reader.line_num + 1
    except csv.Error as error:
        raise TableError(path, f"line {reader.line_num}: no table ({error}).") from None
    if not rows:
        raise TableError(path, "the table has no rows.")
    table = Table(str(path), tuple(rows))
    _check_together(table)
    return table


def plain_name(text: str) -> str:
    """A name as it is compared: one Unicode form, whatever the system that wrote it."""
    return unicodedata.normalize("NFC", text)


def _text(path: Path) -> str:
    try:
        if not path.is_file():
            raise TableError(path, "no such file." if not path.exists() else "is not a file.")
        if path.stat().st_size > MAX_BYTES:
            raise TableError(path, f"is larger than {MAX_BYTES // 2**20} MiB.")
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise TableError(path, f"cannot be read ({error.strerror or error}).") from None
    except UnicodeDecodeError as error:
        raise TableError(path, f"is not UTF-8 text (byte {error.start}).") from None


def _columns(path: str | Path, header: list[str]) -> list[str]:
    columns = [cell.strip().casefold() for cell in header]
    for place, name in enumerate(columns, start=1):
        if name not in COLUMNS:
            known = ", ".join(COLUMNS)
            raise TableError(path, f"line 1, column {place}: {name!r} is none of {known}.")
        if name in columns[: place - 1]:
            raise TableError(path, f"line 1, column {place}: {name!r} stands twice.")
    for name in NEEDED:
        if name not in columns:
            raise TableError(path, f"line 1: the column {name} is absent.")
    return columns


def _row(path: str | Path, line: int, columns: list[str], cells: list[str]) -> Row:
    if len(cells) != len(columns):
        raise TableError(path, f"line {line}: {len(cells)} cells, where {len(columns)} belong.")
    values = dict(zip(columns, map(plain_name, cells), strict=True))
    for name in NEEDED:
        if not values[name]:
            raise TableError(path, f"line {line}, column {name}: is empty.")
    scroll = values["scroll"]
    odd = next((c for c in scroll if c in _FORBIDDEN or unicodedata.category(c) == "Cc"), None)
    if odd is not None or scroll.startswith(".") or len(scroll) > MAX_NAME:
        why = f"holds {odd!r}" if odd else "begins with a dot" if scroll[0] == "." else "is long"
        raise TableError(path, f"line {line}, column scroll: the name {why}; files are named so.")
    side = next((side for side in SIDES if side == values["side"].casefold()), None)
    if side is None:
        said = f"{values['side']!r} is neither face nor reverse."
        raise TableError(path, f"line {line}, column side: {said}")
    return Row(line, values["scan"], scroll, side, values.get("source") or None)


def _check_together(table: Table) -> None:
    """No scan twice, one source a scroll."""
    scans: dict[str, Row] = {}
    sources: dict[str, Row] = {}
    for row in table.rows:
        earlier = scans.setdefault(row.scan, row)
        if earlier is not row:
            raise table.fault(row, "scan", f"{row.scan!r} stands on line {earlier.line} already.")
        first = sources.setdefault(row.scroll.casefold(), row)
        if first.source != row.source:
            raise table.fault(
                row, "source", f"line {first.line} names another source for this scroll."
            )
