"""A review of a list of letters: one row of a CSV file for each question.

The columns are `page`, `glyph` and `kind`; others are ignored. Questions that the inspection did
not raise come into the queue; items that are not on the list stay there and are not shown.
"""

from __future__ import annotations

import csv
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.datasets.files.errors import quoted
from crownlet.infer.review.models import ReviewStoreError
from crownlet.infer.review.queue import Question, askable_kinds
from crownlet.infer.review.sync import insert_question

if TYPE_CHECKING:
    from crownlet.infer.run.run import Run

REQUEST_COLUMNS = ("page", "glyph", "kind")


@dataclass(frozen=True)
class RequestedItem:
    """One row: a letter of a page and the doubt asked about it."""

    page: str
    glyph: int
    kind: str


def read_requested_items(path: Path, run: Run) -> tuple[RequestedItem, ...]:
    """The rows of a list; ReviewStoreError names a line that asks for something not in the run."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.DictReader(file)
            if missing := [name for name in REQUEST_COLUMNS if name not in (rows.fieldnames or ())]:
                raise ReviewStoreError(path, f"it has no column {missing[0]}.")
            return tuple(_parse_row(path, rows.line_num, row, run) for row in rows)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        why = getattr(error, "strerror", None) or error
        raise ReviewStoreError(path, f"cannot be read as CSV ({why}).") from None


def _parse_row(path: Path, line: int, row: dict[str, str], run: Run) -> RequestedItem:
    page, number, kind = (row[name] or "" for name in REQUEST_COLUMNS)
    if page not in run.pages:
        raise ReviewStoreError(path, f"line {line}: page {quoted(page)} is not in the run.")
    record = run.pages[page].record
    digits = number.isascii() and number.isdigit() and len(number) < 10
    if not (digits and 1 <= int(number) <= len(record.glyphs)):
        raise ReviewStoreError(path, f"line {line}: page {page} has no letter {quoted(number)}.")
    glyph = record.glyphs[int(number) - 1]
    if kind not in askable_kinds(glyph, record) and kind not in glyph.reasons:
        raise ReviewStoreError(
            path, f"line {line}: {quoted(kind)} cannot be asked of letter {number}."
        )
    return RequestedItem(page, int(number), kind)


def restrict_queue(db: sqlite3.Connection, run: Run, asked: tuple[RequestedItem, ...]) -> bool:
    """Show these questions only, inside a transaction; whether any was new to the queue."""
    db.execute("DROP VIEW shown")
    db.execute("CREATE TEMP TABLE shown (id INTEGER PRIMARY KEY)")
    # What is on a list is asked letter by letter.
    db.execute("DROP VIEW grouped")
    db.execute("CREATE TEMP TABLE grouped (id INTEGER PRIMARY KEY)")
    new = False
    for requested in asked:
        glyph = run.pages[requested.page].record.glyphs[requested.glyph - 1]
        question = Question(
            requested.kind,
            glyph.letter,
            (glyph.glyph,),
            glyph.box,
            "review",
            glyph.p.get(requested.kind),
            glyph,
        )
        item = _find_item(db, requested.page, question)
        if item is None:
            (page,) = db.execute(
                "SELECT id FROM pages WHERE name = ?", (requested.page,)
            ).fetchone()
            insert_question(db, page, question, None)
            item, new = _find_item(db, requested.page, question), True
        db.execute("INSERT OR IGNORE INTO shown VALUES (?)", (item,))
    return new


def _find_item(db: sqlite3.Connection, page: str, question: Question) -> int | None:
    row = db.execute(
        "SELECT i.id FROM items i JOIN pages p ON p.id = i.page "
        "WHERE p.name = ? AND i.mark = ? AND i.live ORDER BY i.id",
        (page, question.key),
    ).fetchone()
    return None if row is None else int(row[0])
