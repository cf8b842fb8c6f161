"""Pages inspected by several processes, each with its share of this machine's cores."""

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
from typing import TYPE_CHECKING, Protocol

from crownlet.datasets.files.errors import FileFault, plain
from crownlet.infer.batch.worker import PageGroup, PageOutcome, PageWorker

if TYPE_CHECKING:
    from crownlet.infer.routing.measured import MeasureScope

PROCESS_LOST = (
    "every process that inspected it ended suddenly (memory may have run out, or the picture is "
    "damaged in an unknown way)."
)

POLL_SECONDS = 10.0
"""Wait after which the capacity of the pool is read again."""


@dataclass(frozen=True)
class WorkerConfig:
    """What a process needs to make a page worker of its own."""

    model: str | None
    customs: str
    portion: str
    out: Path
    inspect_again: bool = False
    threads: int | None = None
    hand: bool = True
    """Whether hands are learned."""
    measure: MeasureScope = "doubts"
    """Which letters are measured."""

    def make_worker(self) -> PageWorker:
        """A worker with networks, customs and portion; ValueError, OSError or ModelError
        without."""
        from crownlet.infer.inspector import Inspector
        from crownlet.infer.networks import OnnxNetworks
        from crownlet.infer.text.search import read_text_choice
        from crownlet.infer.threads import limit_opencv_threads

        limit_opencv_threads()
        portion = read_text_choice(self.portion)
        if self.threads is None:
            inspector = Inspector(self.model, self.customs, measure=self.measure, hand=self.hand)
            return PageWorker(inspector, portion, self.out, self.inspect_again)
        networks = OnnxNetworks(self.model, self.threads)
        inspector = Inspector(
            self.model, self.customs, networks=networks, measure=self.measure, hand=self.hand
        )
        return PageWorker(inspector, portion, self.out, self.inspect_again)


class WorkerPool(Protocol):
    """Processes that inspect pages, on this machine or on others."""

    @property
    def lost(self) -> type[Exception]:
        """The error of a group's future when its process died."""

    def capacity(self) -> int:
        """Number of groups that keep all processes busy now."""

    def open(self) -> AbstractContextManager[Callable[[PageGroup], Future[list[PageOutcome]]]]:
        """A context in which groups of pages can be submitted."""


@dataclass(frozen=True)
class ProcessPool:
    """Processes of this machine."""

    config: WorkerConfig
    count: int
    lost = BrokenProcessPool

    def capacity(self) -> int:
        """One group waits for the first process that is done."""
        return self.count + 1

    @contextmanager
    def open(self) -> Iterator[Callable[[PageGroup], Future[list[PageOutcome]]]]:
        """New processes: a pool that lost one takes no more pages."""
        spawn = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(
            self.count, spawn, initializer=_start_process, initargs=(self.config,)
        )
        try:
            yield lambda group: pool.submit(_inspect_in_process, group)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def inspect_pages(
    groups: Iterable[PageGroup], pool: WorkerPool
) -> Generator[PageOutcome, None, None]:
    """The outcomes of all pages in the order of completion.

    Where a process dies, the pages that may have caused it are tried again, each alone; one that
    ends a process then too fails, the others do not. A later command inspects them as a group.
    """
    waiting = deque(groups)
    while waiting:
        for suspect in (yield from _inspect_round(waiting, pool)):
            for alone in suspect.split():
                if (yield from _inspect_round(deque([alone]), pool)):
                    [task] = alone.pages
                    yield PageOutcome(task, fault=f"{plain(task.path)}: {PROCESS_LOST}")


def _inspect_round(
    waiting: deque[PageGroup], pool: WorkerPool
) -> Generator[PageOutcome, None, list[PageGroup]]:
    """Inspect until nothing waits; once a process has died, only until nothing runs.

    Returns the groups that may have caused it. FileFault if a process cannot start.
    """
    running: dict[Future[list[PageOutcome]], PageGroup] = {}
    suspects: list[PageGroup] = []
    sound = True
    with pool.open() as submit:
        while running or (waiting and sound):
            capacity = pool.capacity()
            try:
                while waiting and sound and len(running) < capacity:
                    running[submit(waiting[0])] = waiting[0]
                    waiting.popleft()
            except pool.lost:
                sound = False
            # With a time limit: meanwhile the capacity may have grown.
            for future in wait(running, POLL_SECONDS, FIRST_COMPLETED).done:
                group, fault = running.pop(future), future.exception()
                if fault is None:
                    yield from future.result()
                elif isinstance(fault, pool.lost):
                    sound = False
                    suspects.append(group)
                elif isinstance(fault, FileFault):
                    raise fault
                else:
                    for task in group.pages:
                        yield PageOutcome(task, fault=f"{plain(task.path)}: {fault}")
    return suspects


_CONFIG: list[WorkerConfig] = []

_WORKER: list[PageWorker] = []


def _start_process(config: WorkerConfig) -> None:
    """Initialise a new process: leave Ctrl-C to the parent, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.filterwarnings("ignore", module=r"PIL\.")
    _CONFIG[:] = [config]
    parent = multiprocessing.parent_process()
    if parent is not None:

        def end_with_parent() -> None:
            parent.join()
            os._exit(1)

        threading.Thread(target=end_with_parent, daemon=True).start()


def _inspect_in_process(group: PageGroup) -> list[PageOutcome]:
    if not _WORKER:
        _WORKER.append(_CONFIG[0].make_worker())
    return list(_WORKER[0].inspect_group(group))
