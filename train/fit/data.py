"""The data module: pools of renders and labelled scans mixed by ratio, pools to validate on."""

from __future__ import annotations

import json
import logging
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, get_args

import pytorch_lightning as pl
import torch

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.datasets.render.page.spec import PageSpec, training
from crownlet.datasets.render.typefaces.compose import Typefaces
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.painting import MAX_SKINS, WIDE_READERS, SkinPainter, read_skins
from crownlet.train.fit.pool import Paint, start_rendering
from crownlet.train.fit.reservoir import (
    PATIENCE_SECONDS,
    Batch,
    PoolBatches,
    Reader,
    Reservoir,
    Source,
)
from crownlet.train.fit.scans import CUTS_FOLDER, Scans, fill_pool, scan_pool, start_cutting

LOG = logging.getLogger(__name__)

POOL_FILE = "pool.json"
"""In a pool's folder: what its renders are, so that runs of other renders do not share it."""


def describe_renders(renders: Renders) -> dict[str, Any]:
    """What decides how the pages of a pool look, as plain values."""
    faces = renders.typefaces
    described: dict[str, Any] = json.loads(
        json.dumps(
            {
                "spec": asdict(renders.spec),
                "watch": asdict(renders.watch),
                "styles": list(renders.styles),
                "typefaces": asdict(faces) if faces else None,
            },
            default=str,
        )
    )
    # Pools from before this could be chosen do not say it.
    return described | ({"paint": renders.paint} if renders.paint != "processor" else {})


def claim_pool(renders: Renders) -> None:
    """Note in a pool what its pages are; TrainingError if it holds pages of another kind."""
    path, mine = renders.folder / POOL_FILE, describe_renders(renders)
    if path.exists():
        theirs = read_pool_description(renders.folder)
        keys = sorted({*_leaves(mine), *_leaves(theirs)})
        different = [k for k in keys if _leaves(mine).get(k) != _leaves(theirs).get(k)]
        if different:
            raise TrainingError(
                f"{renders.folder} holds pages of another kind, which differ in"
                f" {', '.join(different)}; name another data.folder, such as {renders.folder}-2"
            )
        return
    with atomic_write(path) as draft:
        write_json(draft, mine)


def read_pool_description(folder: Path) -> dict[str, Any]:
    """What the pages of a pool are; empty for a pool that does not say."""
    path = folder / POOL_FILE
    if not path.exists():
        return {}
    found: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return found


def _leaves(value: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, inner in value.items():
        name = f"{prefix}{key}"
        found |= _leaves(inner, f"{name}.") if isinstance(inner, dict) else {name: inner}
    return found


@dataclass(frozen=True)
class Renders:
    """Pages drawn for training and for watching it; the hands of the two are never the same."""

    folder: Path
    spec: PageSpec
    watch: PageSpec
    first_seed: int = 0
    pages: int = 200
    watch_pages: int = 20
    workers: int = 2
    minutes: float = 60.0
    """Rendering stops after this time even if pages are left."""
    styles: tuple[str, ...] = ()
    """Only hands of these styles write; empty for all."""
    typefaces: Typefaces | None = None
    """Typefaces in which a share of the pages to train on is set."""
    photographs: int = 1
    """How often each page to train on is photographed; inked, where the device photographs."""
    paint: Paint = "processor"

    def __post_init__(self) -> None:
        if self.paint not in get_args(Paint):
            raise ValueError(f"data.paint is {self.paint}, not one of {', '.join(get_args(Paint))}")
        if self.paint == "device" and self.typefaces is not None:
            raise ValueError("data.paint=device paints writing by hand: leave out data.typefaces")
        if self.photographs < 1:
            raise ValueError(
                f"data.photographs is {self.photographs}; each page is photographed at least once"
            )


def renders_from(
    *, folder: str, spec: Mapping[str, Any], styles: Sequence[str], **numbers: Any
) -> Renders:
    """What to render, as a configuration describes it; `spec` holds changes to the training page.

    The pages to watch come from the hands kept for calibration.
    """
    changes = {key: tuple(v) if isinstance(v, list) else v for key, v in spec.items()}
    page = training(**changes)
    watch = replace(page, split="calibrate")
    return Renders(Path(folder), page, watch, styles=tuple(styles), **numbers)


def count_pages(folder: Path) -> int:
    """Pages that a pool holds."""
    return sum(1 for _ in folder.glob("*.npz")) if folder.exists() else 0


def wait_for_pages(folder: Path, pages: int, patience: float = PATIENCE_SECONDS) -> None:
    """Wait for another process to fill a pool with `pages`; TimeoutError after `patience` s."""
    end = time.monotonic() + patience
    while count_pages(folder) < pages:
        if time.monotonic() > end:
            raise TimeoutError(f"{folder} holds {count_pages(folder)} of {pages} pages")
        time.sleep(0.5)


def render_watch(renders: Renders) -> None:
    """Render the pages to watch, if they are not there, and wait for them."""
    folder = renders.folder / "watch"
    if count_pages(folder) < renders.watch_pages:
        feed = start_rendering(
            folder, renders.watch, 0, renders.watch_pages, renders.workers, 3600, renders.styles
        )
        for process in feed:
            process.join()


def render_train(renders: Renders) -> list[BaseProcess]:
    """Start rendering what the training pool still lacks; the processes at work."""
    folder = renders.folder / "train"
    return start_rendering(
        folder, renders.spec, renders.first_seed, renders.pages,
        renders.workers, renders.minutes * 60, renders.styles, renders.typefaces,
        renders.photographs, renders.paint,
    )  # fmt: skip


class WholePool:
    """Every row of some reservoirs once, in order, in batches."""

    def __init__(self, reservoirs: list[Reservoir], batch_size: int) -> None:
        self.reservoirs = reservoirs
        self.batch_size = batch_size

    def __len__(self) -> int:
        return sum(-(-reservoir.size // self.batch_size) for reservoir in self.reservoirs)

    def __iter__(self) -> Iterator[Batch]:
        for reservoir in self.reservoirs:
            rows = reservoir.all_rows()
            for start in range(0, reservoir.size, self.batch_size):
                yield {key: value[start : start + self.batch_size] for key, value in rows.items()}


class PagesDataModule(pl.LightningDataModule):
    """Feeds either network; `reader` chooses tiles or crops out of the stored pages.

    Renders are made while training runs; a folder that already holds pages of the same kind is
    used as it stands and added to, so that no run renders again what is there.
    """

    def __init__(
        self,
        renders: Renders,
        scans: Scans,
        reader: Reader,
        batch_size: int,
        capacity: int,
        wait_rows: int,
        seed: int,
        device: torch.device,
        balance: float = 0.0,
    ) -> None:
        super().__init__()
        self.renders, self.scans = renders, scans
        self.reader, self.batch_size, self.capacity = reader, batch_size, capacity
        if "device" in (renders.paint, scans.paint) and reader not in WIDE_READERS:
            raise TrainingError(
                "data.paint=device paints crops and tiles, not what model.reader reads"
            )
        self.wait_rows, self.seed, self.device = wait_rows, seed, device
        self.balance = balance
        self._feed: list[BaseProcess] | None = None
        self._sources: list[Source] = []
        self._cutters: list[BaseProcess] = []

    def prepare_data(self) -> None:
        """Start rendering, and cut examples out of labelled scans that have none yet.

        Without workers nothing is rendered here: another process fills the pool, and its first
        pages are waited for. Where there are none yet, a line of the log says so at once.
        """
        for number, source in enumerate(self.scans.sources):
            folder, scans = self._scan_folder(number), self.scans
            if not fill_pool(folder, source, "train", scans.copies, scans.paint):
                raise TrainingError(f"{source}: no page of it is there to learn from")
            if source.is_dir():
                fill_pool(self._watched_scans(number), source, "validation", 1)
        if self.renders.workers:
            claim_pool(self.renders)
            render_watch(self.renders)
            self._feed = render_train(self.renders)
            self._start_cutting()
        else:
            self._warn_of_waiting()
            wait_for_pages(self.renders.folder / "watch", self.renders.watch_pages)

    def _warn_of_waiting(self) -> None:
        """Say what is waited for where a pool does not yet hold what training begins with."""
        needed = {"watch": self.renders.watch_pages, "train": int(self.scans.share < 1)}
        lacking = [
            f"{count_pages(self.renders.folder / part)} of {pages} pages to {part}"
            for part, pages in needed.items()
            if count_pages(self.renders.folder / part) < pages
        ]
        if lacking:
            LOG.warning(
                "%s holds %s, and nothing renders here (data.workers=0): set data.workers to 1 or"
                " more unless another process fills it; waiting for that up to %.0f minutes",
                self.renders.folder, " and ".join(lacking), PATIENCE_SECONDS / 60,
            )  # fmt: skip

    def _start_cutting(self) -> None:
        for number, source in enumerate(self.scans.sources):
            folder = self._fresh_cuts(number)
            if folder is not None:
                cutting = start_cutting(folder, source, self.scans.copies, self.scans.paint)
                self._cutters.append(cutting)

    def teardown(self, stage: str) -> None:
        """End the processes that cut scans up, and delete what they cut."""
        for process in self._cutters:
            process.terminate()
            process.join()
        if self._cutters:
            shutil.rmtree(Path(self._run_folder()) / CUTS_FOLDER, ignore_errors=True)
        self._cutters = []

    def _run_folder(self) -> str:
        return self.trainer.default_root_dir if self.trainer is not None else ""

    def _fresh_cuts(self, number: int) -> Path | None:
        """Where a source is cut up afresh; None where it is not: where nothing is rendered
        meanwhile (`workers` 0), the examples of a run stay the same too."""
        if not (self.scans.fresh and self.renders.workers and self._run_folder()):
            return None
        return Path(self._run_folder()) / CUTS_FOLDER / str(number)

    def _train_folder(self) -> Path:
        return self.renders.folder / "train"

    def _scan_folder(self, number: int) -> Path:
        source = self.scans.sources[number]
        return scan_pool(self.renders.folder, source, "train", self.scans.copies, self.scans.paint)

    def _watched_scans(self, number: int) -> Path:
        return scan_pool(self.renders.folder, self.scans.sources[number], "validation", 1)

    def _reservoir(
        self, folder: Path, capacity: int, most_pages: int | None = None, more: Path | None = None,
        reader: Reader | None = None,
    ) -> Reservoir:  # fmt: skip
        return Reservoir(folder, reader or self.reader, capacity, self.device, most_pages, more)

    def _source(
        self, folder: Path, capacity: int, share: float, growing: Callable[[], bool],
        paint: Paint, more: Path | None = None, skins: bool = False,
    ) -> Source:  # fmt: skip
        """Examples of a folder, shown as they lie there or photographed each time."""
        if paint == "processor":
            return Source(self._reservoir(folder, capacity, more=more), share, growing)
        reader, painting = WIDE_READERS[self.reader]
        bare = self._reservoir(folder, MAX_SKINS, reader=read_skins) if skins else None
        rows = self._reservoir(folder, capacity, more=more, reader=reader)
        return Source(rows, share, growing, SkinPainter(painting, bare))

    def seen(self) -> dict[str, object]:
        """What training has read so far: the pages of each source, and what the renders are."""
        counts = [source.reservoir.pages_read for source in self._sources]
        return {
            "rendered_pages": counts[0] if counts else 0,
            "scan_pages": counts[1:],
            "first_seed": self.renders.first_seed,
            "renders": read_pool_description(self.renders.folder),
        }

    def train_dataloader(self) -> PoolBatches:
        """Endless mixed batches."""
        sources = [
            self._source(
                self._train_folder(), self.capacity, 1.0 - self.scans.share, self._growing,
                self.renders.paint, skins=True,
            )
        ]  # fmt: skip
        for number in range(len(self.scans.sources)):
            room = max(1024, self.capacity // 4)
            share = self.scans.share / len(self.scans.sources)
            source = self._source(
                self._scan_folder(number), room, share, lambda: False, self.scans.paint,
                self._fresh_cuts(number),
            )  # fmt: skip
            sources.append(source)
        self._sources = sources
        # Processes that train together must not all see the same examples.
        rank = self.trainer.global_rank if self.trainer is not None else 0
        seed = self.seed + 7919 * rank
        return PoolBatches(
            sources, self.batch_size, seed, self.wait_rows, self.balance, self._batches_done()
        )

    def _batches_done(self) -> int:
        """Batches that a run has had before it goes on."""
        if self.trainer is None:
            return 0
        return int(self.trainer.fit_loop.epoch_loop.batch_progress.total.completed)

    def _growing(self) -> bool:
        """Whether more renders may come; of a pool that others fill this is not known."""
        return self._feed is None or any(process.is_alive() for process in self._feed)

    def val_dataloader(self) -> list[WholePool]:
        """The pages that are watched, each once: renders, then scans if any are kept for it."""
        watched = [self._whole(self.renders.folder / "watch", self.renders.watch_pages)]
        folders = [self._watched_scans(number) for number in range(len(self.scans.sources))]
        scans = [
            self._whole(folder, count_pages(folder)) for folder in folders if count_pages(folder)
        ]
        if scans:
            reservoirs = [reservoir for whole in scans for reservoir in whole.reservoirs]
            watched.append(WholePool(reservoirs, self.batch_size))
        return watched

    def _whole(self, folder: Path, pages: int) -> WholePool:
        reservoir = self._reservoir(folder, pages * 128, pages)
        reservoir.top_up()
        return WholePool([reservoir], self.batch_size)
