"""Pictures of the letters under review, cut ahead of time, page by page.

A worker cuts everything that is wanted of a page while its pixels are in memory; the smallest
pictures of the whole run are wanted from the start, so that a wall is ready before it is opened,
and are kept on disk (`kept.py`).
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
from crownlet.infer.review import sync as sheets
from crownlet.infer.review.item_crops import CROP_FORMATS, WIDE_CROP_PX, CropKind, cut_crop
from crownlet.infer.run.names import PICTURES
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


class DiskCache:
    """Pictures by page and place; safe to ask from any thread.

    Where nothing can be kept (no room, no right to write, a damaged file) nothing is.
    """

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        try:
            self._db = _open_database(path)
        except sqlite3.Error:
            self._db = _open_database(":memory:")

    def of_page(self, page: str, state: str) -> dict[str, bytes]:
        """What is kept of a page, by place, if the page is still in that state."""
        with self._lock, contextlib.suppress(sqlite3.Error):
            rows = self._db.execute(
                "SELECT place, jpeg FROM pictures WHERE page = ? AND state = ?", (page, state)
            )
            return dict(rows.fetchall())
        return {}

    def keep(self, page: str, state: str, pictures: Mapping[str, bytes]) -> None:
        """Keep pictures of a page; those of another state of it go away."""
        with self._lock, contextlib.suppress(sqlite3.Error), self._db:
            self._db.execute("DELETE FROM pictures WHERE page = ? AND state <> ?", (page, state))
            self._db.executemany(
                "INSERT OR REPLACE INTO pictures VALUES (?, ?, ?, ?)",
                [(page, state, place, jpeg) for place, jpeg in pictures.items()],
            )

    def close(self) -> None:
        """Give the file back."""
        with self._lock:
            self._db.close()


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


CropKey = tuple[str, CropKind]

DISK_CROP: CropKind = "wall"
"""The pictures that are kept on disk."""

FAILED = b""
"""Stands for a picture that cannot be made, its page having moved or changed."""

CACHE_BYTES = 256_000_000
"""Bytes of finished pictures kept; a wall picture takes 4 kB, a large one 60 kB."""

WORKER_THREADS = 2
"""Pages decoded at a time."""

LARGE_PAGE_PX = 40_000_000
"""px from which a page is decoded by itself: it takes some ten bytes a px on the way."""


class PictureCache:
    """Cuts pictures in threads of its own and keeps the finished ones; safe to ask from any."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._disk = DiskCache(run.folder / PICTURES)
        self._done: OrderedDict[CropKey, bytes] = OrderedDict()
        self._bytes = 0
        self._wanted: OrderedDict[str, OrderedDict[CropKey, Item]] = OrderedDict()
        self._cutting: set[CropKey] = set()
        self._alone = threading.Lock()
        self._news = threading.Condition()
        self._closed = False
        self._workers = [
            threading.Thread(target=self._work, daemon=True) for _ in range(WORKER_THREADS)
        ]
        for worker in self._workers:
            worker.start()

    def want(self, items: Iterable[Item], cut: CropKind, *, first: bool = True) -> None:
        """Have pictures made; `first` puts them and their pages before all others."""
        with self._news:
            pages: dict[str, None] = {}
            for item in items:
                key = (str(item.id), cut)
                if key not in self._done and key not in self._cutting:
                    wanted = self._wanted.setdefault(item.page, OrderedDict())
                    wanted[key] = item
                    wanted.move_to_end(key, last=not first)
                    pages[item.page] = None
            for page in reversed(pages) if first else ():
                self._wanted.move_to_end(page, last=False)
            self._news.notify_all()

    def get(self, item: Item, cut: CropKind, seconds: float = 60.0) -> bytes | None:
        """A picture as JPEG; None if it cannot be made."""
        key = (str(item.id), cut)
        with self._news:
            found = self._done.get(key)
        if found is None:
            self.want([item], cut)
            with self._news:
                self._news.wait_for(lambda: self._closed or key in self._done, seconds)
                found = self._done.get(key)
        return found or None

    def close(self) -> None:
        """Stop the workers after the letter at hand."""
        with self._news:
            self._closed = True
            self._news.notify_all()
        for worker in self._workers:
            worker.join(5)
        self._disk.close()

    def _work(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(lambda: self._closed or self._wanted)
                if self._closed:
                    return
                page, items = self._wanted.popitem(last=False)
                self._cutting |= items.keys()
            self._page(page, items)

    def _page(self, page: str, items: Mapping[CropKey, Item]) -> None:
        """What is wanted of a page: from disk what lies there, the rest cut from its scan."""
        try:
            rest = self._from_disk(page, items)
            pixels = self._pixels(page, rest) if rest else None
        except (FileFault, OSError, MemoryError):
            self._keep({key: FAILED for key in items if key not in self._done})
            return
        made = {}
        # One at a time, so that what has been asked for meanwhile need not wait for a whole page.
        for key, item in rest.items():
            if self._closed or pixels is None:
                return
            try:
                data = cut_crop(pixels, item, self._run, key[1])
            except Exception:
                # One picture that cannot be made must not keep the worker from all others.
                data = FAILED
            self._keep({key: data})
            if data and key[1] == DISK_CROP:
                made[_place_key(item)] = data
        if made:
            self._disk.keep(page, self._state(page), made)

    def _from_disk(self, page: str, items: Mapping[CropKey, Item]) -> Mapping[CropKey, Item]:
        """Finish the small pictures that are kept on disk; returns what is left to be cut."""
        if all(cut != DISK_CROP for _, cut in items):
            return items
        kept = self._disk.of_page(page, self._state(page))
        places = {key: _place_key(item) for key, item in items.items() if key[1] == DISK_CROP}
        self._keep({key: kept[place] for key, place in places.items() if place in kept})
        return {key: item for key, item in items.items() if places.get(key) not in kept}

    def _state(self, page: str) -> str:
        """What small pictures follow from: the page's scan and tables, and how they are cut."""
        return (
            f"{sheets.page_digest(self._run.pages[page])} {CROP_FORMATS[DISK_CROP]} {WIDE_CROP_PX}"
        )

    def _pixels(self, page: str, wanted: Iterable[CropKey]) -> Pixels:
        """A page's pixels. For small pictures alone it does not push out the page being read."""
        stored = self._run.pages[page]
        if any(cut != DISK_CROP for _, cut in wanted):
            return stored.pixels()
        facts = stored.record.image
        large = facts.width * facts.height > LARGE_PAGE_PX
        with self._alone if large else contextlib.nullcontext():
            return read_picture(facts, self._run.folder)

    def _keep(self, made: dict[CropKey, bytes]) -> None:
        with self._news:
            for key, data in made.items():
                self._cutting.discard(key)
                self._bytes += len(data) - len(self._done.pop(key, b""))
                self._done[key] = data
            while self._bytes > CACHE_BYTES and len(self._done) > 1:
                self._bytes -= len(self._done.popitem(last=False)[1])
            self._news.notify_all()


def _place_key(item: Item) -> str:
    return json.dumps((item.glyphs, item.box))
