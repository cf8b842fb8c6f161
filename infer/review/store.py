"""Questions and decisions of a run in one SQLite file; every decision is on disk at once.

Several windows, processes and readers may use one file: a decision carries the version of the item
that its reader saw, and one made on an older version is refused. Rows of decisions are only added,
never changed. What is read lies in `queries`, what is written in `decisions`, how the queue follows
the run in `sync`.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.datasets.files.errors import CrownletError
from crownlet.infer.review import queries
from crownlet.infer.review.decisions import (
    Answer,
    add_decisions,
    record_disclosure,
    select_last_step,
    undo_last,
    undo_last_step,
)
from crownlet.infer.review.models import (
    Audit,
    Decision,
    Disagreement,
    HabitGroup,
    Item,
    ItemGroup,
    Progress,
    Reader,
    ReviewStoreError,
    StandingDecision,
    State,
    utc_now,
)
from crownlet.infer.review.queue_counts import QueueCounts
from crownlet.infer.review.reader_order import ReaderRegistry
from crownlet.infer.review.schema import cause_of, connect, transaction
from crownlet.infer.review.subset import RequestedItem, restrict_queue
from crownlet.infer.review.sync import draw_letters, sync_queue

if TYPE_CHECKING:
    from crownlet.infer.run.run import Run

DEFAULT_SEED = 20_07

DEFAULT_AUDIT_SHARE = 0.02
"""Share of the clear letters that is mixed into the queue."""

DEFAULT_SECOND_SHARE = 1.0
"""Share of the items that every reader after the first is asked."""


class ReviewStore:
    """The queue and the decisions of one run; usable from several threads, one at a time.

    Seed and shares are those with which the file was made. Every method may raise ReviewStoreError
    where the file cannot be read or written.
    """

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db
        self._lock = threading.RLock()
        meta = {row["name"]: row["value"] for row in db.execute("SELECT * FROM meta")}
        self.seed = int(meta["seed"])
        self.audit_share = float(meta["audit_share"])
        self.second_share = float(meta["second_share"])
        self._readers = ReaderRegistry(db, self.seed, self.second_share)
        self._counts = QueueCounts(db)

    @classmethod
    def open(
        cls,
        path: str | Path,
        run: Run,
        seed: int = DEFAULT_SEED,
        audit_share: float = DEFAULT_AUDIT_SHARE,
        second_share: float = DEFAULT_SECOND_SHARE,
        only: tuple[RequestedItem, ...] | None = None,
        letters: int = 0,
    ) -> ReviewStore:
        """Open or make the file at `path` and bring its queue in step with `run`.

        `audit_share` of the clear letters is mixed in, `second_share` of all items is asked of
        every reader after the first; both and `seed` count when the file is made. `only` are the
        questions to be shown, if not all. `letters` of the run are drawn at random, beside those
        drawn before, to be judged whole. Raises ReviewStoreError, RunError where a new page cannot
        be read, and ValueError for a share outside 0 to 1.
        """
        path = Path(path)
        for share in (audit_share, second_share):
            if not 0 <= share <= 1:
                raise ValueError(f"a share lies within 0 and 1, not {share}")
        db = connect(path)
        try:
            with transaction(db, path):
                values = {"seed": seed, "audit_share": audit_share, "second_share": second_share}
                for name, value in values.items():
                    db.execute("INSERT OR IGNORE INTO meta VALUES (?, ?)", (name, repr(value)))
                store = cls(path, db)
                changed = sync_queue(db, run, store.seed, store.audit_share)
                if letters:
                    changed |= draw_letters(db, run, store.seed, letters)
                if only is not None:
                    changed |= restrict_queue(db, run, only)
                if changed:
                    store._readers.append_new_items()
        except BaseException:
            db.close()
            raise
        return store

    def close(self) -> None:
        """Close the file; nothing is lost without it."""
        with self._lock:
            self._db.close()

    @contextmanager
    def _reading(self, reader: str | None) -> Iterator[None]:
        with self._lock:
            self._enter(reader)
            try:
                yield
            except CrownletError:
                raise
            except (sqlite3.Error, ValueError, TypeError) as error:
                # A damaged page of the file may hold anything in place of a list of letters.
                raise ReviewStoreError(self.path, f"cannot be read ({cause_of(error)}).") from None

    @contextmanager
    def _writing(self, reader: str) -> Iterator[None]:
        with self._lock:
            self._enter(reader)
            with transaction(self._db, self.path):
                yield

    @contextmanager
    def _deciding(self, reader: str, items: Sequence[int] | None) -> Iterator[None]:
        """As `_writing`, for decisions on `items`; None for those of the reader's last step."""
        with self._lock:
            with self._writing(reader):
                if items is None:
                    items = [row["item"] for row in select_last_step(self._db, reader)]
                before = self._counts.settled(reader, items)
                yield
            with self._reading(None):
                self._counts.follow(reader, before)

    def _enter(self, reader: str | None) -> None:
        """A new reader gets a queue, which stays even if what they ask for is refused."""
        if reader is not None and not self._readers.is_known(reader):
            with transaction(self._db, self.path):
                self._readers.add(reader, utc_now())

    # One reader's queue.

    def items(
        self,
        reader: str,
        *,
        kind: str | None = None,
        letter: str | None = None,
        scroll: str | None = None,
        state: State = "open",
        reveal: bool = False,
    ) -> list[Item]:
        """This reader's items in this reader's order: by doubt and letter, within them at random.

        `reveal` fills in origin, probability and source, which show what the networks think.
        """
        values = {"kind": kind, "letter": letter, "scroll": scroll}
        with self._reading(reader):
            return queries.select_items(self._db, reader, values, state, reveal=reveal)

    def item(self, item_id: int, reader: str = "", *, reveal: bool = False) -> Item:
        """One item, with what `reader` decided of it; ItemError if there is none."""
        with self._reading(reader or None):
            return queries.select_item(self._db, item_id, reader, reveal=reveal)

    def next_open(
        self,
        reader: str,
        after: int | None = None,
        *,
        kind: str | None = None,
        letter: str | None = None,
        scroll: str | None = None,
        reveal: bool = False,
    ) -> Item | None:
        """The first open item behind item `after`, else the first of all; None if none is open."""
        values = {"kind": kind, "letter": letter, "scroll": scroll}
        with self._reading(reader):
            if not self._counts.is_any_open(reader, kind, letter):
                return None
            return queries.select_next_open(self._db, reader, after, values, reveal=reveal)

    def wall(
        self, reader: str, letter: str, kind: str, state: State = "all", *, reveal: bool = False
    ) -> list[Item]:
        """The items of one letter and one doubt, those of the audit among them."""
        return self.items(reader, kind=kind, letter=letter, state=state, reveal=reveal)

    def groups(self, reader: str) -> list[ItemGroup]:
        """Groups of one letter and one doubt, in the order of the catalogue and the alphabet."""
        with self._reading(reader):
            return self._counts.groups(reader)

    def habit_groups(self, reader: str) -> list[HabitGroup]:
        """What is asked once of a hand, all its letters together; the gravest first."""
        with self._reading(reader):
            return queries.select_habit_groups(self._db, reader)

    def habit_items(self, reader: str, number: int) -> list[Item]:
        """The letters of one group, and the statements themselves (origin `statement`).

        Empty where no group has this number.
        """
        with self._reading(reader):
            return queries.select_habit_items(self._db, reader, number)

    def progress(self, reader: str) -> Progress:
        """How far a reader has come."""
        with self._reading(reader):
            return queries.count_progress(self._db, reader)

    # Decisions.

    def decide(
        self,
        item_id: int,
        reader: str,
        choice: str,
        *,
        version: int,
        right_letter: str | None = None,
        note: str = "",
        blind: bool = True,
        opinion_shown: bool = False,
    ) -> Decision:
        """Keep a decision; when this returns it is on disk.

        Raises StaleError if the item's version is no longer `version`, ChoiceError for a choice
        that is not clear, ItemError for an unknown item.
        """
        answer = Answer(item_id, choice, version, right_letter, note)
        return self.decide_many([answer], reader, blind=blind, opinion_shown=opinion_shown)[0]

    def decide_many(
        self,
        answers: Sequence[Answer],
        reader: str,
        *,
        blind: bool = True,
        opinion_shown: bool = False,
    ) -> list[Decision]:
        """Keep several decisions together, all or none; raises as `decide` does."""
        with self._deciding(reader, [answer.item for answer in answers]):
            return add_decisions(
                self._db, answers, reader, self._readers.round_of(reader), blind, opinion_shown
            )

    def record_disclosure(self, reader: str, items: Iterable[int]) -> None:
        """Keep that `reader` is about to be shown what the networks or others think of `items`.

        What they decide of these items from now on no longer counts as independent.
        """
        with self._writing(reader):
            record_disclosure(self._db, items, reader)

    def undo(self, reader: str) -> Decision | None:
        """Take back this reader's last decision that stands; what stood before stands again.

        Returns the decision taken back, None if there is none.
        """
        with self._deciding(reader, None):
            return undo_last(self._db, reader, self._readers.round_of(reader))

    def undo_step(self, reader: str) -> list[Decision]:
        """Take back what this reader kept last in one step; [] if there is nothing."""
        with self._deciding(reader, None):
            return undo_last_step(self._db, reader, self._readers.round_of(reader))

    # All readers.

    def readers(self) -> list[Reader]:
        """Everyone who has a queue here, the first reader first."""
        with self._reading(None):
            return queries.select_readers(self._db)

    def all_items(self) -> list[Item]:
        """All that is asked, as a reader who has decided nothing meets it."""
        with self._reading(None):
            return queries.select_all_items(self._db)

    def disagreements(self, reader_a: str, reader_b: str) -> list[Disagreement]:
        """Items that both decided, and differently."""
        with self._reading(None):
            return queries.select_disagreements(self._db, reader_a, reader_b)

    def independent_decisions(self, reader: str) -> list[tuple[int, str, Decision]]:
        """Item, doubt and decision of all that a reader decided before any disclosure."""
        with self._reading(reader):
            return queries.select_independent_decisions(self._db, reader)

    def audit(self, reader: str) -> Audit:
        """The audited letters in a reader's queue, for `estimate_misses_by_kind`."""
        with self._reading(reader):
            return queries.select_audit(self._db, reader)

    def decisions(self, reader: str | None = None) -> list[Decision]:
        """Every row ever kept, including what was taken back, oldest first."""
        with self._reading(None):
            return queries.select_decisions(self._db, reader)

    def standing_decisions(self) -> list[StandingDecision]:
        """Every decision that stands, of all readers, with what was asked; for exports."""
        with self._reading(None):
            return queries.select_standing_decisions(self._db)
