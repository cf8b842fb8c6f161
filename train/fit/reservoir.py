"""Examples held in memory on the training device, topped up from pools while training runs."""

from __future__ import annotations

import itertools
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import torch
from torch import Tensor

from crownlet.train.fit.pool import CROP_KEYS, fresh_files, load_crops, load_tiles

Batch = dict[str, Tensor]

BATCHES_PER_SEED = 1 << 32
"""Numbers of batches for which two seeds share no draws."""

ROWS_AT_ONCE = 4096
"""Rows of new pages that go to the device together: each copy makes the steps of training wait."""

PATIENCE_SECONDS = 900.0
"""Time for which the first pages of a pool that another process fills are waited for."""


class Reader(Protocol):
    """Turns one stored page into rows: tensors with the same first dimension."""

    def __call__(self, path: Path) -> Mapping[str, Tensor]:
        """Rows of the page in `path`."""


def page_number(path: Path) -> int:
    """A number that stands for a stored page: rows with the same one are of one hand."""
    return zlib.crc32(path.stem.encode())


def read_crops(path: Path) -> Batch:
    """Assessor rows, named as in `Crops`, with their `page`."""
    crops = load_crops(path)
    rows = {key: torch.from_numpy(getattr(crops, key)) for key in CROP_KEYS}
    return rows | {"page": torch.full((len(crops.letter),), page_number(path))}


def read_tiles(path: Path) -> Batch:
    """Locator rows: `image` (B, 480, 480) uint8, `letters` (B, 224, 11) padded with -1, `ignore`
    (B, 64, 4) padded with 0, `page` (B,)."""
    image, letters, ignore = (torch.from_numpy(array) for array in load_tiles(path))
    page = torch.full((len(image),), page_number(path))
    return {"image": image, "letters": letters, "ignore": ignore, "page": page}


@dataclass
class Reservoir:
    """A ring of at most `capacity` rows read from one pool; the oldest make room for the newest."""

    folder: Path
    reader: Reader
    capacity: int
    device: torch.device
    most_pages: int | None = None
    """Only the first so many pages of the pool are read, in the order of their names."""
    more: Path | None = None
    """Another folder in which more files appear meanwhile."""

    def __post_init__(self) -> None:
        self._rows: Batch = {}
        self._next = 0
        self.size = 0
        self.pages_read = 0
        self._seen: set[str] = set()
        self._lock = threading.Lock()
        self._order: tuple[Tensor, Tensor, Tensor] | None = None

    def top_up(self) -> int:
        """Read the new files of the pool; the number of pages read."""
        files = fresh_files(self.folder, self._seen)[: self.most_pages]
        if self.more is not None:
            files += fresh_files(self.more, self._seen)
        read, held, count = 0, list[Mapping[str, Tensor]](), 0
        for path in files:
            try:
                held.append(self.reader(path))
            except FileNotFoundError:  # A pool may drop its oldest pages to save room.
                continue
            read += 1
            count += _count_rows(held[-1])
            if count >= ROWS_AT_ONCE:
                self._add(held)
                held, count = [], 0
        self._add(held)
        self.pages_read += read
        if read:
            self._sort()
        return read

    def _sort(self) -> None:
        """Bring the rows into the order of their letters, for balanced draws."""
        if "letter" in self._rows:
            letters = self._rows["letter"][: self.size].long()
            counts = torch.bincount(letters)
            sorted_ = (letters.argsort(), counts, counts.cumsum(0) - counts)
            with self._lock:
                self._order = sorted_

    def _add(self, pages: Sequence[Mapping[str, Tensor]]) -> None:
        """Put the rows of `pages` into the ring, after those that were put there last."""
        pages = [rows for rows in pages if _count_rows(rows)]
        if not pages:
            return
        rows = {key: torch.cat([page[key] for page in pages]) for key in pages[0]}
        total = _count_rows(rows)
        self._make_room(rows, min(self.capacity, self.size + total))
        done = 0
        while done < total:
            count = min(total - done, self.capacity - self._next)
            with self._lock:
                for key, value in rows.items():
                    place = self._rows[key][self._next : self._next + count]
                    place.copy_(value[done : done + count])
                self._next = (self._next + count) % self.capacity
                self.size = min(self.capacity, self.size + count)
            done += count

    def _make_room(self, rows: Mapping[str, Tensor], needed: int) -> None:
        """Take memory for `needed` rows, and for as many again while there are fewer than
        `capacity`: a small pool costs little, and a growing one is seldom copied."""
        room = len(next(iter(self._rows.values()))) if self._rows else 0
        if needed <= room:
            return
        room = min(self.capacity, max(needed, 2 * room))
        with self._lock:
            for key, value in rows.items():
                grown = torch.zeros((room, *value.shape[1:]), dtype=value.dtype, device=self.device)
                if key in self._rows:
                    grown[: self.size] = self._rows[key][: self.size]
                self._rows[key] = grown

    @property
    def memory_bytes(self) -> int:
        """Memory that the rows take."""
        return sum(value.nbytes for value in self._rows.values())

    def draw(self, count: int, generator: torch.Generator, balance: float = 0.0) -> Batch:
        """`count` rows at random, with replacement.

        Of the share `balance` of them the letter is drawn first, each one that is there as often
        as any other; the others come as often as they are written. Rows without `letter` are never
        balanced.
        """
        places = torch.randint(self.size, (count,), generator=generator).to(self.device)
        even = round(count * balance)
        chance = torch.rand(2, even, generator=generator).to(self.device)
        with self._lock:
            if even and self._order is not None:
                order, counts, starts = self._order
                there = counts.nonzero()[:, 0]
                letter = there[(chance[0] * len(there)).long().clamp(max=len(there) - 1)]
                step = (chance[1] * counts[letter]).long()
                places[:even] = order[starts[letter] + torch.minimum(step, counts[letter] - 1)]
            return {key: value[places] for key, value in self._rows.items()}

    def all_rows(self) -> Batch:
        """Every row held."""
        return {key: value[: self.size] for key, value in self._rows.items()}


def _count_rows(rows: Mapping[str, Tensor]) -> int:
    return len(next(iter(rows.values())))


class Painter(Protocol):
    """Makes the rows that are shown out of the rows that are kept, others each time."""

    def top_up(self) -> None:
        """Read what it needs beside the rows."""

    def __call__(self, rows: Batch, generator: torch.Generator) -> Batch:
        """The rows as they are shown, by random numbers that `generator` alone decides."""


@dataclass(frozen=True)
class Source:
    """A reservoir, its share of every batch, and whether its pool may still grow."""

    reservoir: Reservoir
    share: float
    growing: Callable[[], bool]
    painter: Painter | None = None
    """None where rows are shown as they are kept."""

    def top_up(self) -> None:
        """Read the new files of its pool."""
        self.reservoir.top_up()
        if self.painter is not None:
            self.painter.top_up()

    def draw(self, count: int, generator: torch.Generator, balance: float) -> Batch:
        """`count` rows at random as they are shown (`Reservoir.draw`)."""
        rows = self.reservoir.draw(count, generator, balance)
        return rows if self.painter is None else self.painter(rows, generator)


class PoolBatches:
    """Endless batches mixed from several reservoirs by ratio; a thread tops them up meanwhile.

    What is drawn for a batch depends on the seed and its number alone, from `first` on: a run that
    was stopped goes on with the batches that it would have had, whatever was drawn ahead.
    """

    def __init__(
        self, sources: list[Source], batch_size: int, seed: int, wait_rows: int,
        balance: float = 0.0, first: int = 0,
    ) -> None:  # fmt: skip
        self.sources = [source for source in sources if source.share > 0]
        self.batch_size = batch_size
        self.balance = balance
        self.seed = seed
        self.first = first
        for source in self.sources:
            _wait_for(source, wait_rows)
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def _follow(self) -> None:
        while True:
            for source in self.sources:
                source.top_up()
            time.sleep(1.0)

    def __iter__(self) -> Iterator[Batch]:
        total = sum(source.share for source in self.sources)
        counts = [max(1, round(self.batch_size * s.share / total)) for s in self.sources]
        for number in itertools.count(self.first):
            generator = torch.Generator().manual_seed(self.seed * BATCHES_PER_SEED + number)
            drawn = [
                source.draw(count, generator, self.balance)
                for source, count in zip(self.sources, counts, strict=True)
            ]
            yield {key: torch.cat([rows[key] for rows in drawn]) for key in drawn[0]}


def _wait_for(source: Source, rows: int, patience: float = PATIENCE_SECONDS) -> None:
    """Read a pool until it gave `rows`, or all it ever will; TimeoutError after `patience` s."""
    reservoir, end = source.reservoir, time.monotonic() + patience
    while True:
        # Checked before reading: pages written between the two are then not missed.
        growing = source.growing()
        source.top_up()
        if reservoir.size >= rows or (reservoir.size and not growing):
            return
        if not growing or time.monotonic() > end:
            raise TimeoutError(f"{reservoir.folder} gave {reservoir.size} examples of {rows}")
        time.sleep(0.5)
