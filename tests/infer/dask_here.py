"""A Dask cluster of this machine, for tests, and what goes wrong in its workers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from distributed import Client

from crownlet.infer.batch import dask_cluster


@contextmanager
def cluster(folder: Path, *workers: str) -> Iterator[tuple[Client, subprocess.Popen[bytes]]]:
    """A client and the scheduler of workers with so many threads, each begun again if it ends."""
    file = folder / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    quiet = ["--no-dashboard", "--host", "127.0.0.1", "--scheduler-file", str(file)]
    worker = [*dask, "worker", *quiet, "--local-directory", str(folder), "--memory-limit", "0"]
    commands = [[*dask, "scheduler", *quiet, "--port", "0"]]
    commands += [[*worker, "--nthreads", threads] for threads in workers]
    # What a worker unpickles it has to find, as `crownlet` where that is installed.
    here = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(
            filter(None, [str(Path(__file__).parent), os.environ.get("PYTHONPATH")])
        ),
        "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1",
    }
    with (folder / "log").open("w") as log:
        running = [subprocess.Popen(c, stdout=log, stderr=log, env=here) for c in commands]
    try:
        while not file.is_file() or not file.stat().st_size:
            time.sleep(0.05)
        with Client(json.loads(file.read_text())["address"], set_as_default=False) as client:
            client.wait_for_workers(len(workers), timeout=600)
            yield client, running[0]
            if running[0].poll() is None:
                client.shutdown()
    finally:
        for process in running:
            process.terminate()
            process.wait(120)


def first_page(run: Path) -> None:
    """Wait until there is one; TimeoutError after ten minutes."""
    end = time.monotonic() + 600
    while not list(run.glob("*/page.json")):
        if time.monotonic() > end:
            raise TimeoutError(f"{run}: no page")
        time.sleep(0.01)


def hold_further_pages(run: Path, mark: Path) -> None:
    """In a worker: once a page is finished begin no other, until there is a file `mark`."""
    inspect = dask_cluster.inspect_on_worker

    def held(*arguments: Any) -> Any:
        while list(run.glob("*/page.json")) and not mark.exists():
            time.sleep(0.01)
        return inspect(*arguments)

    dask_cluster.inspect_on_worker = held


def freeze(seconds: float) -> None:
    """In a worker: let its storage answer after so long, as a network disk that hangs."""

    def frozen(job: dask_cluster.ClusterJob, *_: object) -> None:
        time.sleep(seconds)

    dask_cluster.worker_for = frozen  # type: ignore[assignment]
    dask_cluster.PREPARE_SECONDS = 1.0
    dask_cluster.inspect_on_worker = frozen  # type: ignore[assignment]


def freeze_looking(seconds: float) -> None:
    """In a worker: the same from its next look at the storage on, which it gives up soon."""
    dask_cluster.STORAGE_SECONDS = 1.0
    freeze(seconds)
    Path.is_dir = lambda self: time.sleep(seconds) or True  # type: ignore[method-assign]


def age(version: str) -> None:
    """In a worker: be another version of this program."""
    versions = dask_cluster.worker_versions
    dask_cluster.worker_versions = lambda worker: versions(worker) | {"crownlet": version}
