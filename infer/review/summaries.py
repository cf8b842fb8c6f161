"""The open file of decisions: who may read and write it when, and what all readers said in it."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from crownlet.infer.review import reading_out, said
from crownlet.infer.review.entries import (
    Audit,
    Decision,
    Disagreement,
    Item,
    Reader,
    Standing,
    StoreError,
    now,
)
from crownlet.infer.review.orders import Readers
from crownlet.infer.review.schema import transaction


class Connected:
    """A connection that several threads share, one at a time."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db
        self._lock = threading.RLock()
        meta = {row["name"]: row["value"] for row in db.execute("SELECT * FROM meta")}
        self.seed = int(meta["seed"])
        self.audit_share = float(meta["audit_share"])
        self.second_share = float(meta["second_share"])
        self._readers = Readers(db, self.seed, self.second_share)

    def close(self) -> None:
        """Give the file back; nothing is lost without it."""
        with self._lock:
            self._db.close()

    @contextmanager
    def _reading(self, reader: str | None) -> Iterator[None]:
        with self._lock:
            self._enter(reader)
            try:
                yield
            except sqlite3.Error as error:
                raise StoreError(self.path, f"cannot be read ({error}).") from None

    @contextmanager
    def _writing(self, reader: str) -> Iterator[None]:
        with self._lock:
            self._enter(reader)
            with transaction(self._db, self.path):
                yield

    def _enter(self, reader: str | None) -> None:
        """A new reader gets a queue, which stays though what he came for be refused."""
        if reader is not None and not self._readers.known(reader):
            with transaction(self._db, self.path):
                self._readers.enter(reader, now())


class Summaries(Connected):
    """What all readers said."""

    def readers(self) -> list[Reader]:
        """Everyone who has a queue here, the first reader first."""
        with self._reading(None):
            return said.readers(self._db)

    def asked(self) -> list[Item]:
        """All that is asked, as a reader who has decided nothing would meet it."""
        with self._reading(None):
            return reading_out.asked(self._db)

    def disagreements(self, reader_a: str, reader_b: str) -> list[Disagreement]:
        """Items of which both decided and said different things."""
        with self._reading(None):
            return said.disagreements(self._db, reader_a, reader_b)

    def alone(self, reader: str) -> list[tuple[int, str, Decision]]:
        """Item, doubt and decision of all that a reader decided before being told anything."""
        with self._reading(reader):
            return said.alone(self._db, reader)

    def audit(self, reader: str) -> Audit:
        """The audited letters in a reader's queue, for `missed_estimate`."""
        with self._reading(reader):
            return said.audit(self._db, reader)

    def decisions(self, reader: str | None = None) -> list[Decision]:
        """Every row ever kept, what was taken back included, in the order in which it was said."""
        with self._reading(None):
            return said.decisions(self._db, reader)

    def standing(self) -> list[Standing]:
        """Every decision that stands, of all readers, with what was asked; for exports."""
        with self._reading(None):
            return said.stands(self._db)
