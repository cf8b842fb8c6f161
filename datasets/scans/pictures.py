"""Pictures of a data set: read with the limits of inspection, and compared to find copies.

The perceptual hash is the difference hash of a 17 x 16 px thumbnail: one bit for each pair of
neighbours in a row, set where the right one is lighter. Format, size and brightness hardly change
it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.images import PICTURE_SUFFIXES, read_page

HASH_SIDE_PX = 16

HASH_DIGITS = HASH_SIDE_PX * HASH_SIDE_PX // 4

MAX_COPY_DISTANCE_BITS = 24
"""Bits of 256 in which copies of one picture differ at most. Of 14 pages with one text 70 copies
(half as large, grey, pale, strongly compressed) differ in 18 at most, pages from each other in 40
at least; copies cropped by a hundredth differ in 24 to 56 and mostly pass unseen."""


def perceptual_hash(image: npt.NDArray[np.uint8]) -> str:
    """64 hexadecimal digits for an image (H, W) or (H, W, 3)."""
    gray = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image
    small = cv2.resize(gray, (HASH_SIDE_PX + 1, HASH_SIDE_PX), interpolation=cv2.INTER_AREA).astype(
        np.int16
    )
    bits = small[:, 1:] > small[:, :-1]
    return np.packbits(bits.ravel()).tobytes().hex()


def hamming_distance(one: str, other: str) -> int:
    """In how many of 256 bits two differ."""
    return (int(one, 16) ^ int(other, 16)).bit_count()


@dataclass(frozen=True)
class ScanPicture:
    """What is known of one picture file."""

    path: Path
    sha256: str
    likeness: str
    size: tuple[int, int]
    """Width and height, px, upright."""


def read_picture(path: Path) -> ScanPicture:
    """Read a picture; PageError says in one sentence why it cannot be read."""
    # The same reader as inspection has, so that no label is made for what cannot be inspected.
    page = read_page(path)
    height, width = page.pixels.shape[:2]
    return ScanPicture(path, page.facts.sha256, perceptual_hash(page.pixels), (width, height))


def find_pictures(sources: list[Path]) -> Iterator[Path]:
    """The files named, and the pictures of the folders named, in order of their names."""
    for source in sources:
        if not source.is_dir():
            yield source
            continue
        yield from sorted(p for p in source.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES)
