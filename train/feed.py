"""Rendering into a pool: pages by seed, on as many processes as the machine has cores."""

from __future__ import annotations

import logging
import multiprocessing as mp
import time
from collections.abc import Iterator
from multiprocessing.process import BaseProcess
from pathlib import Path

import cv2

from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import PageSpec
from crownlet.datasets.page.truth import PageTruth
from crownlet.train.pool import fill
from crownlet.train.styles import with_style

LOG = logging.getLogger(__name__)


class TooManyFailures(RuntimeError):
    """So many pages could not be rendered that the rest would not be a fair sample."""


def render_pages(
    spec: PageSpec, seeds: range, stop_at: float = float("inf"), styles: tuple[str, ...] = ()
) -> Iterator[tuple[str, PageTruth]]:
    """Pages named by their seed, until the seeds or the time (`time.monotonic`) run out.

    By hands of the named styles only, if any are named.

    A page that fails is reported and left out, for a night's training should not end over one in
    ten thousand; more than one in fifty is an error.
    """
    failed = 0
    for done, seed in enumerate(seeds, start=1):
        if time.monotonic() > stop_at:
            return
        try:
            page = compose(with_style(spec, seed, styles), seed)
        except Exception:
            failed += 1
            LOG.exception("page %d could not be rendered", seed)
            if failed > max(2, done / 50):
                raise TooManyFailures(f"{failed} of {done} pages failed") from None
            continue
        yield f"r{seed:09d}", page


def _worker(
    folder: Path, spec: PageSpec, seeds: range, seconds: float, styles: tuple[str, ...]
) -> None:
    cv2.setNumThreads(1)
    fill(folder, render_pages(spec, seeds, time.monotonic() + seconds, styles))


def start_feed(
    folder: Path, spec: PageSpec, first: int, pages: int, workers: int, seconds: float,
    styles: tuple[str, ...] = (),
) -> list[BaseProcess]:  # fmt: skip
    """Start `workers` processes that fill `folder` with `pages` pages from seed `first` on.

    They stop after `seconds` even if pages are left, so that a timed run ends in time.
    """
    folder.mkdir(parents=True, exist_ok=True)
    context = mp.get_context("spawn")
    started: list[BaseProcess] = []
    for k in range(workers):
        seeds = range(first + k, first + pages, workers)
        process = context.Process(
            target=_worker, args=(folder, spec, seeds, seconds, styles), daemon=True,
            name=f"render-{k}",
        )  # fmt: skip
        process.start()
        started.append(process)
    return started
