"""The picture of a page, found again and checked to be the one that was inspected, and crops of
it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.atomic import file_checksum
from crownlet.datasets.files.images import ImageFacts, PageError, read_page
from crownlet.infer.records import Box
from crownlet.infer.view.rulers import VIEW_BODY_PX

Pixels = npt.NDArray[np.uint8]

CACHE_PICTURES = 16
"""Pictures held in memory at a time; a page at 600 dpi takes 13 MB, a column at 1200 dpi 300 MB."""

CACHE_BYTES = 400_000_000
"""Bytes of pictures held in memory at a time; the newest stays however large."""

DARK_SKIN_LEVEL, SHOWN_SKIN_LEVEL = 110.0, 170.0
"""Mean of the channels, of 255, below which the skin of a page is dark, and to which it is brought
for people: on a screen the crops of darker ones show hardly a crown."""

SKIN_PERCENTILE, BRIGHTEST_PERCENTILE = 70.0, 99.0
"""Percentiles of a page's brightness: of its skin, and of what is not to be cut off."""

SAMPLES_PER_SIDE = 200
"""Pixels of the shorter side by which a page's brightness is known."""


def find_picture(facts: ImageFacts, run: Path) -> Path:
    """Path of the picture: as recorded, relative to the run, or by its name in `run/../scans`.

    Another picture of the same name is skipped. PageError if it is in none of these places,
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
    """The page as given, (H, W, 3) RGB uint8, a dark one brightened; PageError if it has moved or
    changed."""
    pixels = read_page(find_picture(facts, run)).pixels
    return brighten_dark(pixels if pixels.ndim == 3 else np.repeat(pixels[..., None], 3, axis=2))


def brighten_dark(pixels: Pixels) -> Pixels:
    """The page as people can see it: one whose skin is dark, (H, W, 3) RGB, is brightened evenly.

    All channels are multiplied alike, so far that hardly any is cut off; hues stay.
    """
    step = max(1, min(pixels.shape[:2]) // SAMPLES_PER_SIDE)
    sample = pixels[::step, ::step].reshape(-1, 3)
    skin = float(np.percentile(sample.mean(axis=1), SKIN_PERCENTILE))
    if skin >= DARK_SKIN_LEVEL:
        return pixels
    brightest = float(np.percentile(sample.max(axis=1), BRIGHTEST_PERCENTILE))
    factor = min(SHOWN_SKIN_LEVEL / max(skin, 1.0), 255.0 / max(brightest, 1.0))
    table = np.minimum(np.arange(256) * max(factor, 1.0), 255.0).round().astype(np.uint8)
    return np.asarray(cv2.LUT(pixels, table), np.uint8)


def picture_bytes(facts: ImageFacts) -> int:
    """Memory that a page's pixels take."""
    return 3 * facts.width * facts.height


class PictureReader:
    """Reader of a run's pictures with a cache of the last few; safe for several threads."""

    def __init__(self, run: Path) -> None:
        self._run = run
        self._cache: OrderedDict[str, Pixels] = OrderedDict()
        self._lock = threading.Lock()

    def check(self, facts: ImageFacts) -> None:
        """PageError if the picture of a page has moved or changed; nothing is decoded."""
        if facts.path not in self._cache:
            find_picture(facts, self._run)

    def read(self, facts: ImageFacts) -> Pixels:
        """The picture of a page; PageError if it has moved or changed."""
        # One at a time: two threads that want the same page must not both decode it.
        with self._lock:
            if facts.path in self._cache:
                self._cache.move_to_end(facts.path)
                return self._cache[facts.path]
            # Before the next one is read: reading takes more memory than the picture itself.
            most = CACHE_BYTES - picture_bytes(facts)
            while self._cache and (len(self._cache) >= CACHE_PICTURES or self._size() > most):
                self._cache.popitem(last=False)
            pixels = read_picture(facts, self._run)
            pixels.setflags(write=False)
            self._cache[facts.path] = pixels
            return pixels

    def _size(self) -> int:
        return sum(pixels.nbytes for pixels in self._cache.values())


CROP_SIZE_PX = (180, 180)
"""Usual width and height of a crop, px: three bodies each way."""

BACKGROUND_RGB = (235, 230, 220)
"""Colour beyond the page."""


class PageToCrop(NamedTuple):
    """Page px to crop px: `scale * page + (x, y)`."""

    scale: float
    x: float
    y: float

    def point(self, x: float, y: float) -> tuple[float, float]:
        """A point of the page on the crop."""
        return self.scale * x + self.x, self.scale * y + self.y

    def box(self, box: Box) -> Box:
        """A box of the page on the crop."""
        return (*self.point(box[0], box[1]), *self.point(box[2], box[3]))


class Crop(NamedTuple):
    """A window (h, w, 3) uint8 RGB and the map from page px to its px."""

    pixels: Pixels
    affine: PageToCrop


def crop_window(pixels: Pixels, box: Box, q: float, size: tuple[int, int] = CROP_SIZE_PX) -> Crop:
    """The window of `size` (width, height) around `box`, with bodies of `VIEW_BODY_PX` px.

    `pixels` is the page as given, (H, W, 3) RGB; `box` and `q` (kulmus) are in its px. A box too
    large for the window is shown smaller, whole.
    """
    affine = place_crop(box, q, size)
    return Crop(_resample(pixels, affine, size), affine)


def place_crop(box: Box, q: float, size: tuple[int, int] = CROP_SIZE_PX) -> PageToCrop:
    """The map of `crop_window`, without its pixels."""
    width, height = size
    wide, high = max(box[2] - box[0], 1.0), max(box[3] - box[1], 1.0)
    scale = min(VIEW_BODY_PX / (3 * max(q, 1e-3)), 0.9 * width / wide, 0.9 * height / high)
    return PageToCrop(
        scale, width / 2 - scale * (box[0] + box[2]) / 2, height / 2 - scale * (box[1] + box[3]) / 2
    )


def _resample(pixels: Pixels, affine: PageToCrop, size: tuple[int, int]) -> Pixels:
    """Shrunk by area averaging where the page is finer than the crop, else interpolated."""
    scale, (width, height) = affine.scale, size
    x0, y0 = -affine.x / scale, -affine.y / scale
    left, top = int(np.floor(x0)) - 2, int(np.floor(y0)) - 2
    right, bottom = int(np.ceil(x0 + width / scale)) + 2, int(np.ceil(y0 + height / scale)) + 2
    part = _window(pixels, left, top, right, bottom)
    if scale < 1:
        shrunk = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        step = (shrunk[0] / part.shape[1], shrunk[1] / part.shape[0])
        part = np.asarray(cv2.resize(part, shrunk, interpolation=cv2.INTER_AREA), np.uint8)
    else:
        step = (1.0, 1.0)
    # cv2 counts px from their middles, pages and boxes from their edges: the halves convert.
    a, b = scale / step[0], scale / step[1]
    x, y = affine.x + scale * left, affine.y + scale * top
    matrix = np.array([[a, 0, x + (a - 1) / 2], [0, b, y + (b - 1) / 2]])
    interpolation = cv2.INTER_LINEAR if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(
        cv2.warpAffine(
            part,
            matrix,
            size,
            flags=interpolation,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=BACKGROUND_RGB,
        ),
        np.uint8,
    )


def _window(pixels: Pixels, left: int, top: int, right: int, bottom: int) -> Pixels:
    """A part of the page; what lies beyond its frame is filled with `BACKGROUND_RGB`."""
    height, width = pixels.shape[:2]
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(right, width), min(bottom, height)
    if (x0, y0, x1, y1) == (left, top, right, bottom):
        return pixels[top:bottom, left:right]
    out = np.empty((bottom - top, right - left, 3), np.uint8)
    out[:] = BACKGROUND_RGB
    if x0 < x1 and y0 < y1:
        out[y0 - top : y1 - top, x0 - left : x1 - left] = pixels[y0:y1, x0:x1]
    return out
