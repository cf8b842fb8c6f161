"""How many training examples one core renders: `python -m crownlet.train.bench.rendering`.

Processor time of one process, after pages that fill its caches; nothing is kept.
"""

from __future__ import annotations

import argparse
import gc
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2

from crownlet.datasets.render.page.spec import training
from crownlet.train.fit.pool import (
    GARBAGE_RECORDS,
    fill_from_pages,
    load_crops,
    load_tiles,
    page_name,
    render_pages,
)

WARM_PAGES = 8

FIRST_SEED = 62_000_000


@dataclass(frozen=True)
class Rate:
    """Examples of some pages, and the processor time that they took in s."""

    pictures: int
    crops: int
    tiles: int
    seconds: float

    def __str__(self) -> str:
        return (
            f"{self.pictures} pictures: {self.crops / self.seconds:.0f} crops and"
            f" {self.tiles / self.seconds:.1f} tiles a second of processor time,"
            f" {1000 * self.seconds / self.pictures:.0f} ms a picture"
        )


def measure_rate(pages: int, photographs: int, first: int = FIRST_SEED) -> Rate:
    """Render `pages` training pages, each photographed so many times, as the job `render` does."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start = time.process_time()
        seeds = range(first, first + pages)
        fill_from_pages(folder, render_pages(training(), seeds, photographs=photographs))
        seconds = time.process_time() - start
        paths = [
            folder / f"{page_name(seed, number)}.npz"
            for seed in seeds
            for number in range(photographs)
        ]
        crops = sum(len(load_crops(path).letter) for path in paths)
        tiles = sum(len(load_tiles(path)[0]) for path in paths)
        return Rate(len(paths), crops, tiles, seconds)


def main() -> None:
    """Print the rate for each number of photographs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photographs", type=int, nargs="+", default=[1, 4, 8])
    parser.add_argument("--pictures", type=int, default=80)
    options = parser.parse_args()
    # As the job's processes do.
    cv2.setNumThreads(1)
    gc.set_threshold(GARBAGE_RECORDS)
    measure_rate(WARM_PAGES, 2, FIRST_SEED - WARM_PAGES)
    for photographs in options.photographs:
        rate = measure_rate(max(1, options.pictures // photographs), photographs)
        print(f"photographs={photographs}, {rate}")


if __name__ == "__main__":
    main()
