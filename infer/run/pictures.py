"""The picture of a page, found again and known to be the one that was inspected."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

import numpy as np
import numpy.typing as npt

from crownlet.datasets.files import file_checksum
from crownlet.infer.reading import PageError, read_page
from crownlet.infer.records import ImageFacts

Pixels = npt.NDArray[np.uint8]
KEPT = 4
"""Pictures held in memory at a time; a page at 600 dpi takes 13 MB, a column at 1200 dpi 300 MB."""
ROOM = 400_000_000
"""Bytes of pictures held in memory at a time; the newest stays however large."""


def find_picture(facts: ImageFacts, run: Path) -> Path:
    """Where the picture lies: as recorded, seen from the run, or by its name in `run/../scans`.

    Another picture of the same name is passed over. PageError if it is in none of these places,
    or if only changed ones are.
    """
    recorded = Path(facts.path)
    places = (recorded, run / recorded, run.parent / recorded, run.parent / "scans" / recorded.name)
    there = [path for path in places if path.is_file()]
    for path in there:
        # By its bytes, before anything is decoded.
        if not facts.sha256 or _checksum(path) == facts.sha256:
            return path
    if there:
        raise PageError(
            there[0], "the picture has changed since it was inspected; inspect it anew."
        )
    raise PageError(facts.path, "the picture is no longer there; put it back, or inspect it anew.")


def _checksum(path: Path) -> str:
    try:
        return file_checksum(path)
    except OSError as error:
        raise PageError(path, f"cannot be read ({error.strerror or error}).") from None


def read_picture(facts: ImageFacts, run: Path) -> Pixels:
    """The page as given, (H, W, 3) RGB uint8; PageError if it has moved or changed."""
    pixels = read_page(find_picture(facts, run)).pixels
    return pixels if pixels.ndim == 3 else np.repeat(pixels[..., None], 3, axis=2)


class Pictures:
    """The pictures of one run, the last few kept; may be asked from several threads."""

    def __init__(self, run: Path) -> None:
        self._run = run
        self._kept: OrderedDict[str, Pixels] = OrderedDict()
        self._lock = threading.Lock()

    def read(self, facts: ImageFacts) -> Pixels:
        """The picture of a page; PageError if it has moved or changed."""
        # One at a time: two threads that want the same page must not both decode it.
        with self._lock:
            if facts.path in self._kept:
                self._kept.move_to_end(facts.path)
                return self._kept[facts.path]
            pixels = read_picture(facts, self._run)
            pixels.setflags(write=False)
            self._kept[facts.path] = pixels
            while len(self._kept) > KEPT or (len(self._kept) > 1 and self._size() > ROOM):
                self._kept.popitem(last=False)
            return pixels

    def _size(self) -> int:
        return sum(pixels.nbytes for pixels in self._kept.values())
