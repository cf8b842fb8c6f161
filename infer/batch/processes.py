"""Pages inspected by several processes; on this machine each has its share of the cores."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import warnings
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from crownlet.datasets.files.errors import FileFault, plain
from crownlet.infer.batch.worker import PageJob, PageOutcome, PageWorker

PROCESS_LOST = (
    "every process that inspected it ended suddenly (memory may have run out, or the picture is "
    "damaged in an unknown way)."
)

POLL_SECONDS = 10.0
"""Seconds."""


@dataclass(frozen=True)
class WorkerConfig:
    """What a process needs to set up a desk of its own."""

    model: str | None
    customs: str
    portion: str
    out: Path
    anew: bool = False
    threads: int | None = None

    def desk(self) -> PageWorker:
        """Networks, customs and portion opened; ValueError, OSError or ModelError as they say."""
        import cv2

        from crownlet.infer.inspector import Inspector
        from crownlet.infer.networks import OnnxNetworks
        from crownlet.infer.text.search import read_text_choice

        # On pictures of one letter OpenCV's other threads gain nothing and never rest.
        cv2.setNumThreads(1)
        portion = read_text_choice(self.portion)
        if self.threads is None:
            return PageWorker(Inspector(self.model, self.customs), portion, self.out, self.anew)
        networks = OnnxNetworks(self.model, self.threads)
        inspector = Inspector(self.model, self.customs, networks=networks)
        return PageWorker(inspector, portion, self.out, self.anew)


class WorkerPool(Protocol):
    """Processes that inspect pages, on this machine or on others."""

    @property
    def lost(self) -> type[Exception]:
        """What a page's future raises when its process ended under it."""

    def room(self) -> int:
        """How many pages keep all of them at work now."""

    def at_work(self) -> AbstractContextManager[Callable[[PageJob], Future[PageOutcome]]]:
        """Within it a page can be handed to them."""


@dataclass(frozen=True)
class ProcessPool:
    """Processes of this machine."""

    setting: WorkerConfig
    count: int
    lost = BrokenProcessPool

    def room(self) -> int:
        """One page waits for whoever is done first."""
        return self.count + 1

    @contextmanager
    def at_work(self) -> Iterator[Callable[[PageJob], Future[PageOutcome]]]:
        """Processes of their own for each round: a pool that lost one takes no more pages."""
        spawn = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(
            self.count, spawn, initializer=_start_process, initargs=(self.setting,)
        )
        try:
            yield lambda task: pool.submit(_inspect_in_process, task)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def inspect_pages(tasks: Iterable[PageJob], crew: WorkerPool) -> Iterator[PageOutcome]:
    """The outcomes of all tasks, as they come.

    Where a process dies, the pages that may have been its end are tried again, each while nothing
    else is under way; one that ends a process then too is given up, the others are not.
    """
    waiting = deque(tasks)
    while waiting:
        for suspect in (yield from _inspect_round(waiting, crew)):
            if (yield from _inspect_round(deque([suspect]), crew)):
                yield PageOutcome(suspect, fault=f"{plain(suspect.path)}: {PROCESS_LOST}")


def _inspect_round(
    waiting: deque[PageJob], crew: WorkerPool
) -> Generator[PageOutcome, None, list[PageJob]]:
    """Work until nothing waits; once a process has died, only until nothing is under way.

    Returns the tasks that may have been its end. FileFault where a process cannot begin.
    """
    running: dict[Future[PageOutcome], PageJob] = {}
    suspects: list[PageJob] = []
    sound = True
    with crew.at_work() as submit:
        while running or (waiting and sound):
            room = crew.room()
            try:
                while waiting and sound and len(running) < room:
                    running[submit(waiting[0])] = waiting[0]
                    waiting.popleft()
            except crew.lost:
                sound = False
            # Not for ever: meanwhile there may be room for more.
            for future in wait(running, POLL_SECONDS, FIRST_COMPLETED).done:
                task, fault = running.pop(future), future.exception()
                if fault is None:
                    yield future.result()
                elif isinstance(fault, crew.lost):
                    sound = False
                    suspects.append(task)
                elif isinstance(fault, FileFault):
                    raise fault
                else:
                    yield PageOutcome(task, fault=f"{plain(task.path)}: {fault}")
    return suspects


_CONFIG: list[WorkerConfig] = []

_WORKER: list[PageWorker] = []


def _start_process(setting: WorkerConfig) -> None:
    """In a new process: leave Ctrl-C to the parent, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.filterwarnings("ignore", module=r"PIL\.")
    _CONFIG[:] = [setting]
    parent = multiprocessing.parent_process()
    if parent is not None:

        def end_with_parent() -> None:
            parent.join()
            os._exit(1)

        threading.Thread(target=end_with_parent, daemon=True).start()


def _inspect_in_process(task: PageJob) -> PageOutcome:
    if not _WORKER:
        _WORKER.append(_CONFIG[0].desk())
    return _WORKER[0].one(task)
