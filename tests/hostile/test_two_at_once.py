"""Commands on one folder at the same time: nothing is lost, and whoever has to wait hears for whom.

That a lock of flock(2) ends with its process is the system's own promise; the other rules are this
project's decisions, with no outside source.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import tiny

from crownlet.datasets.files.locks import FolderBusyError, hold_folder
from crownlet.datasets.scans.manifest import read_manifest
from crownlet.infer.run.run import open_run

HOLD = """
import sys
from pathlib import Path
from crownlet.datasets.files.locks import hold_folder
with hold_folder(Path(sys.argv[1]), "crownlet inspect", sys.argv[2]):
    print("held", flush=True)
    sys.stdin.read()
"""


def start(module: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", module, *map(str, arguments)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def holder(folder: Path, part: str) -> subprocess.Popen[str]:
    """A process that holds a part of a folder until it is killed."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder), part],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def finish(*processes: subprocess.Popen[str]) -> list[tuple[int, str]]:
    """Exit codes and errors."""
    ended = [process.communicate(timeout=300) for process in processes]
    return [(p.returncode, err) for p, (_, err) in zip(processes, ended, strict=True)]


def test_scans_added_at_once_are_all_there(tmp_path: Path) -> None:
    pages, folder = tiny.pages(tmp_path / "came", 3), tmp_path / "set"
    ended = finish(
        *(
            start("crownlet.train.scans_cli", "add", folder, "--scans", page, "--split", "train",
                  "--scroll", page.stem, "--provenance", "drawn")
            for page in pages
        )
    )  # fmt: skip
    assert [code for code, _ in ended] == [0, 0, 0], ended
    manifest = read_manifest(folder)
    assert len(manifest.scans) == manifest.version == 3
    assert {scan.scroll for scan in manifest.scans} == {page.stem for page in pages}
    assert not list(folder.glob(".lock*"))


def test_pages_of_one_name_inspected_at_once_are_both_there(tmp_path: Path) -> None:
    first, second = tiny.pages(tmp_path / "new", 2)
    run, places = tmp_path / "run", []
    for folder, page in (("a", first), ("b", second)):
        place = tmp_path / folder / "page.png"
        place.parent.mkdir()
        page.replace(place)
        table = place.with_name("scrolls.csv")
        table.write_text(f"scan,scroll,side,source\npage.png,{folder},face,from {folder}\n")
        places.append(place)
    ended = finish(
        *(
            start("crownlet.infer.cli", "inspect", place, "--out", run, "--portion", "none",
                  "--scrolls", place.with_name("scrolls.csv"))
            for place in places
        )
    )  # fmt: skip
    assert [code for code, _ in ended] == [0, 0], ended
    opened = open_run(run)
    assert {page.image[0] for page in opened.pages.values()} == set(map(str, places))
    assert {(scroll.name, scroll.source) for scroll in opened.scrolls} == {
        ("a", "from a"), ("b", "from b"),
    }  # fmt: skip


def test_the_refusal_names_the_holder(tmp_path: Path) -> None:
    process = holder(tmp_path, "pages")
    try:
        with pytest.raises(FolderBusyError) as refused, hold_folder(tmp_path, "x", "pages", 0.2):
            pass
        assert str(tmp_path) in str(refused.value)
        assert f"`crownlet inspect` (process {process.pid} on " in refused.value.reason
        with hold_folder(tmp_path, "x", "sheets", 0.2):
            pass  # Another part of the folder is free.
    finally:
        process.kill()
        process.communicate()


def test_a_command_is_refused_in_a_sentence(tmp_path: Path) -> None:
    [page] = tiny.pages(tmp_path / "scans", 1)
    run = tmp_path / "run"
    process = holder(run, "pages")
    try:
        [(code, err)] = finish(start("crownlet.infer.cli", "inspect", page, "--out", run))
    finally:
        process.kill()
        process.communicate()
    assert code == 2
    [line] = err.splitlines()
    assert line.startswith(f"crownlet: {run}: `crownlet inspect` (process {process.pid} on ")


def test_the_lock_of_a_killed_process_is_taken_over(tmp_path: Path) -> None:
    process = holder(tmp_path, "files")
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    [left] = tmp_path.glob(".lock-*")
    assert json.loads(left.read_text())["process"] == process.pid
    with hold_folder(tmp_path, "x", wait_s=0.0), hold_folder(tmp_path, "x", wait_s=0.0):
        assert json.loads(left.read_text())["process"] == os.getpid()
    assert not list(tmp_path.iterdir())


def test_an_empty_folder_does_not_stay(tmp_path: Path) -> None:
    with hold_folder(tmp_path / "new" / "run", "x"):
        pass
    assert not (tmp_path / "new").exists()
