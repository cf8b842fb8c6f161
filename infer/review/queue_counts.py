"""Counts of a reader's queue, kept in memory so that a decision costs the same in any queue.

They are counted once over the whole queue and then follow the decisions of this process. What
another process writes is noticed (`PRAGMA data_version`), and the queue counted again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from crownlet.infer.review.models import ItemGroup
from crownlet.infer.review.queries import count_groups, select_settled

GroupKey = tuple[str, str]
"""Letter and doubt."""


class QueueCounts:
    """Open and done items by letter and doubt, of every reader who has asked for them."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._version = -1
        self._groups: dict[str, dict[GroupKey, ItemGroup]] = {}

    def groups(self, reader: str) -> list[ItemGroup]:
        """The groups of a reader's queue, in its order."""
        return list(self._of(reader).values())

    def is_any_open(self, reader: str, kind: str | None, letter: str | None) -> bool:
        """Whether an item is open of a doubt, a letter or both; None means any."""
        return any(
            group.open
            for group in self._of(reader).values()
            if kind in (None, group.kind) and letter in (None, group.letter)
        )

    def settled(self, reader: str, items: Iterable[int]) -> dict[int, tuple[GroupKey, bool]]:
        """Of the items that are in a reader's queue: the group, and whether they are decided."""
        return select_settled(self._db, reader, items)

    def follow(self, reader: str, before: dict[int, tuple[GroupKey, bool]]) -> None:
        """Bring the counts in step after decisions on items; `before` is what `settled` gave."""
        self._forget_if_changed()
        groups = self._groups.get(reader)
        if groups is None:
            return
        for item, (key, decided) in self.settled(reader, before).items():
            change = decided - before[item][1]
            was = groups[key]
            groups[key] = ItemGroup(was.letter, was.kind, was.open - change, was.done + change)

    def _forget_if_changed(self) -> None:
        (version,) = self._db.execute("PRAGMA data_version").fetchone()
        if version != self._version:
            self._groups.clear()
            self._version = version

    def _of(self, reader: str) -> dict[GroupKey, ItemGroup]:
        self._forget_if_changed()
        if reader not in self._groups:
            counted = count_groups(self._db, reader)
            self._groups[reader] = {(group.letter, group.kind): group for group in counted}
        return self._groups[reader]
