"""How many training examples are rendered: `python -m crownlet.train.bench.rendering`.

Processor time of one process, after pages that fill its caches; with `--processes N` examples a
second of the clock of N processes at once; with `--device cuda` (or `cpu`) also what that device
paints and learns from (`train.bench.painting`). Nothing is kept.
"""

from __future__ import annotations

import argparse
import gc
import multiprocessing as mp
import tempfile
import time
from dataclasses import dataclass
from multiprocessing.synchronize import Barrier
from pathlib import Path

import cv2
import numpy as np

from crownlet.datasets.render.page.spec import training
from crownlet.train.fit.pool import (
    GARBAGE_RECORDS,
    Paint,
    fill_from_pages,
    fill_pool_from,
    page_name,
    prepare_flat,
    render_flat_pages,
    render_pages,
)

WARM_PAGES = 8

FIRST_SEED = 62_000_000

SEEDS_PER_PROCESS = 100_000


@dataclass(frozen=True)
class Rate:
    """Examples of some pages, and the time that they took in s."""

    pictures: int
    """Photographs; flat sheets where a device paints."""
    crops: int
    tiles: int
    seconds: float

    def __str__(self) -> str:
        return (
            f"{self.pictures} pictures: {self.crops / self.seconds:.0f} crops and"
            f" {self.tiles / self.seconds:.1f} tiles a second,"
            f" {1000 * self.seconds / self.pictures:.0f} ms a picture"
        )


def render_pool(
    folder: Path, pages: int, paint: Paint, photographs: int = 1, first: int = FIRST_SEED
) -> None:
    """Fill a pool with training pages, each pictured so many times, as the job `render` does."""
    seeds = range(first, first + pages)
    if paint == "device":
        flat = render_flat_pages(training(), seeds, sheets=photographs)
        fill_pool_from(folder, flat, prepare_flat)
    else:
        fill_from_pages(folder, render_pages(training(), seeds, photographs=photographs))


def measure_rate(
    pages: int, photographs: int, first: int = FIRST_SEED, paint: Paint = "processor"
) -> Rate:
    """Processor time of rendering `pages` training pages."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start = time.process_time()
        render_pool(folder, pages, paint, photographs, first)
        seconds = time.process_time() - start
        crops = tiles = 0
        for seed in range(first, first + pages):
            for number in range(photographs):
                with np.load(folder / f"{page_name(seed, number)}.npz") as file:
                    crops += len(file["letter"])
                    tiles += len(file["tile_image"])
        return Rate(pages * photographs, crops, tiles, seconds)


def measure_processes(processes: int, pages: int, photographs: int, paint: Paint) -> Rate:
    """Examples of `processes` at once by the clock, each of which renders `pages` pages."""
    context = mp.get_context("spawn")
    ready = context.Barrier(processes + 1)
    found: mp.Queue[Rate] = context.Queue()
    started = [
        context.Process(target=_render_at_once, args=(ready, found, k, pages, photographs, paint))
        for k in range(processes)
    ]
    for process in started:
        process.start()
    ready.wait()
    start = time.monotonic()
    rates = [found.get() for _ in started]
    seconds = time.monotonic() - start
    for process in started:
        process.join()
    return Rate(
        sum(rate.pictures for rate in rates),
        sum(rate.crops for rate in rates),
        sum(rate.tiles for rate in rates),
        seconds,
    )


def _render_at_once(
    ready: Barrier, found: mp.Queue[Rate], number: int, pages: int, photographs: int, paint: Paint
) -> None:
    _settle()
    first = FIRST_SEED + (number + 1) * SEEDS_PER_PROCESS
    measure_rate(2, 2, first - 2, paint)
    ready.wait()
    found.put(measure_rate(pages, photographs, first, paint))


def _settle() -> None:
    """As the job's processes do."""
    cv2.setNumThreads(1)
    gc.set_threshold(GARBAGE_RECORDS)


def main() -> None:
    """Print the rate for each number of photographs, or of flat sheets, and what a device does."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photographs", type=int, nargs="*", default=[1, 4, 8])
    parser.add_argument("--sheets", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--pictures", type=int, default=80)
    parser.add_argument("--processes", type=int, default=0)
    parser.add_argument("--device", default="")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--batch-factor", type=int, default=1)
    parser.add_argument("--narrow", action="store_true")
    options = parser.parse_args()
    _settle()
    if not options.processes:
        measure_rate(WARM_PAGES, 2, FIRST_SEED - WARM_PAGES)
        measure_rate(WARM_PAGES, 1, FIRST_SEED - WARM_PAGES, "device")
    kinds: tuple[tuple[str, Paint, list[int]], ...] = (
        ("photographs", "processor", options.photographs), ("sheets", "device", options.sheets)
    )  # fmt: skip
    for name, paint, counts in kinds:
        for count in counts:
            pages = max(1, options.pictures // count)
            if options.processes:
                rate = measure_processes(options.processes, pages, count, paint)
            else:
                rate = measure_rate(pages, count, paint=paint)
            print(f"{name}={count}, {rate}", flush=True)
    if options.device:
        # Torch is not needed to render.
        from crownlet.train.bench.painting import measure_device

        for line in measure_device(
            options.device, options.seconds, render_pool, options.batch_factor, options.narrow
        ):
            print(line, flush=True)


if __name__ == "__main__":
    main()
