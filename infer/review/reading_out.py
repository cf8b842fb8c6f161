"""What the store gives out, read from its tables."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping

from crownlet.infer.review.entries import (
    Decision,
    Group,
    Item,
    ItemError,
    Progress,
    State,
)  # fmt: skip

Where = Mapping[str, str | None]

_ITEM = """
SELECT i.*, p.name AS page_name, p.scroll, p.source, s.version, d.id AS d_id, d.reader, d.choice,
       d.right_letter, d.note, d.at, d.blind, d.opinion_shown, d.round, d.version AS d_version,
       d.undoes
FROM items i JOIN pages p ON p.id = i.page
"""
_STOOD = """
LEFT JOIN standing s ON s.item = i.id AND s.reader = :reader
LEFT JOIN decisions d ON d.id = s.decision
"""
QUEUE = """
FROM orders o JOIN items i ON i.id = o.item JOIN pages p ON p.id = i.page
LEFT JOIN standing s ON s.item = i.id AND s.reader = :reader
WHERE o.reader = :reader AND i.live AND p.present
"""
_SHOWN = " AND i.id IN (SELECT id FROM shown) "
"""Of a review of a list alone, what is on the list; see `only.py`."""
_COLUMNS = {"kind": "i.kind", "letter": "i.letter", "scroll": "p.scroll"}
_STATES: Mapping[State, str] = {
    "open": " AND s.decision IS NULL", "done": " AND s.decision IS NOT NULL", "all": "",
}  # fmt: skip


def items(
    db: sqlite3.Connection, reader: str, where: Where, state: State, *, reveal: bool
) -> list[Item]:
    """Items of a reader's queue, in its order."""
    asked, values = _narrowed(reader, where)
    rows = db.execute(
        _ITEM + "JOIN orders o ON o.item = i.id" + _STOOD
        + "WHERE o.reader = :reader AND i.live AND p.present" + _SHOWN
        + asked + _STATES[state] + " ORDER BY o.key",
        values,
    )  # fmt: skip
    return [_item(row, reveal) for row in rows]


def asked(db: sqlite3.Connection) -> list[Item]:
    """Everything in the queue, page by page, without what any reader said."""
    rows = db.execute(
        _ITEM + _STOOD + "WHERE i.live AND p.present" + _SHOWN + " ORDER BY p.id, i.id",
        {"reader": ""},
    )
    return [_item(row, reveal=False) for row in rows]


def item(db: sqlite3.Connection, item_id: int, reader: str, *, reveal: bool) -> Item:
    """One item, in the queue or no longer; ItemError if there never was one."""
    row = db.execute(
        _ITEM + _STOOD + "WHERE i.id = :item", {"reader": reader, "item": item_id}
    ).fetchone()
    if row is None:
        raise ItemError(f"There is no item {item_id} in the queue.")
    return _item(row, reveal)


def next_open(
    db: sqlite3.Connection, reader: str, after: int | None, where: Where, *, reveal: bool
) -> Item | None:
    """The first open item behind `after` in the reader's order, else the first of all."""
    asked, values = _narrowed(reader, where)
    asked += _STATES["open"]
    key = db.execute(
        "SELECT key FROM orders WHERE item = ? AND reader = ?", (after, reader)
    ).fetchone()
    parts = ([" AND o.key > :key"] if key else []) + [""]
    for behind in parts:
        found = db.execute(
            "SELECT i.id" + QUEUE + _SHOWN + asked + behind + " ORDER BY o.key LIMIT 1",
            values | {"key": key["key"] if key else None},
        ).fetchone()
        if found:
            return item(db, found["id"], reader, reveal=reveal)
    return None


def groups(db: sqlite3.Connection, reader: str) -> list[Group]:
    """Open and done items by doubt and letter, in the order of the queue."""
    rows = db.execute(
        "SELECT i.letter, i.kind, sum(s.decision IS NULL) AS open, "
        "sum(s.decision IS NOT NULL) AS done" + QUEUE + _SHOWN + "GROUP BY i.kind, i.letter "
        "ORDER BY min(o.key)",
        {"reader": reader},
    )
    return [Group(row["letter"], row["kind"], row["open"], row["done"]) for row in rows]


def progress(db: sqlite3.Connection, reader: str) -> Progress:
    """Counts of a reader's queue."""
    rows = db.execute(
        "SELECT d.choice, count(*) AS n " + QUEUE.replace(
            "WHERE", "LEFT JOIN decisions d ON d.id = s.decision WHERE"
        ) + _SHOWN + "GROUP BY d.choice ORDER BY d.choice",
        {"reader": reader},
    )  # fmt: skip
    counts = {row["choice"]: int(row["n"]) for row in rows}
    still = counts.pop(None, 0)
    return Progress(reader, still, sum(counts.values()), counts)


def _narrowed(reader: str, where: Where) -> tuple[str, dict[str, str | None]]:
    """Conditions and values for the filters that are set."""
    set_ = {name: value for name, value in where.items() if value is not None}
    asked = "".join(f" AND {_COLUMNS[name]} = :{name}" for name in set_)
    return asked, {"reader": reader, **set_}


def _item(row: sqlite3.Row, reveal: bool) -> Item:
    decision = None
    if row["d_id"] is not None:
        decision = Decision(
            row["d_id"], row["id"], row["reader"], row["choice"], row["right_letter"], row["note"],
            row["at"], bool(row["blind"]), bool(row["opinion_shown"]), row["round"],
            row["d_version"], row["undoes"],
        )  # fmt: skip
    return Item(
        id=row["id"], page=row["page_name"], scroll=row["scroll"],
        glyphs=tuple(json.loads(row["glyphs"])), kind=row["kind"], letter=row["letter"],
        box=(row["x0"], row["y0"], row["x1"], row["y1"]), version=row["version"] or 0,
        decision=decision,
        origin=row["origin"] if reveal else None, p=row["p"] if reveal else None,
        source=row["source"] if reveal else None,
        body=tuple(json.loads(row["body"])) if row["body"] else None,
    )  # fmt: skip
