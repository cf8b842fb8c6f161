"""Writing of decisions and of their undoing: rows are added, versions are checked."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.review.models import (
    CHOICES,
    UNDONE,
    ChoiceError,
    Decision,
    ItemError,
    StaleError,
    utc_now,
)

MAX_NOTE_CHARACTERS = 2000


@dataclass(frozen=True)
class Answer:
    """A reader's answer about one item, at the version that was shown."""

    item: int
    choice: str
    version: int
    right_letter: str | None = None
    note: str = ""
    opinion_shown: bool = False
    """Whether the reader was shown the networks' opinion before; then it is not blind either."""


def add_decisions(
    db: sqlite3.Connection,
    answers: Sequence[Answer],
    reader: str,
    reader_round: int,
    blind: bool,
    opinion_shown: bool,
) -> list[Decision]:
    """Add decisions, inside a transaction; StaleError, ChoiceError or ItemError refuse them all."""
    # One moment for all: by it `undo_step` knows what was kept together.
    made, at = [], utc_now()
    for answer in answers:
        _check_answer(db, answer)
        version = _item_version(db, answer.item, reader)
        if version != answer.version:
            raise StaleError(
                "This letter was decided in another window meanwhile; nothing was overwritten. "
                "Look at it again."
            )
        shown = opinion_shown or answer.opinion_shown or was_disclosed(db, answer.item, reader)
        values = (
            answer.item, reader, answer.choice, answer.right_letter, answer.note, at,
            blind and not shown, shown, reader_round, version + 1, None,
        )  # fmt: skip
        made.append(_insert_decision(db, values, stands=True))
    return made


def record_disclosure(db: sqlite3.Connection, items: Iterable[int], reader: str) -> None:
    """Keep that a reader was shown what others think of items, inside a transaction."""
    at = utc_now()
    rows = [(item, reader, at) for item in items]
    db.executemany("INSERT OR IGNORE INTO told VALUES (?, ?, ?)", rows)


def was_disclosed(db: sqlite3.Connection, item: int, reader: str) -> bool:
    """Whether a reader was shown what others think of an item."""
    found = db.execute("SELECT 1 FROM told WHERE item = ? AND reader = ?", (item, reader))
    return found.fetchone() is not None


def undo_last(db: sqlite3.Connection, reader: str, reader_round: int) -> Decision | None:
    """Take back the reader's last decision that was not taken back, inside a transaction."""
    row = _select_last_decision(db, reader)
    return None if row is None else _undo(db, row, reader_round)


def undo_last_step(db: sqlite3.Connection, reader: str, reader_round: int) -> list[Decision]:
    """Take back the reader's last decision and those kept together with it, the last first."""
    return [_undo(db, row, reader_round) for row in select_last_step(db, reader)]


def select_last_step(db: sqlite3.Connection, reader: str) -> list[sqlite3.Row]:
    """The rows that `undo_last_step` takes back, the last first."""
    last = _select_last_decision(db, reader)
    if last is None:
        return []
    return db.execute(
        "SELECT d.* FROM decisions d LEFT JOIN decisions u ON u.undoes = d.id WHERE d.reader = ? "
        "AND d.at = ? AND +d.undoes IS NULL AND u.id IS NULL ORDER BY d.id DESC",
        (reader, last["at"]),
    ).fetchall()


def _undo(db: sqlite3.Connection, row: sqlite3.Row, reader_round: int) -> Decision:
    version = _item_version(db, row["item"], row["reader"])
    values = (
        row["item"], row["reader"], UNDONE, None, "", utc_now(), row["blind"],
        row["opinion_shown"], reader_round, version + 1, row["id"],
    )  # fmt: skip
    _insert_decision(db, values, stands=False)
    return decision_from_row(row)


def _select_last_decision(db: sqlite3.Connection, reader: str) -> sqlite3.Row | None:
    """The reader's last decision that was not taken back."""
    row: sqlite3.Row | None = db.execute(
        "SELECT d.* FROM decisions d LEFT JOIN decisions u ON u.undoes = d.id "
        "WHERE d.reader = ? AND +d.undoes IS NULL AND u.id IS NULL ORDER BY d.id DESC LIMIT 1",
        (reader,),
    ).fetchone()
    return row


def decision_from_row(row: sqlite3.Row) -> Decision:
    """A row of the table as a record."""
    return Decision(
        row["id"], row["item"], row["reader"], row["choice"], row["right_letter"], row["note"],
        row["at"], bool(row["blind"]), bool(row["opinion_shown"]), row["round"], row["version"],
        row["undoes"],
    )  # fmt: skip


def _check_answer(db: sqlite3.Connection, answer: Answer) -> None:
    """ItemError, StaleError or ChoiceError for an answer that cannot be kept."""
    item = db.execute(
        "SELECT letter, i.live AND p.present AS asked FROM items i JOIN pages p ON p.id = i.page "
        "WHERE i.id = ?",
        (answer.item,),
    ).fetchone()
    if item is None:
        raise ItemError(f"There is no item {answer.item} in the queue.")
    if not item["asked"]:
        raise StaleError(
            "The page was inspected anew and this is no longer asked; nothing was kept."
        )
    if answer.choice not in CHOICES:
        raise ChoiceError(f"{answer.choice!r} is no choice; there are {', '.join(CHOICES)}.")
    if any("\ud800" <= char <= "\udfff" for char in answer.note):
        raise ChoiceError("The note holds half a character; write it anew.")
    if (answer.choice == "other_letter") != (answer.right_letter is not None):
        raise ChoiceError("With other_letter, and only with it, goes the letter that is written.")
    if answer.right_letter is not None and not item["letter"]:
        raise ChoiceError("This is asked of no single letter, so it cannot be another one.")
    if answer.right_letter is not None:
        if len(answer.right_letter) != 1 or answer.right_letter not in LETTERS:
            raise ChoiceError(f"{answer.right_letter!r} is none of the 27 letters.")
        if answer.right_letter == item["letter"]:
            raise ChoiceError("That is the letter as read; another letter was meant.")
    if len(answer.note) > MAX_NOTE_CHARACTERS:
        raise ChoiceError(f"A note has at most {MAX_NOTE_CHARACTERS} characters.")


def _item_version(db: sqlite3.Connection, item: int, reader: str) -> int:
    """How often a reader decided or took back on an item."""
    row = db.execute(
        "SELECT version FROM standing WHERE item = ? AND reader = ?", (item, reader)
    ).fetchone()
    return int(row["version"]) if row else 0


def _insert_decision(
    db: sqlite3.Connection, values: tuple[object, ...], *, stands: bool
) -> Decision:
    made = db.execute(
        "INSERT INTO decisions (item, reader, choice, right_letter, note, at, blind, opinion_shown,"
        " round, version, undoes) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        values,
    )
    row = db.execute("SELECT * FROM decisions WHERE id = ?", (made.lastrowid,)).fetchone()
    item, reader = row["item"], row["reader"]
    decision = row["id"] if stands else _last_valid_decision(db, item, reader)
    db.execute(
        "INSERT INTO standing (item, reader, version, decision) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (item, reader) DO UPDATE SET version = excluded.version, "
        "decision = excluded.decision",
        (item, reader, row["version"], decision),
    )
    return decision_from_row(row)


def _last_valid_decision(db: sqlite3.Connection, item: int, reader: str) -> int | None:
    """The newest decision on an item that is not taken back."""
    # The plus signs leave SQLite the index by item only: the others hold thousands of rows.
    row = db.execute(
        "SELECT max(d.id) AS id FROM decisions d LEFT JOIN decisions u ON u.undoes = d.id "
        "WHERE d.item = ? AND +d.reader = ? AND +d.undoes IS NULL AND u.id IS NULL",
        (item, reader),
    ).fetchone()
    return row["id"] if row else None
