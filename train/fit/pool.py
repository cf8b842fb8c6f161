"""Example pools: folders of prepared pages which training reads, and which may still be growing.

Rendering is slower than a GPU trains, so every page is kept and shown several times ("data
echoing", Choi et al. 2019) while other processes add new ones. A pool is a folder of `.npz` files,
one per page; labelled scans become a pool in the same way.
"""

from __future__ import annotations

import gc
import logging
import multiprocessing as mp
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Literal, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.page.compose import compose_gray
from crownlet.datasets.render.page.flat import FlatPage, compose_flat
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.render.typefaces.compose import Typefaces
from crownlet.train.fit.crops import Crops, make_crops
from crownlet.train.fit.flat import prepare_flat_examples, prepare_wide_scan
from crownlet.train.fit.tiles import cut_tile, pad_tile, read_tile_source

Paint = Literal["processor", "device"]
"""Where pictures are painted: with the pages, or where training runs, anew for each showing."""

Page = TypeVar("Page")

TILES_PER_PAGE = 4
"""Locator examples cut out of a page. Measured over eight pages: drawing one takes 251 ms of a
core, cutting a tile 4 ms, so that two more tiles are twice as many examples for 3% more time."""

TILE_KEYS = ("tile_image", "tile_letters", "tile_ignore")

CROP_KEYS = ("images", "boxes", "letter", "other", "share", "defects", "tags", "parts")

GARBAGE_RECORDS = 500_000
"""New records after which a rendering process looks for circles among them: some twenty pages."""

Arrays = dict[str, npt.NDArray[np.generic]]


LOG = logging.getLogger(__name__)


def prepare_examples(page: PageTruth, rng: np.random.Generator) -> Arrays:
    """The examples of one page as named arrays: its tiles and its crops.

    `TILES_PER_PAGE` tiles show it at other sizes and places.
    """
    source = read_tile_source(page, rng)
    tiles = [pad_tile(cut_tile(source, rng)) for _ in range(TILES_PER_PAGE)]
    crops = make_crops(page, rng, flat=source.gray)
    arrays: Arrays = {key: getattr(crops, key) for key in CROP_KEYS}
    for key, column in zip(TILE_KEYS, zip(*tiles, strict=True), strict=True):
        arrays[key] = np.stack(column)
    return arrays


def store_examples(folder: Path, name: str, arrays: Arrays) -> None:
    """Write one page's examples so that a reader never sees half a file."""
    temporary = folder / f".{name}.{os.getpid()}.tmp"
    with temporary.open("wb") as file:
        np.savez(file, **arrays)  # type: ignore[arg-type]
    temporary.replace(folder / f"{name}.npz")


def load_tiles(path: Path) -> tuple[npt.NDArray[np.generic], ...]:
    """The locator examples of one stored page: as `pad_tile`, one after another."""
    with np.load(path) as file:
        return tuple(file[key] for key in TILE_KEYS)


def load_crops(path: Path) -> Crops:
    """The assessor examples of one stored page."""
    with np.load(path) as file:
        return Crops(*(file[key] for key in CROP_KEYS))


def fresh_files(folder: Path, seen: set[str]) -> list[Path]:
    """Files that appeared in the pool since `seen`, which is brought up to date."""
    found = sorted(path for path in folder.glob("*.npz") if path.name not in seen)
    seen.update(path.name for path in found)
    return found


def prepare_flat(page: FlatPage, rng: np.random.Generator) -> Arrays:
    """As `prepare_examples`, of a flat page that the training device photographs."""
    return prepare_flat_examples(page, rng, TILES_PER_PAGE)


def prepare_wide(page: PageTruth, rng: np.random.Generator) -> Arrays:
    """As `prepare_examples`, of a scan that the training device cuts up anew."""
    return prepare_wide_scan(page, rng, TILES_PER_PAGE)


def fill_from_pages(folder: Path, pages: Iterable[tuple[str, PageTruth]]) -> int:
    """Prepare and store named pages; the number stored. Names give the random draws, not order."""
    return fill_pool_from(folder, pages, prepare_examples)


def fill_pool_from(
    folder: Path,
    pages: Iterable[tuple[str, Page]],
    prepare: Callable[[Page, np.random.Generator], Arrays],
) -> int:
    """As `fill_from_pages`, of pages of any kind."""
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for name, page in pages:
        rng = np.random.default_rng(list(name.encode()))
        store_examples(folder, name, prepare(page, rng))
        count += 1
    return count


def with_style(spec: PageSpec, seed: int, styles: tuple[str, ...]) -> PageSpec:
    """The page's specification with a hand of one of the styles; unchanged if none is named.

    The same seed gives the same hand. ValueError if there is no such style.
    """
    if not styles or spec.hand is not None:
        return spec
    rng = np.random.default_rng([seed, 0x57])
    for _ in range(1000):
        hand = int(rng.integers(1 << 31))
        if draw_hand(hand, spec.split, spec.own_forms).style in styles:
            return replace(spec, hand=hand)
    raise ValueError(f"no hand writes in any of the styles {', '.join(styles)}")


def page_name(seed: int, number: int = 0) -> str:
    """Under which a photograph of a rendered page is stored."""
    return f"r{seed:09d}" + (f"p{number}" if number else "")


class TooManyFailuresError(CrownletError, RuntimeError):
    """So many pages could not be rendered that the others would not be a fair sample."""


def render_pages(
    spec: PageSpec, seeds: Iterable[int], stop_at: float = float("inf"),
    styles: tuple[str, ...] = (), typefaces: Typefaces | None = None, photographs: int = 1,
) -> Iterator[tuple[str, PageTruth]]:  # fmt: skip
    """Pages named by their seed, until the seeds or the time (`time.monotonic`) run out.

    By hands of the named styles only, if any are named; a share of them set in `typefaces`, the
    others photographed so many times.
    """

    def photograph(seed: int) -> Sequence[PageTruth]:
        page = typefaces.page(spec, seed) if typefaces else None
        styled = with_style(spec, seed, styles)
        return [page] if page else list(compose_gray(styled, seed, photographs))

    return _make_pages(seeds, stop_at, photograph)


def render_flat_pages(
    spec: PageSpec, seeds: Iterable[int], stop_at: float = float("inf"),
    styles: tuple[str, ...] = (), sheets: int = 1,
) -> Iterator[tuple[str, FlatPage]]:  # fmt: skip
    """As `render_pages`, to be photographed on the training device; each inked so many times."""
    return _make_pages(
        seeds,
        stop_at,
        lambda seed: list(compose_flat(with_style(spec, seed, styles), seed, sheets)),
    )


def _make_pages(
    seeds: Iterable[int], stop_at: float, make: Callable[[int], Sequence[Page]]
) -> Iterator[tuple[str, Page]]:
    """What `make` makes of each seed; the first comes last: once it is stored, all are.

    A page that fails is logged and left out, since a long training should not end over one in
    ten thousand; more than one in fifty is an error.
    """
    failed = 0
    for done, seed in enumerate(seeds, start=1):
        if time.monotonic() > stop_at:
            return
        try:
            pages = make(seed)
        except Exception:
            failed += 1
            LOG.exception("page %d could not be rendered", seed)
            if failed > max(2, done / 50):
                raise TooManyFailuresError(f"{failed} of {done} pages failed") from None
            continue
        for number in reversed(range(len(pages))):
            yield page_name(seed, number), pages[number]


def _fill_in_process(
    folder: Path, spec: PageSpec, seeds: range, seconds: float, styles: tuple[str, ...],
    typefaces: Typefaces | None, photographs: int, paint: Paint,
) -> None:  # fmt: skip
    cv2.setNumThreads(1)
    # Records hold no circles: looking for them took a tenth of the time.
    gc.freeze()
    gc.set_threshold(GARBAGE_RECORDS)
    # Looked up one by one: another run may be filling the same pool.
    missing = (seed for seed in seeds if not (folder / f"{page_name(seed)}.npz").exists())
    end = time.monotonic() + seconds
    if paint == "device":
        fill_pool_from(
            folder, render_flat_pages(spec, missing, end, styles, photographs), prepare_flat
        )
    else:
        fill_from_pages(folder, render_pages(spec, missing, end, styles, typefaces, photographs))


def start_rendering(
    folder: Path, spec: PageSpec, first: int, pages: int, workers: int, seconds: float,
    styles: tuple[str, ...] = (), typefaces: Typefaces | None = None, photographs: int = 1,
    paint: Paint = "processor",
) -> list[BaseProcess]:  # fmt: skip
    """Start `workers` processes that fill `folder` with `pages` pages from seed `first` on.

    Pages that are there already are left as they are. The processes stop after `seconds` even if
    pages are left, so that a timed run ends in time.
    """
    folder.mkdir(parents=True, exist_ok=True)
    context = mp.get_context("spawn")
    started: list[BaseProcess] = []
    for k in range(workers):
        seeds = range(first + k, first + pages, workers)
        process = context.Process(
            target=_fill_in_process,
            args=(folder, spec, seeds, seconds, styles, typefaces, photographs, paint),
            daemon=True,
            name=f"render-{k}",
        )  # fmt: skip
        process.start()
        started.append(process)
    return started
