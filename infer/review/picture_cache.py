"""Crops of the items under review, cut ahead of time, page by page.

A worker cuts everything that is requested of a page while its pixels are in memory. The smallest
crops of the whole run are requested from the start, so that a wall is ready before it is opened,
and are kept on disk (`DiskCache`), so that the next start is quicker.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.files.images import LARGE_PAGE_PX
from crownlet.infer.review.item_crops import CROP_FORMATS, WIDE_CROP_PX, CropKind, cut_crop
from crownlet.infer.review.sync import page_digest
from crownlet.infer.run.names import REVIEW_PICTURES_FILE
from crownlet.infer.run.pictures import Pixels, read_picture

if TYPE_CHECKING:
    from crownlet.infer.review.models import Item
    from crownlet.infer.run.run import Run

_CREATE_TABLE = """
CREATE TABLE IF NOT EXISTS pictures (
    page TEXT NOT NULL, state TEXT NOT NULL, place TEXT NOT NULL, jpeg BLOB NOT NULL,
    PRIMARY KEY (page, place)
) WITHOUT ROWID
"""

CropKey = tuple[str, CropKind]

DISK_CROP: CropKind = "wall"
"""The format of crop that is kept on disk."""

FAILED = b""
"""In place of a crop that cannot be made because its page has moved or changed."""

CACHE_BYTES = 256_000_000
"""Finished crops kept in memory; a small one takes 4 kB, a large one 60 kB."""

WORKER_THREADS = 2
"""Pages decoded at the same time."""


class DiskCache:
    """Crops by page and place in an SQLite file; usable from any thread.

    Where the file cannot be written or read (no room, no right to write, damaged), the cache holds
    what it can in memory or nothing, and raises no error.
    """

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        try:
            self._db = _open_database(path)
        except sqlite3.Error:
            self._db = _open_database(":memory:")

    def load(self, page: str, state: str) -> dict[str, bytes]:
        """The crops kept of a page, by place, if the page is still in that state."""
        with self._lock, contextlib.suppress(sqlite3.Error):
            rows = self._db.execute(
                "SELECT place, jpeg FROM pictures WHERE page = ? AND state = ?", (page, state)
            )
            return dict(rows.fetchall())
        return {}

    def save(self, page: str, state: str, crops: Mapping[str, bytes]) -> None:
        """Keep crops of a page; those of another state of it are deleted."""
        with self._lock, contextlib.suppress(sqlite3.Error), self._db:
            self._db.execute("DELETE FROM pictures WHERE page = ? AND state <> ?", (page, state))
            self._db.executemany(
                "INSERT OR REPLACE INTO pictures VALUES (?, ?, ?, ?)",
                [(page, state, place, jpeg) for place, jpeg in crops.items()],
            )

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()


class PictureCache:
    """Cuts crops in threads of its own and keeps the finished ones; usable from any thread."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._disk = DiskCache(run.folder / REVIEW_PICTURES_FILE)
        self._done: OrderedDict[CropKey, bytes] = OrderedDict()
        self._bytes = 0
        self._requested: OrderedDict[str, OrderedDict[CropKey, Item]] = OrderedDict()
        self._cutting: set[CropKey] = set()
        self._large_page = threading.Lock()
        self._changed = threading.Condition()
        self._closed = False
        self._workers = [
            threading.Thread(target=self._work, daemon=True) for _ in range(WORKER_THREADS)
        ]
        for worker in self._workers:
            worker.start()

    def request(self, items: Iterable[Item], kind: CropKind, *, first: bool = True) -> None:
        """Have crops made; `first` puts them and their pages before all others."""
        with self._changed:
            pages: dict[str, None] = {}
            for item in items:
                key = (str(item.id), kind)
                if key not in self._done and key not in self._cutting:
                    requested = self._requested.setdefault(item.page, OrderedDict())
                    requested[key] = item
                    requested.move_to_end(key, last=not first)
                    pages[item.page] = None
            for page in reversed(pages) if first else ():
                self._requested.move_to_end(page, last=False)
            self._changed.notify_all()

    def get(self, item: Item, kind: CropKind, seconds: float = 60.0) -> bytes | None:
        """A crop as JPEG, waited for at most `seconds`; None if it cannot be made."""
        key = (str(item.id), kind)
        with self._changed:
            found = self._done.get(key)
        if found is None:
            self.request([item], kind)
            with self._changed:
                self._changed.wait_for(lambda: self._closed or key in self._done, seconds)
                found = self._done.get(key)
        return found or None

    def close(self) -> None:
        """Stop the workers after the crop they are cutting."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        for worker in self._workers:
            worker.join(5)
        self._disk.close()

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or self._requested)
                if self._closed:
                    return
                page, items = self._requested.popitem(last=False)
                self._cutting |= items.keys()
            self._make_crops(page, items)

    def _make_crops(self, page: str, items: Mapping[CropKey, Item]) -> None:
        """Finish the crops requested of a page: from disk where kept, else cut from its scan."""
        try:
            remaining = self._load_from_disk(page, items)
            large = bool(remaining) and self._is_large(page)
        except (FileFault, OSError, MemoryError):
            self._finish({key: FAILED for key in items if key not in self._done})
            return
        # One at a time, until its crops are cut: two of them and what decoding takes beside them
        # would fill the memory.
        with self._large_page if large else contextlib.nullcontext():
            self._cut_crops(page, items, remaining)

    def _cut_crops(
        self, page: str, items: Mapping[CropKey, Item], remaining: Mapping[CropKey, Item]
    ) -> None:
        """Finish the crops that were not kept on disk."""
        try:
            pixels = self._read_pixels(page, remaining) if remaining else None
        except (FileFault, OSError, MemoryError):
            self._finish({key: FAILED for key in items if key not in self._done})
            return
        made = {}
        # Finished one by one, so that a crop requested meanwhile does not wait for a whole page.
        for key, item in remaining.items():
            if self._closed or pixels is None:
                return
            try:
                data = cut_crop(pixels, item, self._run, key[1])
            except Exception:
                # One crop that cannot be made must not keep the worker from all others.
                data = FAILED
            self._finish({key: data})
            if data and key[1] == DISK_CROP:
                made[_place_key(item)] = data
        if made:
            self._disk.save(page, self._state(page), made)

    def _load_from_disk(self, page: str, items: Mapping[CropKey, Item]) -> Mapping[CropKey, Item]:
        """Finish the small crops that are kept on disk; returns the items left to be cut."""
        if all(kind != DISK_CROP for _, kind in items):
            return items
        kept = self._disk.load(page, self._state(page))
        places = {key: _place_key(item) for key, item in items.items() if key[1] == DISK_CROP}
        self._finish({key: kept[place] for key, place in places.items() if place in kept})
        return {key: item for key, item in items.items() if places.get(key) not in kept}

    def _state(self, page: str) -> str:
        """What small crops depend on: the page's scan and tables, and the format of the crops."""
        digest = page_digest(self._run.pages[page])
        return f"{digest} {CROP_FORMATS[DISK_CROP]} {WIDE_CROP_PX}"

    def _read_pixels(self, page: str, keys: Iterable[CropKey]) -> Pixels:
        """A page's pixels. For small crops alone the run's cache is left as it is, unless the page
        is large: a second one does not fit beside those that the cache holds."""
        stored = self._run.pages[page]
        if self._is_large(page) or any(kind != DISK_CROP for _, kind in keys):
            return stored.pixels()
        return read_picture(stored.record.image, self._run.folder)

    def _is_large(self, page: str) -> bool:
        facts = self._run.pages[page].record.image
        return facts.width * facts.height > LARGE_PAGE_PX

    def _finish(self, made: dict[CropKey, bytes]) -> None:
        with self._changed:
            for key, data in made.items():
                self._cutting.discard(key)
                self._bytes += len(data) - len(self._done.pop(key, b""))
                self._done[key] = data
            while self._bytes > CACHE_BYTES and len(self._done) > 1:
                self._bytes -= len(self._done.popitem(last=False)[1])
            self._changed.notify_all()


def _open_database(path: Path | str) -> sqlite3.Connection:
    db = sqlite3.connect(path, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute(_CREATE_TABLE)
    except sqlite3.Error:
        db.close()
        raise
    return db


def _place_key(item: Item) -> str:
    return json.dumps((item.glyphs, item.box))
