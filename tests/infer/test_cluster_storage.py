"""A worker whose disk is frozen, one of another version, and a command that is killed.

A frozen disk is a call that does not come back; the sentences are this project's own decisions.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest
import tiny
from dask_here import age, cluster, first_page, freeze, freeze_looking

from crownlet.infer import cli
from crownlet.infer.batch import dask_cluster

FROZEN_SECONDS = 600
"""After which the disk would answer: a command that waits for it takes as long, on any machine."""


def inspect(page: Path, run: Path, address: str) -> list[str]:
    return ["inspect", str(page), "--out", str(run), "--portion", "none", "--cluster", address]


def test_a_frozen_disk_ends_the_command_with_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (page,) = tiny.pages(tmp_path / "scans", 1)
    with cluster(tmp_path, "1") as (client, _):
        client.run(freeze, FROZEN_SECONDS)
        start = time.monotonic()
        assert cli.main(inspect(page, tmp_path / "run", client.scheduler.address)) == 1
        assert time.monotonic() - start < FROZEN_SECONDS / 2
    [line] = capsys.readouterr().err.splitlines()
    assert "its shared storage has not answered for 1 seconds; pages finished so far are" in line


def test_a_disk_that_freezes_while_pages_are_inspected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = tiny.pages(tmp_path / "scans", 3)
    monkeypatch.setattr(dask_cluster, "CHECK_SECONDS", 0.0)
    seen = dask_cluster.Cluster.prepare_workers

    def then_freeze(self: dask_cluster.Cluster) -> None:
        seen(self)
        self.client.run(freeze_looking, FROZEN_SECONDS)

    monkeypatch.setattr(dask_cluster.Cluster, "prepare_workers", then_freeze)
    with cluster(tmp_path, "1") as (client, _):
        command = inspect(pages[0].parent, tmp_path / "run", client.scheduler.address)
        start = time.monotonic()
        assert cli.main(command) == 1
        assert time.monotonic() - start < FROZEN_SECONDS / 2
    assert "its shared storage has not answered for 1 seconds" in capsys.readouterr().err


def test_a_worker_of_another_version_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (page,) = tiny.pages(tmp_path / "scans", 1)
    with cluster(tmp_path, "1") as (client, _):
        client.run(age, "0.0.0")
        assert cli.main(inspect(page, tmp_path / "run", client.scheduler.address)) == 1
    [line] = capsys.readouterr().err.splitlines()
    assert line.endswith("has another crownlet than this machine: pages would differ.")
    assert not (tmp_path / "run" / page.stem).exists()


def test_a_killed_command_begun_again_makes_what_a_plain_run_makes(tmp_path: Path) -> None:
    pages, run, plain = tiny.pages(tmp_path / "scans", 4), tmp_path / "run", tmp_path / "plain"
    scans = pages[0].parent
    with cluster(tmp_path, "1", "1") as (client, _):
        command = inspect(scans, run, client.scheduler.address)
        process = subprocess.Popen(
            [sys.executable, "-m", "crownlet.infer.cli", *command],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        first_page(run)
        process.kill()
        process.wait(60)
        stands = {path.parent.name for path in run.glob("*/page.json")}
        assert cli.main(command) == 0
    assert stands
    assert cli.main(["inspect", str(scans), "--out", str(plain), "--portion", "none"]) == 0
    assert tiny.contents(run) == tiny.contents(plain)
