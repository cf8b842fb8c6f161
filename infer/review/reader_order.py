"""Readers and the order in which each of them meets the queue."""

from __future__ import annotations

import sqlite3

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, GRAVITIES
from crownlet.infer.findings.severity import opinions_on
from crownlet.infer.review.models import ChoiceError
from crownlet.infer.review.queue import stable_hash

MAX_READER_NAME_CHARACTERS = 60

_HEADINGS = list(dict.fromkeys(gravity.heading for gravity in GRAVITIES.values()))

_KIND_RANK = {name: k for k, name in enumerate(CATALOGUE)}


class ReaderRegistry:
    """The readers of one store; the first reads the whole queue, every other a share of it.

    An order goes by heading, the gravest that the sources give the doubt on its letter, then by
    doubt and letter, then at random; the random order is another for each reader.
    """

    def __init__(self, db: sqlite3.Connection, seed: int, second_share: float) -> None:
        self._db = db
        self._seed = seed
        self._share = second_share
        self._rounds: dict[str, int] = {}

    def is_known(self, name: str) -> bool:
        """Whether a reader has a queue already; ChoiceError for a name that is none."""
        if not name.strip() or name != name.strip() or len(name) > MAX_READER_NAME_CHARACTERS:
            raise ChoiceError(f"A reader's name has 1 to {MAX_READER_NAME_CHARACTERS} characters.")
        if not name.isprintable():
            raise ChoiceError("A reader's name holds characters that cannot be printed.")
        return name in self._rounds or self._load_round(name)

    def _load_round(self, name: str) -> bool:
        row = self._db.execute("SELECT round FROM readers WHERE name = ?", (name,)).fetchone()
        if row is not None:
            self._rounds[name] = row["round"]
        return row is not None

    def round_of(self, name: str) -> int:
        """1 for the first reader, 2 for every other."""
        if name not in self._rounds:
            self._load_round(name)
        return self._rounds[name]

    def add(self, name: str, at: str) -> None:
        """Give a new reader a queue; inside a transaction."""
        first = self._db.execute("SELECT count(*) FROM readers").fetchone()[0] == 0
        self._db.execute(
            "INSERT OR IGNORE INTO readers VALUES (?, ?, ?)", (name, 1 if first else 2, at)
        )
        self._append_items(name)

    def append_new_items(self) -> None:
        """Put items that were added into every reader's order; inside a transaction."""
        for row in self._db.execute("SELECT name FROM readers").fetchall():
            self._append_items(row["name"])

    def _append_items(self, name: str) -> None:
        first = self._db.execute("SELECT round FROM readers WHERE name = ?", (name,)).fetchone()
        rows = self._db.execute(
            "SELECT i.id, i.mark, i.kind, i.letter, i.habit, p.name AS page, p.sha256 FROM items i "
            "JOIN pages p ON p.id = i.page "
            "WHERE NOT EXISTS (SELECT 1 FROM orders o WHERE o.item = i.id AND o.reader = ?)",
            (name,),
        ).fetchall()
        chosen = [row for row in rows if first["round"] == 1 or self._in_second_share(row)]
        self._db.executemany(
            "INSERT INTO orders VALUES (?, ?, ?)",
            [(name, self._order_key(name, row), row["id"]) for row in chosen],
        )

    def _in_second_share(self, row: sqlite3.Row) -> bool:
        """The same share for every reader after the first, so that they can be compared; what is
        asked together is asked whole."""
        return (
            row["habit"] is not None
            or stable_hash(self._seed, "second", row["page"], row["mark"]) < self._share * 2**64
        )

    def _order_key(self, reader: str, row: sqlite3.Row) -> str:
        headings = (GRAVITIES[o.code].heading for o in opinions_on(row["kind"], row["letter"]))
        gravest = min(map(_HEADINGS.index, headings), default=len(_HEADINGS))
        kind = _KIND_RANK.get(row["kind"], len(_KIND_RANK))
        letter = LETTERS.find(row["letter"][:1]) if row["letter"] else len(LETTERS)
        chance = stable_hash(self._seed, "order", reader, row["page"], row["mark"])
        return f"{gravest}{kind:03d}{row['kind']}:{letter:02d}:{chance:016x}:{row['id']}"
