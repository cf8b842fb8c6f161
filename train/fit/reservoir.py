"""Examples held in memory on the training device, topped up from pools while training runs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import torch
from torch import Tensor

from crownlet.train.fit.pool import CROP_KEYS, fresh_files, load_crops, load_tile
from crownlet.train.fit.tiles import LETTER_ROW, TILE, TILE_LETTERS

Batch = dict[str, Tensor]


class Reader(Protocol):
    """Turns one stored page into rows: tensors with the same first dimension."""

    def __call__(self, path: Path) -> Mapping[str, Tensor]:
        """Rows of the page in `path`."""


def read_crops(path: Path) -> Batch:
    """Assessor rows, named as in `Crops`."""
    crops = load_crops(path)
    return {key: torch.from_numpy(getattr(crops, key)) for key in CROP_KEYS}


def read_tile(path: Path) -> Batch:
    """One locator row: `image`, `letters` padded with -1 to 224 rows, `ignore` padded to 64."""
    tile = load_tile(path)
    letters = np.full((1, TILE_LETTERS, LETTER_ROW), -1, np.float32)
    letters[0, : len(tile.letters)] = tile.letters
    ignore = np.zeros((1, 64, 4), np.float32)
    ignore[0, : min(64, len(tile.ignore))] = tile.ignore[:64]
    return {
        "image": torch.from_numpy(tile.image.reshape(1, TILE, TILE)),
        "letters": torch.from_numpy(letters),
        "ignore": torch.from_numpy(ignore),
    }


@dataclass
class Reservoir:
    """A ring of at most `capacity` rows read from one pool; the oldest make room for the newest."""

    folder: Path
    reader: Reader
    capacity: int
    device: torch.device

    def __post_init__(self) -> None:
        self._rows: Batch = {}
        self._next = 0
        self.size = 0
        self._seen: set[str] = set()
        self._lock = threading.Lock()

    def top_up(self) -> int:
        """Read what is new in the pool; the number of pages read."""
        files = fresh_files(self.folder, self._seen)
        for path in files:
            self._add(self.reader(path))
        return len(files)

    def _add(self, rows: Mapping[str, Tensor]) -> None:
        count = next(iter(rows.values())).shape[0]
        if not count:
            return
        if not self._rows:
            self._rows = {
                key: torch.zeros((self.capacity, *value.shape[1:]), dtype=value.dtype,
                                 device=self.device)
                for key, value in rows.items()
            }  # fmt: skip
        places = (torch.arange(count) + self._next) % self.capacity
        with self._lock:
            for key, value in rows.items():
                self._rows[key][places.to(self.device)] = value.to(self.device)
            self._next = (self._next + count) % self.capacity
            self.size = min(self.capacity, self.size + count)

    def draw(self, count: int, generator: torch.Generator) -> Batch:
        """`count` rows at random, with replacement."""
        places = torch.randint(self.size, (count,), generator=generator).to(self.device)
        with self._lock:
            return {key: value[places] for key, value in self._rows.items()}

    def all_rows(self) -> Batch:
        """Every row held."""
        return {key: value[: self.size] for key, value in self._rows.items()}


@dataclass(frozen=True)
class Source:
    """A reservoir, its share of every batch, and whether its pool may still grow."""

    reservoir: Reservoir
    share: float
    growing: Callable[[], bool]


class PoolBatches:
    """Endless batches mixed from several reservoirs by ratio; a thread tops them up meanwhile."""

    def __init__(self, sources: list[Source], batch_size: int, seed: int, wait_rows: int) -> None:
        self.sources = [source for source in sources if source.share > 0]
        self.batch_size = batch_size
        self.generator = torch.Generator().manual_seed(seed)
        for source in self.sources:
            _wait_for(source, wait_rows)
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def _follow(self) -> None:
        while True:
            for source in self.sources:
                source.reservoir.top_up()
            time.sleep(1.0)

    def __iter__(self) -> Iterator[Batch]:
        total = sum(source.share for source in self.sources)
        counts = [max(1, round(self.batch_size * s.share / total)) for s in self.sources]
        while True:
            drawn = [
                source.reservoir.draw(count, self.generator)
                for source, count in zip(self.sources, counts, strict=True)
            ]
            yield {key: torch.cat([rows[key] for rows in drawn]) for key in drawn[0]}


def _wait_for(source: Source, rows: int, patience: float = 900.0) -> None:
    """Read a pool until it gave `rows`, or all it ever will; TimeoutError after `patience` s."""
    reservoir, end = source.reservoir, time.monotonic() + patience
    while True:
        # Asked before reading: what is written between the two is then not missed.
        growing = source.growing()
        reservoir.top_up()
        if reservoir.size >= rows or (reservoir.size and not growing):
            return
        if not growing or time.monotonic() > end:
            raise TimeoutError(f"{reservoir.folder} gave {reservoir.size} examples of {rows}")
        time.sleep(0.5)
