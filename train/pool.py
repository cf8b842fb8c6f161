"""Example pools: folders of prepared pages which training reads, and which may still be growing.

Rendering is slower than a GPU trains, so every page is kept and shown several times ("data
echoing", Choi et al. 2019) while other processes add new ones. A pool is a folder of `.npz` files,
one a page; labelled scans become a pool in the same way.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from crownlet.datasets.page.truth import PageTruth
from crownlet.train.crop_examples import Crops, make_crops
from crownlet.train.tiles import Tile, make_tile

TILE_KEYS = ("tile_image", "tile_letters", "tile_ignore")
CROP_KEYS = ("images", "boxes", "letter", "other", "share", "defects", "tags", "parts")

Arrays = dict[str, npt.NDArray[np.generic]]


def prepare(page: PageTruth, rng: np.random.Generator) -> Arrays:
    """The examples of one page as named arrays: one tile and its crops."""
    tile = make_tile(page, rng)
    crops = make_crops(page, rng)
    arrays: Arrays = {key: getattr(crops, key) for key in CROP_KEYS}
    arrays["tile_image"] = tile.image
    arrays["tile_letters"] = tile.letters
    arrays["tile_ignore"] = tile.ignore
    return arrays


def store(folder: Path, name: str, arrays: Arrays) -> None:
    """Write one page's examples so that a reader never sees half a file."""
    temporary = folder / f".{name}.{os.getpid()}.tmp"
    with temporary.open("wb") as file:
        np.savez(file, **arrays)  # type: ignore[arg-type]
    temporary.replace(folder / f"{name}.npz")


def load_tile(path: Path) -> Tile:
    """The locator example of one stored page."""
    with np.load(path) as file:
        return Tile(*(file[key] for key in TILE_KEYS))


def load_crops(path: Path) -> Crops:
    """The assessor examples of one stored page."""
    with np.load(path) as file:
        return Crops(*(file[key] for key in CROP_KEYS))


def fresh_files(folder: Path, seen: set[str]) -> list[Path]:
    """Files that appeared in the pool since `seen`, which is brought up to date."""
    found = sorted(path for path in folder.glob("*.npz") if path.name not in seen)
    seen.update(path.name for path in found)
    return found


def fill(folder: Path, pages: Iterable[tuple[str, PageTruth]]) -> int:
    """Prepare and store named pages; the number stored. Names give the random draws, not order."""
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for name, page in pages:
        rng = np.random.default_rng(list(name.encode()))
        store(folder, name, prepare(page, rng))
        count += 1
    return count
