"""The user's table of scrolls: a CSV file that says which scan is which side of which scroll."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from pathlib import Path

from crownlet.infer.scrolls.cells import Cells, TableError, plain_name, read_cells
from crownlet.infer.scrolls.scroll import SIDES, Side

__all__ = ["Row", "Table", "TableError", "plain_name", "read_table"]

NEEDED = ("scan", "scroll", "side")
COLUMNS = (*NEEDED, "source")
MAX_NAME = 120
_FORBIDDEN = '/\\:*?"<>|'
"""Not in the name of a scroll: files are named after it."""


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
    columns, lines = read_cells(path, COLUMNS, NEEDED)
    rows = [_row(path, columns, line) for line in lines]
    table = Table(str(path), tuple(rows))
    _check_together(table)
    return table


def _row(path: str | Path, columns: list[str], found: Cells) -> Row:
    line = found.line
    try:
        values = found.named(columns)
    except ValueError as error:
        raise TableError(path, f"line {line}: {error}") from None
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
