"""The tables of a survey on disk: rates.csv, shares.csv, contrasts.csv and pairs.csv."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Sequence
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any

from crownlet.infer.survey.records import Comparison, Contrast, Pair, Rate, Share

DIGITS = 10
"""Significant digits of a number written: enough for any use, the same on every machine."""


def write_comparison(results: Comparison, folder: Path) -> None:
    """Write the four tables into a folder, which is made if need be; OSError if it cannot be."""
    folder.mkdir(parents=True, exist_ok=True)
    tables: tuple[tuple[str, type[Any], Sequence[Any]], ...] = (
        ("rates.csv", Rate, results.rates),
        ("shares.csv", Share, results.shares),
        ("contrasts.csv", Contrast, results.contrasts),
        ("pairs.csv", Pair, results.pairs),
    )
    for name, kind, rows in tables:
        write_table(folder / name, kind, rows)


def write_table(path: Path, kind: type[Any], rows: Sequence[Any]) -> None:
    """Write records of one kind, such as the `Rate`s by letter, as one table."""
    _replace(path, _text(kind, rows))


def _text(kind: type[Any], rows: Sequence[Any]) -> str:
    """RFC 4180 with a header row; an unknown number is an empty field."""
    held = io.StringIO()
    writer = csv.writer(held)
    writer.writerow(field.name for field in fields(kind))
    writer.writerows([_cell(value) for value in astuple(row)] for row in rows)
    return held.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.{DIGITS}g}" if isinstance(value, float) else str(value)


def _replace(path: Path, text: str) -> None:
    """Whole or not at all: a killed run leaves the old table or the new one."""
    handle, draft = tempfile.mkstemp(prefix=".crownlet-", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        Path(draft).chmod(0o644)
        Path(draft).replace(path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
