"""Pages inspected by the workers of a Dask cluster, one page for each of their threads.

Pictures and RUN lie on storage that all share under the same paths: a worker reads the picture and
writes the page's folder itself, and only what became of it comes back. A page whose worker dies is
tried again by Dask (`distributed.scheduler.allowed-failures`), then once more alone (`spread`).
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import logging
import shutil
import socket
import threading
from collections.abc import Callable, Collection, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

from distributed import Client, KilledWorker, Security, rpc

from crownlet.datasets.files.atomic import make_draft_folder
from crownlet.datasets.files.errors import FileFault, plain
from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS
from crownlet.datasets.scribal.texts import KNOWN_PORTIONS
from crownlet.infer.batch.processes import WorkerConfig
from crownlet.infer.batch.worker import PageJob, PageOutcome, PageWorker, inspection_request
from crownlet.infer.networks import ModelError
from crownlet.infer.view.console import print_error

COMPARED_PACKAGES = ("crownlet", "numpy", "onnxruntime", "opencv-python-headless", "pillow")
"""What the numbers of a record hang on, besides networks, customs and text."""

SHARED_STORAGE = "pictures and RUN must lie at the same paths on every worker"


class ClusterError(FileFault):
    """A cluster that cannot do the work: `path` names the scheduler or the worker's machine."""


@dataclass(frozen=True)
class ClusterJob:
    """What a worker needs to set up a desk, and what it must then hold."""

    setting: WorkerConfig
    mark: Path
    """A folder that the client has made in RUN."""
    made_with: dict[str, str]


def worker_versions(desk: PageWorker) -> dict[str, str]:
    """Versions and checksums that two desks must share for their pages to be the same."""
    facts = {**desk.inspector.versions(), "portion": inspection_request(desk.portion, None)}
    sums = {
        name: hashlib.sha256(json.dumps(fact, sort_keys=True).encode()).hexdigest()
        for name, fact in facts.items()
    }
    return {name: version(name) for name in COMPARED_PACKAGES} | sums


_WORKERS: dict[Path, PageWorker] = {}
"""By the marks of the commands under way."""

_WORKERS_LOCK = threading.Lock()


def worker_for(job: ClusterJob) -> PageWorker:
    """The desk of this process for a job; ClusterError where there can be none."""
    with _WORKERS_LOCK:
        if job.mark not in _WORKERS:
            drop_finished_workers()
            _WORKERS[job.mark] = _make_worker(job)
        return _WORKERS[job.mark]


def _make_worker(job: ClusterJob) -> PageWorker:
    here = socket.gethostname()
    if not job.mark.is_dir():
        raise ClusterError(here, f"does not see {plain(job.setting.out)}: {SHARED_STORAGE}.")
    try:
        make_draft_folder(job.setting.out).rmdir()
        desk = job.setting.desk()
    except (ValueError, OSError, ModelError) as error:
        raise ClusterError(here, f"cannot inspect these pages ({error}).") from None
    held = worker_versions(desk)
    unlike = [name for name, value in job.made_with.items() if held[name] != value]
    if unlike:
        said = f"has another {', another '.join(unlike)} than this machine: pages would differ."
        raise ClusterError(here, said)
    return desk


def prepare_worker(job: ClusterJob) -> None:
    """See to it that there is a desk for a job; ClusterError as above."""
    worker_for(job)


def inspect_on_worker(job: ClusterJob, task: PageJob) -> PageOutcome:
    """Inspect a page and write it; ClusterError as above."""
    desk = worker_for(job)
    if not task.path.exists():
        said = f"{plain(task.path)}: is not seen from {socket.gethostname()}: {SHARED_STORAGE}."
        return PageOutcome(task, fault=said)
    return desk.one(task)


def drop_finished_workers() -> None:
    """Let go the desks of commands that have ended, however they did."""
    for mark in list(_WORKERS):
        if not mark.exists():
            _WORKERS.pop(mark, None)


SCHEDULER_TIMEOUT_S = 8
"""Seconds within which a scheduler answers."""


@dataclass
class Cluster:
    """The workers of a cluster, as a crew."""

    address: str
    client: Client
    job: ClusterJob
    idle: bool = False
    """Whether there was no worker when last asked."""
    lost = KilledWorker

    def admit(self) -> None:
        """Set up a desk in every worker; ClusterError for the first that cannot have one."""
        said = self.client.run(prepare_worker, self.job, on_error="return")
        if not said:
            raise ClusterError(self.address, "the cluster has no workers.")
        for worker, fault in sorted(said.items()):
            if isinstance(fault, ClusterError):
                raise fault
            if isinstance(fault, BaseException):
                raise ClusterError(worker, f"this worker cannot inspect pages ({_cause(fault)}).")

    def room(self) -> int:
        """A page for each thread, and one for each worker that waits there."""
        threads = self.client.nthreads().values()
        if not threads and not self.idle:
            print_error("the cluster has no workers now; waiting for some.")
        self.idle = not threads
        return max(1, sum(threads) + len(threads))

    @contextmanager
    def at_work(self) -> Iterator[Callable[[PageJob], Future[PageOutcome]]]:
        """Pages still waiting when it ends are not begun any more."""
        pool = self.client.get_executor(pure=False)
        try:
            yield partial(pool.submit, inspect_on_worker, self.job)
        finally:
            pool.shutdown(wait=False)


@contextmanager
def connect_cluster(address: str, setting: WorkerConfig, desk: PageWorker) -> Iterator[Cluster]:
    """The cluster at an address, each worker found able to do what `desk` does.

    ClusterError in one sentence where there is no answer, a worker is not able, or the scheduler
    is lost on the way.
    """
    with _client(address) as client:
        mark = _make_mark(setting.out)
        try:
            job = ClusterJob(_with_absolute_paths(setting), mark.absolute(), worker_versions(desk))
            cluster = Cluster(address, client, job)
            cluster.admit()
            yield cluster
            mark.rmdir()
            client.run(drop_finished_workers, on_error="ignore")
        except (CancelledError, OSError):
            said = "the scheduler is gone; pages finished so far are whole, begin again to go on."
            raise ClusterError(address, said) from None
        finally:
            shutil.rmtree(mark, ignore_errors=True)


def _client(address: str) -> Client:
    # Dask tells the log what we say in a sentence.
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        # Tried apart, since a client that finds nobody cannot be closed; in a thread of its own,
        # since a notebook's has a loop running.
        with ThreadPoolExecutor(1) as pool:
            pool.submit(asyncio.run, _check_scheduler(address)).result()
        return Client(address, timeout=SCHEDULER_TIMEOUT_S, set_as_default=False)
    except Exception as error:  # As many kinds as there are addresses, and servers of other trades.
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


def _with_absolute_paths(setting: WorkerConfig) -> WorkerConfig:
    """The setting with paths that do not hang on where a process was begun; a thread a page."""
    model = setting.model and str(Path(setting.model).absolute())
    customs, portion = (
        _absolute_file(setting.customs, SHIPPED_CUSTOMS),
        _absolute_file(setting.portion, KNOWN_PORTIONS),
    )
    out = setting.out.absolute()
    return replace(setting, model=model, customs=customs, portion=portion, out=out, threads=1)


def _absolute_file(name: str, known: Collection[str]) -> str:
    path = Path(name)
    return name if name in known or not path.is_file() else str(path.absolute())
