"""What all readers said, read from the store's tables: for comparing, estimating and exporting."""

from __future__ import annotations

import json
import sqlite3

from crownlet.infer.review.entries import (
    Audit,
    Audited,
    Decision,
    Disagreement,
    Reader,
    Standing,
)
from crownlet.infer.review.reading_out import QUEUE, item
from crownlet.infer.review.writing_in import to_decision

_ALONE = """
(SELECT max(x.id) FROM decisions x WHERE x.item = i.id AND +x.reader = :reader
 AND x.undoes IS NULL AND NOT x.opinion_shown
 AND NOT EXISTS (SELECT 1 FROM decisions u WHERE u.undoes = x.id))
"""
"""What a reader said last of an item before he was told what others think of it. The plus leaves
SQLite the index by item only; by reader it would go through thousands of rows for each item."""


def readers(db: sqlite3.Connection) -> list[Reader]:
    """Every reader, in the order in which they came."""
    rows = db.execute(
        "SELECT r.*, (SELECT count(*) FROM standing s WHERE s.reader = r.name "
        "AND s.decision IS NOT NULL) AS done FROM readers r ORDER BY r.round, r.since, r.name"
    )
    return [Reader(row["name"], row["round"], row["since"], row["done"]) for row in rows]


def decisions(db: sqlite3.Connection, reader: str | None) -> list[Decision]:
    """All rows, oldest first."""
    rows = db.execute(
        "SELECT * FROM decisions WHERE :reader IS NULL OR reader = :reader ORDER BY id",
        {"reader": reader},
    )
    return [to_decision(row) for row in rows]


def disagreements(db: sqlite3.Connection, a: str, b: str) -> list[Disagreement]:
    """Items on which two readers' standing decisions differ, in the order of the queue."""
    rows = db.execute(
        "SELECT i.id, x.id AS a, y.id AS b FROM items i JOIN pages p ON p.id = i.page "
        "JOIN standing s ON s.item = i.id AND s.reader = :a JOIN decisions x ON x.id = s.decision "
        "JOIN standing t ON t.item = i.id AND t.reader = :b JOIN decisions y ON y.id = t.decision "
        "WHERE i.live AND p.present AND (x.choice != y.choice OR x.right_letter IS NOT "
        "y.right_letter) ORDER BY i.kind, i.letter, i.id",
        {"a": a, "b": b},
    ).fetchall()
    return [
        Disagreement(
            item(db, row["id"], a, reveal=False), _decision(db, row["a"]), _decision(db, row["b"])
        )
        for row in rows
    ]


def alone(db: sqlite3.Connection, reader: str) -> list[tuple[int, str, Decision]]:
    """Item, doubt and decision of all that a reader decided before being told anything."""
    rows = db.execute(
        "SELECT i.kind, d.* FROM items i JOIN pages p ON p.id = i.page "
        f"JOIN decisions d ON d.id = {_ALONE} WHERE i.live AND p.present ORDER BY i.id",
        {"reader": reader},
    )
    return [(row["item"], row["kind"], to_decision(row)) for row in rows]


def audit(db: sqlite3.Connection, reader: str) -> Audit:
    """The audit in a reader's queue, and how many letters and doubts it was drawn from."""
    alone = f"LEFT JOIN decisions d ON d.id = {_ALONE} WHERE"
    rows = db.execute(
        "SELECT p.scroll, i.kind, i.chance, d.choice "
        + QUEUE.replace("WHERE", alone)
        + " AND i.origin = 'audit' ORDER BY i.id",
        {"reader": reader},
    )
    asked = tuple(Audited(*row) for row in rows)
    drawn = db.execute(
        "SELECT total(t.letters), total(t.questions) FROM strata t JOIN pages p ON p.id = t.page "
        "WHERE t.live AND p.present"
    ).fetchone()
    return Audit(int(drawn[0]), int(drawn[1]), asked)


def stands(db: sqlite3.Connection) -> list[Standing]:
    """Every decision that stands, of any reader and any state of the queue, oldest first."""
    rows = db.execute(
        "SELECT i.*, p.name AS page_name, p.scroll, p.source, p.sha256, p.present, d.id AS d_id "
        "FROM standing s JOIN decisions d ON d.id = s.decision JOIN items i ON i.id = s.item "
        "JOIN pages p ON p.id = i.page ORDER BY d.id"
    ).fetchall()
    return [
        Standing(
            page=row["page_name"], scroll=row["scroll"], source=row["source"], sha256=row["sha256"],
            asked=bool(row["live"] and row["present"]), kind=row["kind"], letter=row["letter"],
            glyphs=tuple(json.loads(row["glyphs"])),
            box=(row["x0"], row["y0"], row["x1"], row["y1"]), line=row["line"], word=row["word"],
            place=row["place"], origin=row["origin"], p=row["p"], chance=row["chance"],
            decision=_decision(db, row["d_id"]),
        )
        for row in rows
    ]  # fmt: skip


def _decision(db: sqlite3.Connection, number: int) -> Decision:
    return to_decision(db.execute("SELECT * FROM decisions WHERE id = ?", (number,)).fetchone())
