"""Tables that users write, as CSV: their cells by line and column, and how faults are named."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from crownlet.infer.errors import FileFault

MAX_BYTES = 4 * 1024 * 1024


class TableError(FileFault):
    """A table that cannot be used; the reason names line and column."""


@dataclass(frozen=True)
class Cells:
    """The cells of one line, without the spaces around them; `line` is its number in the file."""

    line: int
    cells: tuple[str, ...]

    def named(self, columns: Sequence[str]) -> dict[str, str]:
        """Cells by column; ValueError says that there are too few or too many."""
        if len(self.cells) != len(columns):
            raise ValueError(f"{len(self.cells)} cells, where {len(columns)} belong.")
        return dict(zip(columns, self.cells, strict=True))


def read_cells(
    path: str | Path, known: Sequence[str], needed: Sequence[str]
) -> tuple[list[str], list[Cells]]:
    """The columns of a CSV file, UTF-8 with or without its mark, and its lines but the empty ones.

    Commas, semicolons and tabs divide. TableError for what is no such table, for a column not
    `known` or there twice, for an absent `needed` one, and where no line follows the header.
    """
    text = _text(Path(path))
    first = text.partition("\n")[0]
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=max(",;\t", key=first.count), strict=True
    )
    try:
        columns = _columns(path, next(reader, []), known, needed)
        rows, start = [], reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(Cells(start, tuple(plain_name(cell.strip()) for cell in cells)))
            start = reader.line_num + 1
    except csv.Error as error:
        raise TableError(path, f"line {reader.line_num}: no table ({error}).") from None
    if not rows:
        raise TableError(path, "the table has no rows.")
    return columns, rows


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


def _columns(
    path: str | Path, header: Sequence[str], known: Sequence[str], needed: Sequence[str]
) -> list[str]:
    columns = [cell.strip().casefold() for cell in header]
    for place, name in enumerate(columns, start=1):
        if name not in known:
            said = f"{name!r} is none of {', '.join(known)}."
            raise TableError(path, f"line 1, column {place}: {said}")
        if name in columns[: place - 1]:
            raise TableError(path, f"line 1, column {place}: {name!r} stands twice.")
    for name in needed:
        if name not in columns:
            raise TableError(path, f"line 1: the column {name} is absent.")
    return columns
