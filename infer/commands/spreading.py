"""Pages inspected by several processes of this machine, each with its share of the cores."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import warnings
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from crownlet.infer.commands.working import Desk, Outcome, Task
from crownlet.infer.errors import plain

LOST = (
    "the process that inspected it ended suddenly, twice (memory may have run out, or the picture "
    "is damaged in an unknown way)."
)


@dataclass(frozen=True)
class Setting:
    """What a process needs to set up a desk of its own."""

    model: str | None
    customs: str
    portion: str
    out: Path
    anew: bool = False
    threads: int | None = None

    def desk(self) -> Desk:
        """Networks, customs and portion opened; ValueError, OSError or ModelError as they say."""
        from crownlet.infer.inspector import Inspector
        from crownlet.infer.wanted import read_wanted

        portion = read_wanted(self.portion)
        if self.threads is None:
            return Desk(Inspector(self.model, self.customs), portion, self.out, self.anew)
        import cv2

        from crownlet.infer.sessions import Sessions

        cv2.setNumThreads(self.threads)
        networks = Sessions(self.model, self.threads)
        inspector = Inspector(self.model, self.customs, networks=networks)
        return Desk(inspector, portion, self.out, self.anew)


def spread(tasks: Iterable[Task], setting: Setting, workers: int) -> Iterator[Outcome]:
    """The outcomes of all tasks, as they come.

    Where a process dies, the pages then under way are tried again, each in a process of its own;
    one that ends this process too is given up, the others are not.
    """
    waiting = deque(tasks)
    while waiting:
        for suspect in (yield from _round(waiting, setting, workers)):
            if (yield from _round(deque([suspect]), setting, 1)):
                yield Outcome(suspect, fault=f"{plain(suspect.path)}: {LOST}")


def _round(
    waiting: deque[Task], setting: Setting, workers: int
) -> Generator[Outcome, None, list[Task]]:
    """Work until nothing waits; stops early, with the tasks under way, when a process dies."""
    pool = ProcessPoolExecutor(
        workers, multiprocessing.get_context("spawn"), initializer=_begin, initargs=(setting,)
    )
    running: dict[Future[Outcome], Task] = {}
    try:
        while waiting or running:
            while waiting and len(running) <= workers:
                running[pool.submit(_one, waiting[0])] = waiting[0]
                waiting.popleft()
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                if future.exception() is None:
                    del running[future]
                    yield future.result()
                elif isinstance(future.exception(), BrokenProcessPool):
                    raise BrokenProcessPool
                else:
                    task = running.pop(future)
                    yield Outcome(task, fault=f"{plain(task.path)}: {future.exception()}")
    except BrokenProcessPool:
        return list(running.values())
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
    return []


_SETTING: list[Setting] = []
_DESK: list[Desk] = []


def _begin(setting: Setting) -> None:
    """In a new process: leave Ctrl-C to the parent, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.filterwarnings("ignore", module=r"PIL\.")
    _SETTING[:] = [setting]
    parent = multiprocessing.parent_process()
    if parent is not None:

        def end_with_parent() -> None:
            parent.join()
            os._exit(1)

        threading.Thread(target=end_with_parent, daemon=True).start()


def _one(task: Task) -> Outcome:
    if not _DESK:
        _DESK.append(_SETTING[0].desk())
    return _DESK[0].one(task)
