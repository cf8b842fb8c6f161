"""A Dask cluster of this machine: a scheduler, two workers, one of them killed at work."""

from __future__ import annotations

import os
import pickle
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import dying
import pytest
import tiny
from dask_here import cluster, first_page, hold_further_pages
from distributed import Client

from crownlet.datasets.files.atomic import make_draft_folder
from crownlet.infer import cli
from crownlet.infer.batch import dask_cluster
from crownlet.infer.batch import dask_cluster as clustering
from crownlet.infer.batch.dask_cluster import Cluster, ClusterError, ClusterJob
from crownlet.infer.batch.processes import PROCESS_LOST, WorkerConfig, inspect_pages
from crownlet.infer.batch.worker import PageGroup, PageJob, group_pages
from crownlet.infer.run.write import PAGE_FILES
from crownlet.infer.scrolls.members import PagePlace


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """Two workers; one of them works on two pages at once."""
    with cluster(tmp_path_factory.mktemp("cluster"), "1", "2") as (client, _):
        yield client


def test_a_worker_is_killed_and_the_pages_are_those_of_a_plain_run(
    client: Client, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scans = tmp_path / "scans"
    pages = tiny.pages(scans, 6)
    (scans / "cut.png").write_bytes(pages[0].read_bytes()[:300])
    run, plain = tmp_path / "run", tmp_path / "plain"
    command = ["inspect", str(scans), "--out", str(run), "--cluster", client.scheduler.address]
    killed, mark = [], tmp_path / "killed"
    # However slow this process is, a worker has pages before it when it is killed.
    client.run(hold_further_pages, run, mark)

    def kill() -> None:
        first_page(run)
        busy = next(worker for worker, tasks in client.processing().items() if tasks)
        killed.append(client.run(os.getpid, workers=[busy])[busy])
        os.kill(killed[0], signal.SIGKILL)
        mark.touch()

    killer = threading.Thread(target=kill, daemon=True)
    killer.start()
    assert cli.main(command) == 1
    killer.join(600)
    assert len(killed) == 1
    output = capsys.readouterr()
    pages_named = [
        line.split(" -> ")[1].split(":")[0] for line in output.out.splitlines() if " -> " in line
    ]
    # A worker may end between the writing of a page and the word of it; that page is kept.
    assert len(pages_named) == len(set(pages_named)) <= len(pages)
    assert output.err.startswith(f"crownlet: {scans / 'cut.png'}: ")
    assert len(output.err.splitlines()) == 2
    before = {path: path.stat().st_ino for path in run.glob("p*/*")}
    assert cli.main(command) == 1
    assert "6 pages were inspected before and kept" in capsys.readouterr().out
    assert {path: path.stat().st_ino for path in run.glob("p*/*")} == before
    assert cli.main(["inspect", str(scans), "--out", str(plain)]) == 1
    assert tiny.contents(run) == tiny.contents(plain)
    assert not [path for path in run.iterdir() if path.name.startswith(".")]


def test_a_page_that_ends_its_worker_stops_no_other(client: Client, tmp_path: Path) -> None:
    names = ["a", "once-b", "c", "always-d", "e", "f", "g", "h"]
    tasks = [PageJob(tmp_path / f"{name}.png", PagePlace(name, name, None)) for name in names]
    for task in tasks:
        task.path.write_bytes(b"")
    config = dying.DyingConfig(tmp_path)
    job = ClusterJob(
        config, make_draft_folder(tmp_path), dask_cluster.worker_versions(config.make_worker())
    )  # type: ignore[arg-type]
    outcomes = list(inspect_pages(group_pages(tasks, pooled=False), Cluster("", client, job)))
    assert sorted(o.task.place.page for o in outcomes) == sorted(names)
    faults = {o.task.place.page: o.fault for o in outcomes if o.fault}
    assert faults == {"always-d": f"{tmp_path / 'always-d.png'}: {PROCESS_LOST}"}


def test_a_run_that_cannot_be_written_is_stated(
    client: Client, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (page,) = tiny.pages(tmp_path / "scans", 1)
    run = page / "run"
    command = ["inspect", str(page), "--out", str(run), "--cluster", client.scheduler.address]
    assert cli.main(command) == 2
    assert capsys.readouterr().err == f"crownlet: {run}: cannot be written (Not a directory).\n"


def test_the_scheduler_dies_and_the_finished_pages_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pages, run = tiny.pages(tmp_path / "scans", 6), tmp_path / "run"
    with cluster(tmp_path, "1") as (client, scheduler):
        killer = threading.Thread(target=lambda: (first_page(run), scheduler.kill()))
        killer.start()
        address = client.scheduler.address
        command = ["inspect", *map(str, pages), "--out", str(run), "--cluster", address]
        assert cli.main(command) == 1
        killer.join(600)
    assert capsys.readouterr().err.startswith(f"crownlet: {address}: the scheduler is gone; ")
    assert not [path for path in run.glob("p*") if len(list(path.iterdir())) != len(PAGE_FILES)]


@pytest.fixture
def job(tmp_path: Path) -> ClusterJob:
    """A job that this process, in a worker's place, can do."""
    config = WorkerConfig(None, "unspecified", "none", tmp_path)
    return ClusterJob(
        config, make_draft_folder(tmp_path), dask_cluster.worker_versions(config.make_worker())
    )


def test_a_worker_says_what_it_lacks(job: ClusterJob, tmp_path: Path) -> None:
    here = socket.gethostname()
    other = {**job.made_with, "onnxruntime": "1.0", "model": ""}
    wrong = {
        f"{here}: does not see {tmp_path}: ": replace(job, mark=tmp_path / "gone"),
        f"{here}: has another onnxruntime, another model than ": replace(job, made_with=other),
        f"{here}: cannot inspect these pages ({tmp_path}/m: there is no such model folder.)":
            replace(job, config=replace(job.config, model=str(tmp_path / "m"))),
    }  # fmt: skip
    for output, unable in wrong.items():
        with pytest.raises(ClusterError) as error:
            dask_cluster.worker_for(unable)
        assert str(error.value).startswith(output)
        assert pickle.loads(pickle.dumps(error.value)).args == error.value.args
    scan = tmp_path / "not here.png"
    group = PageGroup((PageJob(scan, PagePlace("a", "a", None)),))
    [outcome] = dask_cluster.inspect_on_worker(job, group)
    assert outcome.fault.startswith(f"{scan}: is not seen from {here}: ")
    job.mark.rmdir()
    dask_cluster.drop_finished_workers()
    assert not dask_cluster._WORKERS


def test_what_is_sent_does_not_hang_on_where_a_process_was_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("own.yaml", "own.txt", "arizal", "shema"):
        Path(name).write_text("")
    sent = clustering._with_absolute_paths(WorkerConfig("m", "own.yaml", "own.txt", Path("run")))
    assert (sent.model, sent.customs) == (f"{tmp_path}/m", f"{tmp_path}/own.yaml")
    assert (sent.portion, sent.out) == (f"{tmp_path}/own.txt", tmp_path / "run")
    # Shipped names go before files, as everywhere.
    sent = clustering._with_absolute_paths(WorkerConfig(None, "arizal", "shema", Path("run")))
    assert (sent.model, sent.customs, sent.portion) == (None, "arizal", "shema")


@pytest.mark.parametrize(
    "address", ["127.0.0.1:9", "nowhere://127.0.0.1:9", "tls://127.0.0.1:9", "host:port"]
)
def test_an_address_where_nobody_answers(
    address: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(clustering, "SCHEDULER_TIMEOUT_S", 1)
    (page,) = tiny.pages(tmp_path / "scans", 1)
    command = ["inspect", str(page), "--out", str(tmp_path / "run"), "--cluster", address]
    assert cli.main(command) == 1
    output = capsys.readouterr().err
    assert output.startswith(f"crownlet: {address}: no cluster answers there (")
    assert output.count("\n") == 1


def test_without_dask_a_sentence_says_how_to_get_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    monkeypatch.delitem(sys.modules, "crownlet.infer.batch.dask_cluster")
    (page,) = tiny.pages(tmp_path / "scans", 1)
    command = ["inspect", str(page), "--out", str(tmp_path / "run"), "--cluster", "127.0.0.1:9"]
    assert cli.main(command) == 2
    assert capsys.readouterr().err.endswith("install it with: pip install '.[cluster]'\n")
