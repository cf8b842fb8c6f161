"""Files of a run: JSON, and tables read column by column."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from crownlet.infer.errors import FileFault

Json = dict[str, Any]


class RunError(FileFault):
    """A run, or a file of it, that cannot be read: `path` names it, `reason` says why."""


class Columns:
    """A table as one list a column; KeyError for a column that it lacks.

    Whole columns at a time, since the queue of a review reads a hundred pages at once.
    """

    def __init__(self, names: list[str], rows: list[list[str]]) -> None:
        if any(len(row) != len(names) for row in rows):
            raise ValueError("a row has another number of cells than the first")
        columns = zip(*rows, strict=True) if rows else ((),) * len(names)
        self._columns = dict(zip(names, columns, strict=True))

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def text(self, name: str) -> tuple[str, ...]:
        """Cells as they are."""
        return self._columns[name]

    def whole(self, name: str) -> Iterator[int]:
        """Whole numbers."""
        return map(int, self._columns[name])

    def number(self, name: str) -> Iterator[float]:
        """Numbers."""
        return map(float, self._columns[name])

    def numbers(self, *names: str) -> Iterator[tuple[float, ...]]:
        """Numbers of several columns, row by row."""
        return zip(*map(self.number, names), strict=True)

    def maybe(self, name: str) -> list[float | None]:
        """Numbers, None in empty cells and where there is no such column."""
        if name not in self._columns:
            return [None] * len(next(iter(self._columns.values()), ()))
        return [float(cell) if cell else None for cell in self._columns[name]]

    def names(self, name: str) -> list[tuple[str, ...]]:
        """Names with `;` between; none where there is no such column."""
        if name not in self._columns:
            return [()] * len(next(iter(self._columns.values()), ()))
        return [tuple(cell.split(";")) if cell else () for cell in self._columns[name]]


def read_table(path: Path) -> Columns:
    """A CSV file with a header; RunError if it cannot be read."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, ValueError, csv.Error) as error:
        raise RunError(path, f"cannot be read ({_cause(error)}).") from None
    if not rows:
        raise RunError(path, "is empty.")
    return Columns(rows[0], rows[1:])


def read_json(path: Path) -> Json:
    """A JSON object; RunError if there is none."""
    try:
        data = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise RunError(path, f"cannot be read ({_cause(error)}).") from None
    if not isinstance(data, dict):
        raise RunError(path, "holds no record of a run.")
    return data


def _cause(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
