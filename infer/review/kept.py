"""The small pictures of a run kept on disk, so that each page is decoded for its walls only once.

They lie in a file of their own beside the decisions, which may be deleted at any time. A picture
counts as long as the page's scan, its tables and the way it is cut are what they were.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Mapping
from pathlib import Path

_TABLE = """
CREATE TABLE IF NOT EXISTS pictures (
    page TEXT NOT NULL, state TEXT NOT NULL, place TEXT NOT NULL, jpeg BLOB NOT NULL,
    PRIMARY KEY (page, place)
) WITHOUT ROWID
"""


class Kept:
    """Pictures by page and place; safe to ask from any thread.

    Where nothing can be kept (no room, no right to write, a damaged file) nothing is.
    """

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        try:
            self._db = _opened(path)
        except sqlite3.Error:
            self._db = _opened(":memory:")

    def of_page(self, page: str, state: str) -> dict[str, bytes]:
        """What is kept of a page, by place, if the page is still in that state."""
        with self._lock, contextlib.suppress(sqlite3.Error):
            rows = self._db.execute(
                "SELECT place, jpeg FROM pictures WHERE page = ? AND state = ?", (page, state)
            )
            return dict(rows.fetchall())
        return {}

    def keep(self, page: str, state: str, pictures: Mapping[str, bytes]) -> None:
        """Keep pictures of a page; those of another state of it go away."""
        with self._lock, contextlib.suppress(sqlite3.Error), self._db:
            self._db.execute("DELETE FROM pictures WHERE page = ? AND state <> ?", (page, state))
            self._db.executemany(
                "INSERT OR REPLACE INTO pictures VALUES (?, ?, ?, ?)",
                [(page, state, place, jpeg) for place, jpeg in pictures.items()],
            )

    def close(self) -> None:
        """Give the file back."""
        with self._lock:
            self._db.close()


def _opened(path: Path | str) -> sqlite3.Connection:
    db = sqlite3.connect(path, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute(_TABLE)
    except sqlite3.Error:
        db.close()
        raise
    return db
