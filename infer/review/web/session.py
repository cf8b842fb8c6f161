"""The desk between store and pages: what is before a reader, and what he has been told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

from markupsafe import Markup

from crownlet.infer.review.item_crops import CROP_FORMATS, CropKind, crop_marks_svg
from crownlet.infer.review.models import Item, ItemError, ItemGroup
from crownlet.infer.review.picture_cache import PictureCache
from crownlet.infer.review.web.item_view import view_item
from crownlet.infer.review.web.requests import (
    BrowserWindow,
    QueueFilter,
    UserFacingError,
    letter_slug,
)

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import Run

MIN_WALL_CROPS = 6
"""Groups of fewer crops hang together."""

SEVERAL_SLUG = "several"
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
        name = SEVERAL_SLUG if len(self.letters) > 1 else letter_slug(self.letters[0])
        return f"/wall/{quote(self.kind, safe='')}/{name}"


def build_walls(groups: Sequence[ItemGroup]) -> list[Wall]:
    """The walls of a queue, doubts in the order of the groups, several letters last."""
    order = list(dict.fromkeys(group.kind for group in groups))
    by_kind = sorted(groups, key=lambda group: order.index(group.kind))
    made = [_walls_of_kind(list(members)) for _, members in groupby(by_kind, key=lambda g: g.kind)]
    return [wall for several in made for wall in several]


def find_wall(groups: Sequence[ItemGroup], kind: str, letter: str) -> Wall | None:
    """The wall on which a letter and a doubt hang; None where nothing asks for it."""
    hung = (wall for wall in build_walls(groups) if wall.kind == kind and letter in wall.letters)
    return next(hung, None)


def _walls_of_kind(groups: list[ItemGroup]) -> list[Wall]:
    small = [group for group in groups if group.open + group.done < MIN_WALL_CROPS]
    large = [group for group in groups if group not in small]
    while small and large and sum(g.open + g.done for g in small) < MIN_WALL_CROPS:
        # What is left over would stand alone: the least of the large ones joins it.
        least = min(large, key=lambda g: g.open + g.done)
        large.remove(least)
        small.append(least)
    return [_join_groups([group]) for group in large] + ([_join_groups(small)] if small else [])


def _join_groups(groups: Iterable[ItemGroup]) -> Wall:
    members = sorted(groups, key=lambda g: g.letter)
    return Wall(
        members[0].kind, tuple(g.letter for g in members), sum(g.open for g in members),
        sum(g.done for g in members),
    )  # fmt: skip


LETTER_VIEWS: tuple[CropKind, ...] = ("line", "near")


class PlaceView(NamedTuple):
    """One picture of the place, with what is drawn over it."""

    name: CropKind
    width: int
    height: int
    marks: Markup


@dataclass
class ReviewSession:
    """One review in progress, shared by all its windows."""

    run: Run
    store: ReviewStore
    crops: PictureCache
    _told: set[tuple[str, int]] = field(default_factory=set)
    """Readers and items that are known to be told in the store."""
    _orders: dict[tuple[str, QueueFilter], dict[int, int]] = field(default_factory=dict)

    def item(self, window: BrowserWindow, number: int) -> Item:
        """One item as this reader meets it; UserFacingError if there is none."""
        try:
            return self.store.item(number, window.reader)
        except ItemError:
            raise UserFacingError("There is no such letter in this review.", 404) from None

    def letter(
        self, window: BrowserWindow, item: Item | None, chosen: QueueFilter
    ) -> dict[str, Any]:
        """What `letter.html` needs to put one item before its reader, or to say none is left."""
        if item is None:
            return {"shown": None, "url": f"/one{chosen.query}"}
        blind = window.blind and item.decision is None
        if not blind:
            self.tell(window.reader, [item.id])
        self._ahead(window, item, chosen)
        hung = find_wall(self.store.groups(window.reader), item.kind, item.letter or "")
        return {
            "shown": view_item(item, self.run, blind=blind),
            "url": f"/one/{item.id}{chosen.query}",
            "query": chosen.query,
            "wall": hung.href if hung else "",
            "left": self.left(window, chosen),
            "cuts": [
                PlaceView(
                    cut,
                    *CROP_FORMATS[cut].size,
                    crop_marks_svg(item, self.run, cut, rulers=not blind),
                )
                for cut in LETTER_VIEWS
            ],
        }

    def tell(self, reader: str, numbers: Iterable[int]) -> None:
        """Keep that a reader has seen what the program or another reader says of items."""
        new = {(reader, number) for number in numbers} - self._told
        if new:
            self.store.record_disclosure(reader, sorted(number for _, number in new))
            self._told |= new

    def next(self, window: BrowserWindow, after: int | None, chosen: QueueFilter) -> Item | None:
        """The next open item, from the beginning again at the end; None if all are decided."""
        return self.store.next_open(window.reader, after, **chosen._asdict())

    def previous(self, window: BrowserWindow, before: int, chosen: QueueFilter) -> Item:
        """The item before this one in the reader's order, decided or not."""
        order = self._order(window, chosen)
        numbers = list(order)
        at = order.get(before, 0)
        return self.item(window, numbers[at - 1] if at else before)

    def left(self, window: BrowserWindow, chosen: QueueFilter) -> int:
        """How many items of a choice are open."""
        if chosen == QueueFilter():
            return self.store.progress(window.reader).open
        if chosen.scroll is not None:
            return len(self.store.items(window.reader, **chosen._asdict()))
        return sum(
            group.open
            for group in self.store.groups(window.reader)
            if chosen.kind in (None, group.kind) and chosen.letter in (None, group.letter)
        )

    def _order(self, window: BrowserWindow, chosen: QueueFilter) -> dict[int, int]:
        """Place of each item in this reader's order, which is drawn once for all."""
        key = (window.reader, chosen)
        if key not in self._orders:
            items = self.store.items(window.reader, **chosen._asdict(), state="all")
            self._orders[key] = {item.id: place for place, item in enumerate(items)}
        return self._orders[key]

    def _ahead(self, window: BrowserWindow, item: Item, chosen: QueueFilter) -> None:
        """Have the pictures of this item and of the next one cut before they are asked for."""
        coming = self.next(window, item.id, chosen)
        for one in filter(None, (coming, item)):
            for cut in LETTER_VIEWS:
                self.crops.request([one], cut)
