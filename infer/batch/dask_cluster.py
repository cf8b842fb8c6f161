"""Pages inspected by the workers of a Dask cluster, one group of pages per thread.

Pictures and RUN lie on storage that all share under the same paths: a worker reads the picture and
writes the page's folder itself, and returns only the outcome. A page whose worker dies is tried
again by Dask (`distributed.scheduler.allowed-failures`), then once more alone (`inspect_pages`).
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import logging
import shutil
import socket
import threading
import time
from collections.abc import Callable, Collection, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from distributed import Client, KilledWorker, Security, rpc

from crownlet.datasets.files.atomic import make_draft_folder
from crownlet.datasets.files.errors import FileFault, plain
from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS
from crownlet.datasets.scribal.texts import KNOWN_PORTIONS
from crownlet.infer.batch.processes import WorkerConfig
from crownlet.infer.batch.worker import (
    PageGroup,
    PageOutcome,
    PageWorker,
    inspection_request,
)
from crownlet.infer.networks import ModelError
from crownlet.infer.view.console import print_error

GO_ON = "pages finished so far are whole, begin again to go on."

SHARED_STORAGE = "pictures and RUN must lie at the same paths on every worker"


class ClusterError(FileFault):
    """A cluster that cannot inspect the pages: `path` names the scheduler or the worker's
    machine."""


@dataclass(frozen=True)
class ClusterJob:
    """What a Dask worker needs to make a page worker, and the versions that this must have."""

    config: WorkerConfig
    mark: Path
    """A folder that the client has made in RUN."""
    made_with: dict[str, str]


def worker_versions(worker: PageWorker) -> dict[str, str]:
    """Versions and checksums that two workers must share for their pages to be the same."""
    facts = {**worker.inspector.versions(), "portion": inspection_request(worker.portion, None)}
    program = facts.pop("program", {})
    sums = {
        name: hashlib.sha256(json.dumps(fact, sort_keys=True).encode()).hexdigest()
        for name, fact in facts.items()
    }
    return {"crownlet" if name == "version" else name: v for name, v in program.items()} | sums


_WORKERS: dict[Path, PageWorker] = {}
"""Page workers of this process, by the marks of the running commands."""

_WORKERS_LOCK = threading.Lock()


def worker_for(job: ClusterJob) -> PageWorker:
    """The page worker of this process for a job; ClusterError if it cannot be made."""
    with _WORKERS_LOCK:
        if job.mark not in _WORKERS:
            drop_finished_workers()
            _WORKERS[job.mark] = _make_worker(job)
        return _WORKERS[job.mark]


def _make_worker(job: ClusterJob) -> PageWorker:
    here = socket.gethostname()
    if not job.mark.is_dir():
        raise ClusterError(here, f"does not see {plain(job.config.out)}: {SHARED_STORAGE}.")
    try:
        make_draft_folder(job.config.out).rmdir()
        worker = job.config.make_worker()
    except (ValueError, OSError, ModelError) as error:
        raise ClusterError(here, f"cannot inspect these pages ({error}).") from None
    held = worker_versions(worker)
    unlike = [name for name, value in job.made_with.items() if held.get(name) != value]
    if unlike:
        reason = f"has another {', another '.join(unlike)} than this machine: pages would differ."
        raise ClusterError(here, reason)
    return worker


async def prepare_worker(job: ClusterJob) -> None:
    """Make the page worker for a job; ClusterError if it cannot be made, or not in time."""
    await _in_time(partial(worker_for, job), PREPARE_SECONDS)


async def see_storage(job: ClusterJob) -> None:
    """Look at RUN from this worker; ClusterError if its storage does not answer in time."""
    await _in_time(job.mark.is_dir, STORAGE_SECONDS)


async def _in_time(work: Callable[[], object], seconds: float) -> None:
    """Do some work in a thread of its own: a frozen disk holds up that thread, and nothing else."""
    loop, done = asyncio.get_running_loop(), asyncio.Event()
    faults: list[Exception] = []

    def run() -> None:
        try:
            work()
        except Exception as error:
            faults.append(error)
        loop.call_soon_threadsafe(done.set)

    threading.Thread(target=run, daemon=True).start()
    try:
        await asyncio.wait_for(done.wait(), seconds)
    except TimeoutError:
        reason = f"its shared storage has not answered for {seconds:g} seconds; {GO_ON}"
        raise ClusterError(socket.gethostname(), reason) from None
    if faults:
        raise faults[0]


def inspect_on_worker(job: ClusterJob, group: PageGroup) -> list[PageOutcome]:
    """Inspect the pages of a group and write them; ClusterError if there is no page worker."""
    worker = worker_for(job)
    if all(task.path.exists() for task in group.pages):
        return list(worker.inspect_group(group))
    reason = f"is not seen from {socket.gethostname()}: {SHARED_STORAGE}."
    return [
        outcome
        for alone in group.split()
        for task in alone.pages
        for outcome in (
            worker.inspect_group(alone)
            if task.path.exists()
            else [PageOutcome(task, fault=f"{plain(task.path)}: {reason}")]
        )
    ]


def drop_finished_workers() -> None:
    """Drop the page workers of commands that have ended."""
    for mark in list(_WORKERS):
        if not mark.exists():
            _WORKERS.pop(mark, None)


SCHEDULER_TIMEOUT_S = 8
"""Time within which a scheduler answers."""

PREPARE_SECONDS = 120.0
"""Time within which a worker has read its networks and the marks of a run."""

STORAGE_SECONDS = 30.0
"""Time within which shared storage answers a worker .."""

CHECK_SECONDS = 60.0
""".. and time after which it is asked again while pages are inspected."""


@dataclass
class Cluster:
    """The workers of a Dask cluster as a `WorkerPool`."""

    address: str
    client: Client
    job: ClusterJob
    idle: bool = False
    """Whether there was no worker at the last call of `capacity`."""
    asked: float = field(default_factory=time.monotonic)
    """When the workers were last asked whether their storage answers."""
    lost = KilledWorker

    def prepare_workers(self) -> None:
        """Make a page worker in every Dask worker; ClusterError for the first that cannot."""
        faults = self._ask(prepare_worker, PREPARE_SECONDS)
        if not faults:
            raise ClusterError(self.address, "the cluster has no workers.")
        for name, fault in sorted(faults.items()):
            if isinstance(fault, BaseException):
                raise ClusterError(name, f"this worker cannot inspect pages ({_cause(fault)}).")

    def _ask(self, question: Callable[..., object], seconds: float) -> dict[str, object]:
        """Every worker's answer; ClusterError for one that gives it, or where one gives none."""
        answers: list[dict[str, object]] = []
        faults: list[Exception] = []

        def ask() -> None:
            try:
                answers.append(self.client.run(question, self.job, on_error="return") or {})
            except Exception as error:
                faults.append(error)

        asking = threading.Thread(target=ask, daemon=True)
        asking.start()
        asking.join(2 * seconds)
        if faults:
            raise faults[0]
        if not answers:
            reason = f"a worker has not answered for {2 * seconds:g} seconds; {GO_ON}"
            raise ClusterError(self.address, reason)
        for fault in answers[0].values():
            if isinstance(fault, ClusterError):
                raise fault
        return answers[0]

    def capacity(self) -> int:
        """One group of pages per thread, and one per worker that waits there.

        ClusterError where the shared storage of a worker no longer answers.
        """
        if time.monotonic() - self.asked > CHECK_SECONDS:
            self._ask(see_storage, STORAGE_SECONDS)
            self.asked = time.monotonic()
        threads = self.client.nthreads().values()
        if not threads and not self.idle:
            print_error("the cluster has no workers now; waiting for some.")
        self.idle = not threads
        return int(max(1, sum(threads) + len(threads)))

    @contextmanager
    def open(self) -> Iterator[Callable[[PageGroup], Future[list[PageOutcome]]]]:
        """Pages that still wait at its end are not started."""
        pool = self.client.get_executor(pure=False)
        try:
            yield partial(pool.submit, inspect_on_worker, self.job)
        finally:
            pool.shutdown(wait=False)


@contextmanager
def connect_cluster(address: str, config: WorkerConfig, worker: PageWorker) -> Iterator[Cluster]:
    """The cluster at an address, each worker checked to equal `worker`.

    ClusterError in one sentence where nothing answers, a worker is unable, or the scheduler is
    lost.
    """
    with _client(address) as client:
        mark = _make_mark(config.out)
        try:
            job = ClusterJob(_with_absolute_paths(config), mark.absolute(), worker_versions(worker))
            cluster = Cluster(address, client, job)
            cluster.prepare_workers()
            yield cluster
            mark.rmdir()
            client.run(drop_finished_workers, on_error="ignore")
        except (CancelledError, OSError):
            raise ClusterError(address, f"the scheduler is gone; {GO_ON}") from None
        finally:
            shutil.rmtree(mark, ignore_errors=True)


def _client(address: str) -> Client:
    # Dask logs what is reported here in a sentence.
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        # Checked first, since a client that finds nothing cannot be closed; in a thread of its own,
        # since a notebook's thread has a running loop.
        with ThreadPoolExecutor(1) as pool:
            pool.submit(asyncio.run, _check_scheduler(address)).result()
        return Client(address, timeout=SCHEDULER_TIMEOUT_S, set_as_default=False)
    except Exception as error:  # Other kinds of servers raise other errors.
        raise ClusterError(address, f"no cluster answers there ({_cause(error)}).") from None


def _make_mark(out: Path) -> Path:
    try:
        out.mkdir(parents=True, exist_ok=True)
        return make_draft_folder(out)
    except OSError as error:
        raise ClusterError(out, f"cannot be written ({error.strerror or error}).") from None


async def _check_scheduler(address: str) -> None:
    security = Security().get_connection_args("client")
    async with rpc(address, timeout=SCHEDULER_TIMEOUT_S, connection_args=security) as server:
        kind = (await asyncio.wait_for(server.identity(), SCHEDULER_TIMEOUT_S))["type"]
    if kind != "Scheduler":
        raise ValueError(f"a {kind} does, not a scheduler")


def _cause(error: BaseException) -> str:
    return " ".join((str(error) or type(error).__name__).split())[:160]


def _with_absolute_paths(config: WorkerConfig) -> WorkerConfig:
    """The config with absolute paths and one thread per page."""
    model = config.model and str(Path(config.model).absolute())
    customs, portion = (
        _absolute_file(config.customs, SHIPPED_CUSTOMS),
        _absolute_file(config.portion, KNOWN_PORTIONS),
    )
    out = config.out.absolute()
    return replace(config, model=model, customs=customs, portion=portion, out=out, threads=1)


def _absolute_file(name: str, known: Collection[str]) -> str:
    path = Path(name)
    return name if name in known or not path.is_file() else str(path.absolute())
