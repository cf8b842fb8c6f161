"""The SQLite file of a review: its tables, and how it is opened so that no saved row is lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from crownlet.datasets.scribal.catalogue import FORMER_NAMES
from crownlet.infer.review.models import ReviewStoreError

SCHEMA_VERSION = 3

LOCK_TIMEOUT_S = 20.0
"""Seconds for which one connection waits until another has written."""

CAUSES = {
    sqlite3.SQLITE_FULL: "cannot be written, since the disk is full",
    sqlite3.SQLITE_IOERR: "cannot be written or read; the disk may be full",
    sqlite3.SQLITE_READONLY: "may not be written",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened",
    sqlite3.SQLITE_PERM: "may not be written",
    sqlite3.SQLITE_BUSY: "is being written by another process",
}
"""Causes that lie outside the file, by the primary result code of SQLite (sqlite.org/rescode)."""

SCHEMA_SQL = """
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE pages (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL, scroll TEXT NOT NULL, source TEXT,
    path TEXT NOT NULL, sha256 TEXT NOT NULL, width INTEGER NOT NULL, height INTEGER NOT NULL,
    stamp TEXT NOT NULL, digest TEXT NOT NULL, versions TEXT NOT NULL,
    present INTEGER NOT NULL DEFAULT 1
);
CREATE TABLE items (
    id INTEGER PRIMARY KEY, page INTEGER NOT NULL REFERENCES pages (id), mark TEXT NOT NULL,
    kind TEXT NOT NULL, letter TEXT NOT NULL, glyphs TEXT NOT NULL,
    x0 REAL NOT NULL, y0 REAL NOT NULL, x1 REAL NOT NULL, y1 REAL NOT NULL,
    body TEXT, line INTEGER, word INTEGER, place INTEGER, expected TEXT,
    origin TEXT NOT NULL, p REAL, chance REAL, draw INTEGER, live INTEGER NOT NULL DEFAULT 1,
    habit TEXT
);
CREATE INDEX items_page ON items (page);
CREATE TABLE draws (
    id INTEGER PRIMARY KEY, at TEXT NOT NULL, seed INTEGER NOT NULL, share REAL NOT NULL
);
CREATE TABLE strata (
    draw INTEGER NOT NULL REFERENCES draws (id), page INTEGER NOT NULL REFERENCES pages (id),
    letter TEXT NOT NULL, letters INTEGER NOT NULL, questions INTEGER NOT NULL,
    drawn INTEGER NOT NULL, live INTEGER NOT NULL DEFAULT 1, PRIMARY KEY (draw, page, letter)
);
CREATE TABLE readers (name TEXT PRIMARY KEY, round INTEGER NOT NULL, since TEXT NOT NULL);
CREATE TABLE orders (
    reader TEXT NOT NULL REFERENCES readers (name), key TEXT NOT NULL,
    item INTEGER NOT NULL REFERENCES items (id), PRIMARY KEY (reader, key)
) WITHOUT ROWID;
CREATE UNIQUE INDEX orders_item ON orders (item, reader);
CREATE TABLE decisions (
    id INTEGER PRIMARY KEY AUTOINCREMENT, item INTEGER NOT NULL REFERENCES items (id),
    reader TEXT NOT NULL REFERENCES readers (name), choice TEXT NOT NULL, right_letter TEXT,
    note TEXT NOT NULL, at TEXT NOT NULL, blind INTEGER NOT NULL, opinion_shown INTEGER NOT NULL,
    round INTEGER NOT NULL, version INTEGER NOT NULL,
    undoes INTEGER REFERENCES decisions (id),
    UNIQUE (item, reader, version)
);
CREATE UNIQUE INDEX decisions_undoes ON decisions (undoes) WHERE undoes IS NOT NULL;
CREATE INDEX decisions_reader ON decisions (reader, id);
CREATE TABLE standing (
    item INTEGER NOT NULL REFERENCES items (id), reader TEXT NOT NULL, version INTEGER NOT NULL,
    decision INTEGER REFERENCES decisions (id), PRIMARY KEY (item, reader)
) WITHOUT ROWID;
CREATE TABLE told (
    item INTEGER NOT NULL REFERENCES items (id), reader TEXT NOT NULL, at TEXT NOT NULL,
    PRIMARY KEY (item, reader)
) WITHOUT ROWID;
CREATE TRIGGER decisions_stay BEFORE DELETE ON decisions
BEGIN SELECT RAISE(ABORT, 'decisions are never deleted'); END;
CREATE TRIGGER decisions_hold BEFORE UPDATE ON decisions
BEGIN SELECT RAISE(ABORT, 'decisions are never changed'); END;
"""
"""`habit` is the key of the statement with whose letters an item is asked (see `habit_questions`);
`standing` follows from `decisions`: for each item and reader the version and the decision that
stands; `told` lists which readers were shown what the networks or another reader think of an item
(see `record_disclosure`). Names of tables and columns are those of files that exist."""

ADDED_IN_VERSION_2 = "ALTER TABLE items ADD COLUMN habit TEXT"
"""What makes a file of version 1 one of version 2; its pages ask letter by letter until they are
inspected again."""

RENAMED_IN_VERSION_3 = """
UPDATE items SET kind = replace(kind, :old, :new), mark = replace(mark, :old, :new),
    habit = replace(habit, :old, :new)
"""
"""What gives the defects of a file of version 2 their names of today; marks and keys of statements
begin with them."""

MAX_CAUSE_CHARACTERS = 160


def connect(path: Path) -> sqlite3.Connection:
    """Open or make the file: write-ahead log, every commit forced to disk.

    ReviewStoreError where it cannot be opened, is damaged, or is a file of something else.
    """
    try:
        db = sqlite3.connect(
            path, timeout=LOCK_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
    except sqlite3.Error as error:
        raise ReviewStoreError(path, f"cannot be opened ({cause_of(error)}).") from None
    db.row_factory = sqlite3.Row
    try:
        mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal":
            raise ReviewStoreError(
                path, "lies where SQLite cannot keep a write-ahead log; move the run."
            )
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        _create_tables(db, path)
        # Each connection has its own; `restrict_queue` replaces them for a review of a list.
        db.execute("CREATE TEMP VIEW shown AS SELECT id FROM items")
        db.execute("CREATE TEMP VIEW grouped AS SELECT id FROM items WHERE habit IS NOT NULL")
    except sqlite3.Error as error:
        db.close()
        raise _store_error(path, error, "is no file of decisions, or is damaged") from None
    except ReviewStoreError:
        db.close()
        raise
    return db


def cause_of(error: Exception) -> str:
    """What SQLite says, on one line: of a damaged schema it quotes all of it."""
    return " ".join(str(error).split())[:MAX_CAUSE_CHARACTERS]


def _store_error(
    path: Path, error: sqlite3.Error, reason: str, outcome: str = ""
) -> ReviewStoreError:
    """The error that names the cause; `reason` where SQLite does not name the disk as the cause."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    reason = CAUSES.get(code, reason)
    return ReviewStoreError(path, f"{reason} ({cause_of(error)}){outcome}.")


def _create_tables(db: sqlite3.Connection, path: Path) -> None:
    """Create the tables where there are none yet."""
    with transaction(db, path):
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise ReviewStoreError(path, "was written by a newer version of this program.")
        if version == 0:
            if db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                raise ReviewStoreError(path, "is a database of something else.")
            for statement in _statements():
                db.execute(statement)
        if version == 1:
            db.execute(ADDED_IN_VERSION_2)
        if version in (1, 2):
            for old, new in FORMER_NAMES.items():
                db.execute(RENAMED_IN_VERSION_3, {"old": old, "new": new})
        if version < SCHEMA_VERSION:
            db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _statements() -> list[str]:
    """The schema statement by statement: `executescript` would commit before it begins."""
    statements, part = [], ""
    for line in SCHEMA_SQL.splitlines():
        part += line + "\n"
        if sqlite3.complete_statement(part):
            statements.append(part)
            part = ""
    return statements


@contextmanager
def transaction(db: sqlite3.Connection, path: Path) -> Iterator[None]:
    """All or nothing, on disk at its end; begun as a writer, so that what is read stays true.

    ReviewStoreError where SQLite cannot write.
    """
    try:
        db.execute("BEGIN IMMEDIATE")
        try:
            yield
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
    except sqlite3.Error as error:
        raise _store_error(path, error, "cannot be written", "; nothing was kept") from None
