"""Queries of the review store: records read from its tables."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping

from crownlet.infer.review.decisions import decision_from_row
from crownlet.infer.review.models import (
    Audit,
    AuditedQuestion,
    Decision,
    Disagreement,
    HabitGroup,
    Item,
    ItemError,
    ItemGroup,
    Progress,
    Reader,
    StandingDecision,
    State,
)

FilterValues = Mapping[str, str | None]

_SELECT_ITEM = """
SELECT i.*, p.name AS page_name, p.scroll, p.source, s.version, d.id AS d_id, d.reader, d.choice,
       d.right_letter, d.note, d.at, d.blind, d.opinion_shown, d.round, d.version AS d_version,
       d.undoes
FROM items i JOIN pages p ON p.id = i.page
"""

_JOIN_STANDING = """
LEFT JOIN standing s ON s.item = i.id AND s.reader = :reader
LEFT JOIN decisions d ON d.id = s.decision
"""

_FROM_QUEUE = """
FROM orders o JOIN items i ON i.id = o.item JOIN pages p ON p.id = i.page
LEFT JOIN standing s ON s.item = i.id AND s.reader = :reader
WHERE o.reader = :reader AND i.live AND p.present
"""

_AND_SHOWN = " AND EXISTS (SELECT 1 FROM shown WHERE shown.id = i.id) "
"""In a review of a list, only what is on the list; see `restrict_queue`. Asked item by item, since
the next item must not cost a walk through all of them."""

_AND_SINGLE = " AND NOT EXISTS (SELECT 1 FROM grouped WHERE grouped.id = i.id) "
"""Without the items that are asked together with others; see `habit_questions`."""

_AND_GROUPED = (
    " AND i.habit IS NOT NULL AND EXISTS (SELECT 1 FROM grouped WHERE grouped.id = i.id) "
)

_FILTER_COLUMNS = {"kind": "i.kind", "letter": "i.letter", "scroll": "p.scroll"}

_AND_STATE: Mapping[State, str] = {
    "open": " AND s.decision IS NULL", "done": " AND s.decision IS NOT NULL", "all": "",
}  # fmt: skip

_INDEPENDENT_DECISION_ID = """
(SELECT max(x.id) FROM decisions x WHERE x.item = i.id AND +x.reader = :reader
 AND x.undoes IS NULL AND NOT x.opinion_shown
 AND NOT EXISTS (SELECT 1 FROM decisions u WHERE u.undoes = x.id))
"""
"""A reader's last decision on an item before any disclosure of what others think of it. The plus
leaves SQLite the index by item only; by reader it would go through thousands of rows an item."""


def select_items(
    db: sqlite3.Connection, reader: str, where: FilterValues, state: State, *, reveal: bool
) -> list[Item]:
    """Items of a reader's queue, in its order."""
    condition, values = _filter_sql(reader, where)
    rows = db.execute(
        _SELECT_ITEM + "JOIN orders o ON o.item = i.id" + _JOIN_STANDING
        + "WHERE o.reader = :reader AND i.live AND p.present" + _AND_SHOWN + _AND_SINGLE
        + condition + _AND_STATE[state] + " ORDER BY o.key",
        values,
    )  # fmt: skip
    return [_item_from_row(row, reveal) for row in rows]


def select_all_items(db: sqlite3.Connection) -> list[Item]:
    """Everything in the queue, page by page, without anyone's decisions."""
    rows = db.execute(
        _SELECT_ITEM
        + _JOIN_STANDING
        + "WHERE i.live AND p.present"
        + _AND_SHOWN
        + " ORDER BY p.id, i.id",
        {"reader": ""},
    )
    return [_item_from_row(row, reveal=False) for row in rows]


def select_item(db: sqlite3.Connection, item_id: int, reader: str, *, reveal: bool) -> Item:
    """One item, in the queue or no longer; ItemError if there never was one."""
    row = db.execute(
        _SELECT_ITEM + _JOIN_STANDING + "WHERE i.id = :item", {"reader": reader, "item": item_id}
    ).fetchone()
    if row is None:
        raise ItemError(f"There is no item {item_id} in the queue.")
    return _item_from_row(row, reveal)


def select_next_open(
    db: sqlite3.Connection, reader: str, after: int | None, where: FilterValues, *, reveal: bool
) -> Item | None:
    """The first open item behind `after` in the reader's order, else the first of all."""
    condition, values = _filter_sql(reader, where)
    condition += _AND_STATE["open"]
    key = db.execute(
        "SELECT key FROM orders WHERE item = ? AND reader = ?", (after, reader)
    ).fetchone()
    parts = ([" AND o.key > :key"] if key else []) + [""]
    for behind in parts:
        tail = f"{_AND_SHOWN}{_AND_SINGLE}{condition}{behind} ORDER BY o.key LIMIT 1"
        found = db.execute(
            f"SELECT i.id{_FROM_QUEUE}{tail}", values | {"key": key["key"] if key else None}
        ).fetchone()
        if found:
            return select_item(db, found["id"], reader, reveal=reveal)
    return None


def count_groups(db: sqlite3.Connection, reader: str) -> list[ItemGroup]:
    """Open and done items by doubt and letter, in the order of the queue."""
    rows = db.execute(
        "SELECT i.letter, i.kind, sum(s.decision IS NULL) AS open, "
        "sum(s.decision IS NOT NULL) AS done"
        + _FROM_QUEUE
        + _AND_SHOWN
        + _AND_SINGLE
        + "GROUP BY i.kind, i.letter "
        "ORDER BY min(o.key)",
        {"reader": reader},
    )
    return [ItemGroup(row["letter"], row["kind"], row["open"], row["done"]) for row in rows]


def select_habit_groups(db: sqlite3.Connection, reader: str) -> list[HabitGroup]:
    """What is asked once of a hand, in the order of the queue: by heading, the gravest first."""
    rows = db.execute(
        "SELECT p.scroll, i.habit, min(i.id) AS number, sum(i.origin <> 'statement') AS letters, "
        "sum(i.origin IN ('habit', 'finding')) AS seen, "
        "group_concat(DISTINCT iif(i.origin IN ('habit', 'finding'), i.letter, '')) AS forms, "
        "sum(i.origin <> 'statement' AND s.decision IS NULL) AS open "
        + _FROM_QUEUE
        + _AND_SHOWN
        + _AND_GROUPED
        + "GROUP BY p.scroll, i.habit ORDER BY min(o.key)",
        {"reader": reader},
    )
    return [_habit_group_from_row(row) for row in rows]


def _habit_group_from_row(row: sqlite3.Row) -> HabitGroup:
    return HabitGroup(
        row["number"], row["scroll"], row["habit"], row["forms"].replace(",", ""), row["seen"],
        row["letters"], row["open"],
    )  # fmt: skip


def select_habit_items(db: sqlite3.Connection, reader: str, number: int) -> list[Item]:
    """All items of the group that has this item, page by page; what the program says of them is in
    them. Empty where there is no such group."""
    # A cross join keeps the order of the tables: page by page, not through the reader's queue.
    rows = db.execute(
        _SELECT_ITEM.replace(
            "FROM items i JOIN pages p ON p.id = i.page",
            "FROM items n JOIN pages m ON m.id = n.page CROSS JOIN pages p ON p.scroll = m.scroll "
            "CROSS JOIN items i ON i.page = p.id AND i.habit = n.habit "
            "JOIN orders o ON o.item = i.id AND o.reader = :reader",
        ) + _JOIN_STANDING + "WHERE n.id = :number AND i.live AND p.present" + _AND_SHOWN
        + _AND_GROUPED + "ORDER BY p.id, i.id",
        {"reader": reader, "number": number},
    )  # fmt: skip
    return [_item_from_row(row, reveal=True) for row in rows]


def select_settled(
    db: sqlite3.Connection, reader: str, items: Iterable[int]
) -> dict[int, tuple[tuple[str, str], bool]]:
    """Of the items that are in a reader's queue: letter and doubt, and whether they are decided."""
    found = {}
    for item in items:
        row = db.execute(
            "SELECT i.letter, i.kind, s.decision IS NOT NULL AS decided"
            + _FROM_QUEUE
            + _AND_SHOWN
            + _AND_SINGLE
            + "AND i.id = :item AND o.item = :item",
            {"reader": reader, "item": item},
        ).fetchone()
        if row is not None:
            found[item] = ((row["letter"], row["kind"]), bool(row["decided"]))
    return found


def count_progress(db: sqlite3.Connection, reader: str) -> Progress:
    """Counts of a reader's queue; a group that is asked together counts once."""
    rows = db.execute(
        "SELECT d.choice, count(*) AS n, sum("
        + _AND_SINGLE.removeprefix(" AND")
        + ") AS single "
        + _FROM_QUEUE.replace("WHERE", "LEFT JOIN decisions d ON d.id = s.decision WHERE")
        + _AND_SHOWN
        + "GROUP BY d.choice ORDER BY d.choice",
        {"reader": reader},
    ).fetchall()
    single = {row["choice"]: int(row["single"]) for row in rows}
    groups = [bool(group.open) for group in select_habit_groups(db, reader)]
    open_items = single.pop(None, 0) + sum(groups)
    choices = {row["choice"]: int(row["n"]) for row in rows if row["choice"] is not None}
    done = sum(single.values()) + groups.count(False)
    return Progress(reader, open_items, done, choices)


def _filter_sql(reader: str, where: FilterValues) -> tuple[str, dict[str, str | None]]:
    """Conditions and values for the filters that are set."""
    given = {name: value for name, value in where.items() if value is not None}
    condition = "".join(f" AND {_FILTER_COLUMNS[name]} = :{name}" for name in given)
    return condition, {"reader": reader, **given}


def _item_from_row(row: sqlite3.Row, reveal: bool) -> Item:
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


def select_readers(db: sqlite3.Connection) -> list[Reader]:
    """Every reader, in the order in which they came."""
    rows = db.execute(
        "SELECT r.*, (SELECT count(*) FROM standing s WHERE s.reader = r.name "
        "AND s.decision IS NOT NULL) AS done FROM readers r ORDER BY r.round, r.since, r.name"
    )
    return [Reader(row["name"], row["round"], row["since"], row["done"]) for row in rows]


def select_decisions(db: sqlite3.Connection, reader: str | None) -> list[Decision]:
    """All rows, oldest first."""
    rows = db.execute(
        "SELECT * FROM decisions WHERE :reader IS NULL OR reader = :reader ORDER BY id",
        {"reader": reader},
    )
    return [decision_from_row(row) for row in rows]


def select_disagreements(db: sqlite3.Connection, a: str, b: str) -> list[Disagreement]:
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
            select_item(db, row["id"], a, reveal=False),
            _select_decision(db, row["a"]),
            _select_decision(db, row["b"]),
        )
        for row in rows
    ]


def select_independent_decisions(
    db: sqlite3.Connection, reader: str
) -> list[tuple[int, str, Decision]]:
    """Item, doubt and decision of all that a reader decided before any disclosure."""
    rows = db.execute(
        "SELECT i.kind, d.* FROM items i JOIN pages p ON p.id = i.page "
        f"JOIN decisions d ON d.id = {_INDEPENDENT_DECISION_ID} "
        "WHERE i.live AND p.present ORDER BY i.id",
        {"reader": reader},
    )
    return [(row["item"], row["kind"], decision_from_row(row)) for row in rows]


def select_audit(db: sqlite3.Connection, reader: str) -> Audit:
    """The audit in a reader's queue, and how many letters and doubts it was drawn from."""
    join = f"LEFT JOIN decisions d ON d.id = {_INDEPENDENT_DECISION_ID} WHERE"
    rows = db.execute(
        "SELECT p.scroll, i.kind, i.chance, d.choice "
        + _FROM_QUEUE.replace("WHERE", join)
        + " AND i.origin = 'audit' ORDER BY i.id",
        {"reader": reader},
    )
    questions = tuple(AuditedQuestion(*row) for row in rows)
    drawn = db.execute(
        "SELECT total(t.letters), total(t.questions) FROM strata t JOIN pages p ON p.id = t.page "
        "WHERE t.live AND p.present"
    ).fetchone()
    return Audit(int(drawn[0]), int(drawn[1]), questions)


def select_standing_decisions(db: sqlite3.Connection) -> list[StandingDecision]:
    """Every decision that stands, of any reader and any state of the queue, oldest first."""
    rows = db.execute(
        "SELECT i.*, p.name AS page_name, p.scroll, p.source, p.sha256, p.present, d.id AS d_id "
        "FROM standing s JOIN decisions d ON d.id = s.decision JOIN items i ON i.id = s.item "
        "JOIN pages p ON p.id = i.page ORDER BY d.id"
    ).fetchall()
    return [
        StandingDecision(
            page=row["page_name"], scroll=row["scroll"], source=row["source"], sha256=row["sha256"],
            still_asked=bool(row["live"] and row["present"]), kind=row["kind"],
            letter=row["letter"], glyphs=tuple(json.loads(row["glyphs"])),
            box=(row["x0"], row["y0"], row["x1"], row["y1"]), line=row["line"], word=row["word"],
            place=row["place"], origin=row["origin"], p=row["p"], chance=row["chance"],
            decision=_select_decision(db, row["d_id"]),
        )
        for row in rows
    ]  # fmt: skip


def _select_decision(db: sqlite3.Connection, number: int) -> Decision:
    return decision_from_row(
        db.execute("SELECT * FROM decisions WHERE id = ?", (number,)).fetchone()
    )
