"""Which crops hang together on one wall: one letter and one doubt, or several letters of a doubt.

A wall of a few crops would tell which of them the audit mixed in, so small groups of one doubt hang
together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import NamedTuple
from urllib.parse import quote

from crownlet.infer.review.asking import slug
from crownlet.infer.review.entries import Group

SMALL = 6
"""Groups of fewer crops hang together."""
SEVERAL = "several"
"""Stands in an address for several letters."""


class Wall(NamedTuple):
    """One wall of a reader's queue."""

    kind: str
    letters: tuple[str, ...]
    open: int
    done: int

    @property
    def href(self) -> str:
        """Its address; one that hangs several letters says so and leaves out which."""
        name = SEVERAL if len(self.letters) > 1 else slug(self.letters[0])
        return f"/wall/{quote(self.kind, safe='')}/{name}"


def walls(groups: Sequence[Group]) -> list[Wall]:
    """The walls of a queue, doubts in the order of the groups, several letters last."""
    order = list(dict.fromkeys(group.kind for group in groups))
    by_kind = sorted(groups, key=lambda group: order.index(group.kind))
    made = [_of_kind(list(members)) for _, members in groupby(by_kind, key=lambda g: g.kind)]
    return [wall for several in made for wall in several]


def wall_of(groups: Sequence[Group], kind: str, letter: str) -> Wall | None:
    """The wall on which a letter and a doubt hang; None where nothing asks for it."""
    hung = (wall for wall in walls(groups) if wall.kind == kind and letter in wall.letters)
    return next(hung, None)


def _of_kind(groups: list[Group]) -> list[Wall]:
    small = [group for group in groups if group.open + group.done < SMALL]
    large = [group for group in groups if group not in small]
    while small and large and sum(g.open + g.done for g in small) < SMALL:
        # What is left over would stand alone: the least of the large ones joins it.
        least = min(large, key=lambda g: g.open + g.done)
        large.remove(least)
        small.append(least)
    return [_wall([group]) for group in large] + ([_wall(small)] if small else [])


def _wall(groups: Iterable[Group]) -> Wall:
    members = sorted(groups, key=lambda g: g.letter)
    return Wall(
        members[0].kind, tuple(g.letter for g in members), sum(g.open for g in members),
        sum(g.done for g in members),
    )  # fmt: skip
