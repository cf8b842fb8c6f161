"""Pictures of the letters under review, cut ahead of time, page by page.

One worker cuts everything that is wanted of a page while its pixels are in memory; the smallest
pictures of the whole run are wanted from the start, so that a wall is ready before it is opened.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from typing import TYPE_CHECKING

from crownlet.infer.errors import FileFault
from crownlet.infer.review.forms import Cut, cut_picture

if TYPE_CHECKING:
    from crownlet.infer.review.store import Item
    from crownlet.infer.run import Run

Key = tuple[str, Cut]
LOST = b""
"""Stands for a picture that cannot be made, its page having moved or changed."""
ROOM = 256_000_000
"""Bytes of finished pictures kept; a wall picture takes 4 kB, a large one 60 kB."""


class Crops:
    """Cuts pictures in a thread of its own and keeps the finished ones; safe to ask from any."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._done: OrderedDict[Key, bytes] = OrderedDict()
        self._bytes = 0
        self._wanted: OrderedDict[str, dict[Key, Item]] = OrderedDict()
        self._news = threading.Condition()
        self._closed = False
        self._worker = threading.Thread(target=self._work, name="crops", daemon=True)
        self._worker.start()

    def want(self, items: Iterable[Item], cut: Cut, *, first: bool = True) -> None:
        """Have pictures made; `first` puts their pages before all others."""
        with self._news:
            pages: dict[str, None] = {}
            for item in items:
                key = (str(item.id), cut)
                if key not in self._done:
                    self._wanted.setdefault(item.page, {})[key] = item
                    pages[item.page] = None
            for page in reversed(pages) if first else ():
                self._wanted.move_to_end(page, last=False)
            self._news.notify_all()

    def get(self, item: Item, cut: Cut, seconds: float = 60.0) -> bytes | None:
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
        """Stop the worker after the page at hand."""
        with self._news:
            self._closed = True
            self._news.notify_all()
        self._worker.join(5)

    def _work(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(lambda: self._closed or self._wanted)
                if self._closed:
                    return
                page, items = self._wanted.popitem(last=False)
            self._page(page, items)

    def _page(self, page: str, items: dict[Key, Item]) -> None:
        try:
            pixels = self._run.pages[page].pixels()
        except (FileFault, OSError, MemoryError):
            self._keep(dict.fromkeys(items, LOST))
            return
        # A few at a time, so that what has been asked for meanwhile need not wait for a whole page.
        for key, item in items.items():
            if self._closed:
                return
            try:
                data = cut_picture(pixels, item, self._run, key[1])
            except Exception:
                # One picture that cannot be made must not keep the worker from all others.
                data = LOST
            self._keep({key: data})

    def _keep(self, made: dict[Key, bytes]) -> None:
        with self._news:
            for key, data in made.items():
                self._bytes += len(data) - len(self._done.pop(key, b""))
                self._done[key] = data
            while self._bytes > ROOM and len(self._done) > 1:
                self._bytes -= len(self._done.popitem(last=False)[1])
            self._news.notify_all()
