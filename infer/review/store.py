"""Questions and decisions of a run in one SQLite file; every decision is on disk at once.

Several windows, processes and readers may use one file: a decision carries the version of what its
reader saw, and one made on something older is refused. Rows of decisions are only ever added.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.infer.review import filling, reading_out, writing_in
from crownlet.infer.review.entries import (
    ChoiceError,
    Decision,
    Disagreement,
    Group,
    Item,
    ItemError,
    Progress,
    Reader,
    StaleError,
    State,
    StoreError,
)
from crownlet.infer.review.only import Asked, narrow
from crownlet.infer.review.schema import connect, transaction
from crownlet.infer.review.summaries import Summaries
from crownlet.infer.review.writing_in import Said

if TYPE_CHECKING:
    from crownlet.infer.run import Run

__all__ = [
    "ChoiceError", "Decision", "Disagreement", "Group", "Item", "ItemError", "Progress", "Reader",
    "ReviewStore", "Said", "StaleError", "StoreError",
]  # fmt: skip

SEED = 20_07
AUDIT_SHARE = 0.02
SECOND_SHARE = 1.0


class ReviewStore(Summaries):
    """The queue and the decisions of one run; usable from several threads.

    Seed and shares are those with which the file was made. Every method may raise StoreError where
    the file cannot be read or written.
    """

    @classmethod
    def open(
        cls,
        path: str | Path,
        run: Run,
        seed: int = SEED,
        audit_share: float = AUDIT_SHARE,
        second_share: float = SECOND_SHARE,
        only: tuple[Asked, ...] | None = None,
    ) -> ReviewStore:
        """Open or make the file at `path` and bring its queue in step with `run`.

        `audit_share` of the clear letters is mixed in, `second_share` of all items is asked of
        every reader after the first; both and `seed` count when the file is made. `only` are the
        questions to be shown, if not all. Raises StoreError, and RunError where a new page cannot
        be read.
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
                changed = filling.fill(db, run, store.seed, store.audit_share)
                if only is not None:
                    changed |= narrow(db, run, only)
                if changed:
                    store._readers.append()
        except BaseException:
            db.close()
            raise
        return store

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
        """This reader's items in this reader's order: by doubt and letter, within them by lot.

        `reveal` fills in origin, probability and source, which tell what the networks think.
        """
        where = {"kind": kind, "letter": letter, "scroll": scroll}
        with self._reading(reader):
            return reading_out.items(self._db, reader, where, state, reveal=reveal)

    def item(self, item_id: int, reader: str = "", *, reveal: bool = False) -> Item:
        """One item, with what `reader` decided of it; ItemError if there is none."""
        with self._reading(reader or None):
            return reading_out.item(self._db, item_id, reader, reveal=reveal)

    def next(
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
        where = {"kind": kind, "letter": letter, "scroll": scroll}
        with self._reading(reader):
            return reading_out.next_open(self._db, reader, after, where, reveal=reveal)

    def wall(
        self, reader: str, letter: str, kind: str, state: State = "all", *, reveal: bool = False
    ) -> list[Item]:
        """The items of one letter and one doubt, audits among them."""
        return self.items(reader, kind=kind, letter=letter, state=state, reveal=reveal)

    def groups(self, reader: str) -> list[Group]:
        """The walls there are, in the order of the catalogue and the alphabet."""
        with self._reading(reader):
            return reading_out.groups(self._db, reader)

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
        that says nothing clear, ItemError for an unknown item.
        """
        said = Said(item_id, choice, version, right_letter, note)
        return self.decide_many([said], reader, blind=blind, opinion_shown=opinion_shown)[0]

    def decide_many(
        self, said: Sequence[Said], reader: str, *, blind: bool = True, opinion_shown: bool = False
    ) -> list[Decision]:
        """Keep several decisions together, all or none; raises as `decide` does."""
        with self._writing(reader):
            return writing_in.decide(
                self._db, said, reader, self._readers.round(reader), blind, opinion_shown
            )

    def tell(self, reader: str, items: Iterable[int]) -> None:
        """Keep that `reader` is about to be shown what the networks or others think of `items`.

        Whatever he decides of them from now on counts as told, and no longer as his alone.
        """
        with self._writing(reader):
            writing_in.tell(self._db, items, reader)

    def undo(self, reader: str) -> Decision | None:
        """Take back this reader's last decision that stands; what stood before stands again.

        Returns the decision taken back, None if there is none.
        """
        with self._writing(reader):
            return writing_in.undo(self._db, reader, self._readers.round(reader))

    def undo_step(self, reader: str) -> list[Decision]:
        """Take back what this reader kept last in one step; [] if there is nothing."""
        with self._writing(reader):
            return writing_in.undo_step(self._db, reader, self._readers.round(reader))

    def progress(self, reader: str) -> Progress:
        """How far a reader has come."""
        with self._reading(reader):
            return reading_out.progress(self._db, reader)
