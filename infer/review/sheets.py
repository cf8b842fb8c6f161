"""The pages that a file of decisions knows, and whether one was inspected anew since."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from typing import TYPE_CHECKING

from crownlet.infer.records import PageRecord

if TYPE_CHECKING:
    from crownlet.infer.run import Run, StoredPage, StoredScroll

TABLES = ("page.json", "glyphs.csv", "findings.csv")


def place_page(
    db: sqlite3.Connection,
    scroll: StoredScroll,
    record: PageRecord,
    row: sqlite3.Row | None,
    stamp: str,
    digest: str,
) -> int:
    """The page's row: its old one if the picture is the same, else a new one in its place."""
    facts = record.image
    if row is not None and row["sha256"] != facts.sha256:
        db.execute("UPDATE pages SET present = 0 WHERE id = ?", (row["id"],))
        row = None
    values = {
        "name": record.name, "scroll": scroll.name, "source": scroll.source, "path": facts.path,
        "sha256": facts.sha256, "width": facts.width, "height": facts.height, "stamp": stamp,
        "digest": digest, "versions": json.dumps(record.versions, ensure_ascii=False),
        "present": 1, "id": row["id"] if row is not None else None,
    }  # fmt: skip
    names = ", ".join(values)
    marks = ", ".join("?" * len(values))
    sets = ", ".join(f"{name} = excluded.{name}" for name in values if name != "id")
    db.execute(
        f"INSERT INTO pages ({names}) VALUES ({marks}) ON CONFLICT (id) DO UPDATE SET {sets}",
        tuple(values.values()),
    )
    if row is not None:
        return int(row["id"])
    return int(db.execute("SELECT last_insert_rowid()").fetchone()[0])


def drop(db: sqlite3.Connection, run: Run, known: dict[str, sqlite3.Row]) -> bool:
    """Pages no longer in the run leave the queue; they may come back."""
    gone = [row["id"] for name, row in known.items() if row["present"] and name not in run.pages]
    db.executemany("UPDATE pages SET present = 0 WHERE id = ?", [(number,) for number in gone])
    return bool(gone)


def gather(db: sqlite3.Connection, run: Run, known: dict[str, sqlite3.Row]) -> bool:
    """Pages gathered into other scrolls than before."""
    moved = []
    for name, row in known.items():
        if name in run.pages:
            scroll = run.scroll_of(name)
            if (scroll.name, scroll.source) != (row["scroll"], row["source"]):
                moved.append((scroll.name, scroll.source, row["id"]))
    db.executemany("UPDATE pages SET scroll = ?, source = ? WHERE id = ?", moved)
    return bool(moved)


def stamp(page: StoredPage) -> str:
    """Times and sizes of the tables: enough to see that nothing was written since."""
    files = [page.folder / name for name in TABLES]
    facts = [path.stat() if path.exists() else None for path in files]
    return ";".join(f"{s.st_mtime_ns}-{s.st_size}" if s else "" for s in facts)


def digest(page: StoredPage) -> str:
    """What the tables say, whenever they were written: letters, findings and the picture."""
    state = hashlib.sha256(page.checksum.encode())
    for name in TABLES[1:]:
        path = page.folder / name
        state.update(path.read_bytes() if path.exists() else b"")
    return state.hexdigest()
