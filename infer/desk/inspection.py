"""The inspection of a stack in the background: begun, stopped and gone on with at any time."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from crownlet.datasets.files.atomic import remove_abandoned_drafts
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.files.locks import hold_folder
from crownlet.infer.batch.processes import ProcessPool, WorkerConfig, inspect_pages
from crownlet.infer.batch.worker import PageJob, PageOutcome, group_pages
from crownlet.infer.networks import count_physical_cores
from crownlet.infer.run.names import PAGES_PART
from crownlet.infer.scrolls.gather import update_scrolls
from crownlet.infer.scrolls.members import PagePlace, ScrollRow, ScrollTable
from crownlet.infer.view.language import ENGLISH, translate, translate_count, use_locale

State = Literal["idle", "running", "stopping"]

MAX_PROCESSES = 4

CORES_PER_PROCESS = 2

MIN_SECONDS_TO_NAME = 45.0
"""A shorter remaining time is said as less than a minute."""


@dataclass
class InspectionProgress:
    """How far an inspection has come; replaced as a whole under the lock of its owner."""

    state: State = "idle"
    total: int = 0
    done: int = 0
    kept: int = 0
    """Those of the done that were inspected before and are kept."""
    failed: dict[str, str] = field(default_factory=dict)
    """Sentences on pages that could not be inspected, by page."""
    begun: float = 0.0
    fault: str = ""
    """A sentence, where the whole inspection failed."""

    def remaining_words(self, now: float) -> str:
        """The time left in words, in the page's language."""
        inspected = self.done - self.kept
        if self.state == "stopping":
            return translate("stops after the pages in work")
        if not inspected:
            return translate("the first pages show how long it takes")
        seconds = (now - self.begun) / inspected * (self.total - self.done)
        if seconds < MIN_SECONDS_TO_NAME:
            return translate("less than a minute left")
        minutes = round(seconds / 60)
        if minutes < 90:
            return translate_count(
                "about {n} minute left", "about {n} minutes left", max(1, minutes)
            )
        return translate("about {n} hours left", n=f"{seconds / 3600:.1f}")


class Inspection:
    """One inspection at a time, in a thread that hands pages to processes."""

    def __init__(self, run: Path, ended: Callable[[bool], None]) -> None:
        """`ended` is called when an inspection ends, with whether every page was tried."""
        self._run, self._ended = run, ended
        self._lock = threading.Lock()
        self._progress = InspectionProgress()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def progress(self) -> InspectionProgress:
        """A copy of the present state."""
        with self._lock:
            return InspectionProgress(**{**vars(self._progress), "failed": dict(self._failed())})

    def _failed(self) -> dict[str, str]:
        return self._progress.failed

    @property
    def running(self) -> bool:
        """Whether pages are being inspected."""
        return self._thread is not None and self._thread.is_alive()

    def begin(self, jobs: Sequence[PageJob], portion: str, customs: str) -> None:
        """Begin; a no-op while one is running."""
        with self._lock:
            if self.running or not jobs:
                return
            self._stop.clear()
            self._progress = InspectionProgress("running", len(jobs), begun=time.monotonic())
            count = max(1, min(MAX_PROCESSES, count_physical_cores() // CORES_PER_PROCESS))
            threads = max(1, count_physical_cores() // count)
            config = WorkerConfig(None, customs, portion, self._run, threads=threads)
            self._thread = threading.Thread(
                target=self._work, args=(list(jobs), ProcessPool(config, count)), daemon=True,
                name="inspection",
            )  # fmt: skip
            self._thread.start()

    def stop(self, wait: bool = False) -> None:
        """Stop after the pages in work; with `wait`, return when it has."""
        self._stop.set()
        with self._lock:
            if self._progress.state == "running":
                self._progress.state = "stopping"
        if wait and self._thread is not None:
            self._thread.join()

    def _work(self, jobs: list[PageJob], pool: ProcessPool) -> None:
        complete = False
        try:
            self._run.mkdir(parents=True, exist_ok=True)
            with hold_folder(self._run, "crownlet open", PAGES_PART):
                complete = self._inspect(jobs, pool)
                list_scrolls(self._run, [job.place for job in jobs])
        except (FileFault, OSError, ValueError) as error:
            with self._lock:
                self._progress.fault = str(error)
        finally:
            with self._lock:
                self._progress.state = "idle"
            self._ended(complete)

    def _inspect(self, jobs: Sequence[PageJob], pool: ProcessPool) -> bool:
        """Inspect into a run that is held; whether every page was tried."""
        remove_abandoned_drafts(self._run)
        pooled = pool.config.hand and pool.config.portion != "none"
        outcomes = inspect_pages(group_pages(jobs, pooled=pooled), pool)
        try:
            for outcome in outcomes:
                self._add(outcome)
                if self._stop.is_set():
                    return False
        finally:
            outcomes.close()
        return True

    def _add(self, outcome: PageOutcome) -> None:
        with self._lock:
            self._progress.done += 1
            self._progress.kept += outcome.kept
            if outcome.fault:
                self._progress.failed[outcome.task.place.page] = outcome.fault


def list_scrolls(run: Path, places: Sequence[PagePlace]) -> None:
    """Write the scrolls of a run anew, by the places of its pages; nothing without a page.

    FileFault where the run cannot be read, OSError where it cannot be written.
    """
    held = {place.page: place for place in places if (run / place.page / "page.json").is_file()}
    if not held:
        return
    rows = tuple(
        ScrollRow(number, place.page, place.scroll, place.side or "face", place.source)
        for number, place in enumerate(held.values(), start=1)
    )
    # A table stays English, whatever page asks for it.
    with use_locale(ENGLISH):
        update_scrolls(run, ScrollTable("the names of the stack", rows))
