"""One review in progress: the walls of a reader's queue, the item before them, what they have seen.

A wall is a page with the crops of one letter and one doubt, or of several letters that have few
crops each.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

from markupsafe import Markup

from crownlet.infer.review.habit_questions import group_claim
from crownlet.infer.review.item_crops import CROP_FORMATS, CropKind, crop_marks_svg
from crownlet.infer.review.models import HabitGroup, Item, ItemError, ItemGroup
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
"""Groups of fewer crops share a wall."""

SEVERAL_SLUG = "several"
"""In an address, in place of a letter: a wall of several letters."""

LETTER_VIEWS: tuple[CropKind, ...] = ("line", "near")


class Wall(NamedTuple):
    """One wall of a reader's queue."""

    kind: str
    letters: tuple[str, ...]
    open: int
    done: int

    @property
    def href(self) -> str:
        """Its address; that of several letters does not name them."""
        name = SEVERAL_SLUG if len(self.letters) > 1 else letter_slug(self.letters[0])
        return f"/wall/{quote(self.kind, safe='')}/{name}"


class HabitRow(NamedTuple):
    """One statement on a hand, as the start page lists it."""

    href: str
    claim: str
    letters: int
    open: int


class PlaceView(NamedTuple):
    """One crop of an item, with the SVG drawn over it; width and height in px."""

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
    home: str = "/"
    """Address of the review's start page."""
    _disclosed: set[tuple[str, int]] = field(default_factory=set)
    """Readers and items of which the store has a disclosure on record."""
    _orders: dict[tuple[str, QueueFilter], dict[int, int]] = field(default_factory=dict)

    def item(self, window: BrowserWindow, number: int) -> Item:
        """One item as this reader meets it; UserFacingError if there is none."""
        try:
            return self.store.item(number, window.reader)
        except ItemError:
            raise UserFacingError("There is no such letter in this review.", 404) from None

    def letter_values(
        self, window: BrowserWindow, item: Item | None, item_filter: QueueFilter
    ) -> dict[str, Any]:
        """The values of `letter.html`, which shows one item, or that none is left."""
        if item is None:
            return {"view": None, "url": f"/one{item_filter.query}", "home": self.home}
        blind = window.blind and item.decision is None
        if not blind:
            self.disclose(window.reader, [item.id])
        self._request_ahead(window, item, item_filter)
        found_wall = find_wall(self.store.groups(window.reader), item.kind, item.letter or "")
        return {
            "view": view_item(item, self.run, blind=blind),
            "url": f"/one/{item.id}{item_filter.query}",
            "query": item_filter.query,
            "home": self.home,
            "wall": found_wall.href if found_wall else "",
            "open_items": self.count_open(window, item_filter),
            "crops": [
                PlaceView(
                    kind,
                    *CROP_FORMATS[kind].size,
                    crop_marks_svg(item, self.run, kind, rulers=not blind),
                )
                for kind in LETTER_VIEWS
            ],
        }

    def disclose(self, reader: str, numbers: Iterable[int]) -> None:
        """Keep that a reader has seen the opinion of the program or of another reader on items."""
        new = {(reader, number) for number in numbers} - self._disclosed
        if new:
            self.store.record_disclosure(reader, sorted(number for _, number in new))
            self._disclosed |= new

    def next_open(
        self, window: BrowserWindow, after: int | None, item_filter: QueueFilter
    ) -> Item | None:
        """The next open item, at the end again from the beginning; None if all are decided."""
        return self.store.next_open(window.reader, after, **item_filter._asdict())

    def previous(self, window: BrowserWindow, before: int, item_filter: QueueFilter) -> Item:
        """The item before this one in the reader's order, decided or not."""
        order = self._order(window, item_filter)
        numbers = list(order)
        at = order.get(before, 0)
        return self.item(window, numbers[at - 1] if at else before)

    def count_open(self, window: BrowserWindow, item_filter: QueueFilter) -> int:
        """How many items of a filter are open."""
        if item_filter.scroll is not None:
            return len(self.store.items(window.reader, **item_filter._asdict()))
        return sum(
            group.open
            for group in self.store.groups(window.reader)
            if item_filter.kind in (None, group.kind) and item_filter.letter in (None, group.letter)
        )

    def _order(self, window: BrowserWindow, item_filter: QueueFilter) -> dict[int, int]:
        """Place of each item in this reader's order, which is drawn once for all."""
        key = (window.reader, item_filter)
        if key not in self._orders:
            items = self.store.items(window.reader, **item_filter._asdict(), state="all")
            self._orders[key] = {item.id: place for place, item in enumerate(items)}
        return self._orders[key]

    def _request_ahead(self, window: BrowserWindow, item: Item, item_filter: QueueFilter) -> None:
        """Have the crops of this item and of the next one cut before the browser asks for them."""
        following = self.next_open(window, item.id, item_filter)
        for each in filter(None, (following, item)):
            for kind in LETTER_VIEWS:
                self.crops.request([each], kind)


def list_habits(groups: Iterable[HabitGroup]) -> list[HabitRow]:
    """What is asked once of the hands, with its sentences, in the order given."""
    return [
        HabitRow(
            habit_address(group), group_claim(group), group.letters,
            group.open,
        )
        for group in groups
    ]  # fmt: skip


def habit_address(group: HabitGroup) -> str:
    """The address of what is asked once of a hand."""
    return f"/habit/{group.number}"


def build_walls(groups: Sequence[ItemGroup]) -> list[Wall]:
    """The walls of a queue, doubts in the order of the groups, several letters last."""
    order = list(dict.fromkeys(group.kind for group in groups))
    by_kind = sorted(groups, key=lambda group: order.index(group.kind))
    made = [_walls_of_kind(list(members)) for _, members in groupby(by_kind, key=lambda g: g.kind)]
    return [wall for several in made for wall in several]


def find_wall(groups: Sequence[ItemGroup], kind: str, letter: str) -> Wall | None:
    """The wall that holds a letter and a doubt; None where there is none."""
    matching = (w for w in build_walls(groups) if w.kind == kind and letter in w.letters)
    return next(matching, None)


def _walls_of_kind(groups: list[ItemGroup]) -> list[Wall]:
    small = [group for group in groups if group.open + group.done < MIN_WALL_CROPS]
    large = [group for group in groups if group not in small]
    while small and large and sum(g.open + g.done for g in small) < MIN_WALL_CROPS:
        # The small ones together are still few: the smallest of the large ones joins them.
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
