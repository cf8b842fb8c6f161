"""Rows that wait to be photographed on the training device, and what photographs them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch

from crownlet.train.fit.flat import WIDE_CROP_KEYS, WIDE_TILE_KEYS
from crownlet.train.fit.paint import Painting, paint_crops, paint_tiles
from crownlet.train.fit.reservoir import (
    Batch,
    Reader,
    Reservoir,
    page_number,
    read_crops,
    read_tiles,
)

SKINS_PER_BATCH = 128
"""Pieces of skin from which the rows of a batch are cut."""

MAX_SKINS = 4096
"""Most kept: 1.1 GB."""


def read_wide_crops(path: Path) -> Batch:
    """Columns of `WIDE_CROP_KEYS` with their `page`."""
    return _read(path, {key: key for key in WIDE_CROP_KEYS})


def read_wide_tiles(path: Path) -> Batch:
    """Columns of `WIDE_TILE_KEYS`, named without `tile_`, with their `page`."""
    return _read(path, {key: key.removeprefix("tile_") for key in WIDE_TILE_KEYS})


def read_skins(path: Path) -> Batch:
    """The piece of skin of a flat page: `bare` (1, S, S) uint8."""
    with np.load(path) as file:
        return {"bare": torch.from_numpy(file["bare"])}


def _read(path: Path, names: Mapping[str, str]) -> Batch:
    with np.load(path) as file:
        rows = {name: torch.from_numpy(file[key]) for key, name in names.items()}
    count = len(rows["letter"] if "letter" in rows else rows["image"])
    return rows | {"page": torch.full((count,), page_number(path))}


@dataclass(frozen=True)
class SkinPainter:
    """Photographs rows on pieces of skin; without skins, rows of scans, which have their own."""

    painting: Painting
    skins: Reservoir | None = None

    def top_up(self) -> None:
        """Read the skins of new pages."""
        if self.skins is not None:
            self.skins.top_up()

    def __call__(self, rows: Batch, generator: torch.Generator) -> Batch:
        """Pictures of `rows`, by random numbers that `generator` alone decides."""
        bare = None
        if self.skins is not None:
            bare = self.skins.draw(SKINS_PER_BATCH, generator)["bare"]
        seed = int(torch.randint(1 << 62, (1,), generator=generator))
        own = torch.Generator(rows["page"].device).manual_seed(seed)
        return self.painting(rows, bare, own)


WIDE_READERS: Mapping[Reader, tuple[Reader, Painting]] = {
    read_crops: (read_wide_crops, paint_crops),
    read_tiles: (read_wide_tiles, paint_tiles),
}
"""What stands for a reader where pictures are painted on the device."""
