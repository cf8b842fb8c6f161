"""The tables of a survey on disk: rates.csv, shares.csv, contrasts.csv and pairs.csv."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any

from crownlet.infer.files import replacing, write_rows
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
    """Write records of one kind, such as the `Rate`s by letter, as one table.

    An unknown number is an empty field.
    """
    columns = (field.name for field in fields(kind))
    cells = ([_cell(value) for value in astuple(row)] for row in rows)
    with replacing(path) as draft:
        write_rows(draft, columns, cells)


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.{DIGITS}g}" if isinstance(value, float) else str(value)
