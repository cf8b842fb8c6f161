"""Atomic writes: on disk before they replace, whole or not at all.

The order of the steps is that of fsync(2): a file's data first, then the rename, then the folder
("Calling fsync() does not necessarily ensure that the entry in the directory containing the file
has also reached disk").
"""

from __future__ import annotations

import os
import stat
import subprocess
from pathlib import Path

import pytest

from crownlet.datasets.files import atomic
from crownlet.datasets.scans.manifest import MANIFEST, Manifest, write_manifest


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is done to the disk, in order."""
    done: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def noted_fsync(descriptor: int) -> None:
        folder = stat.S_ISDIR(os.fstat(descriptor).st_mode)
        done.append("sync folder" if folder else "sync file")
        fsync(descriptor)

    def noted_replace(self: Path, target: Path) -> Path:
        done.append("replace")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(Path, "replace", noted_replace)
    return done


def test_a_file_is_on_disk_before_it_replaces_another(tmp_path: Path, steps: list[str]) -> None:
    atomic.write_file(tmp_path / "a" / "b.txt", "שלום\n")
    assert steps == ["sync file", "replace", "sync folder"]
    assert (tmp_path / "a" / "b.txt").read_bytes() == "שלום\n".encode()


def test_the_manifest_of_a_data_set_is_on_disk(tmp_path: Path, steps: list[str]) -> None:
    write_manifest(tmp_path, Manifest())
    assert steps == ["sync file", "replace", "sync folder"]
    assert [path.name for path in tmp_path.iterdir()] == [MANIFEST]


def test_an_error_leaves_the_old_file_and_no_draft(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    atomic.write_file(target, "old")
    with pytest.raises(OSError, match="full"), atomic.atomic_write(target) as draft:
        draft.write_text("ne")
        raise OSError("full")
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("a.txt", "old")]


def test_the_name_of_a_draft_is_one_that_is_cleared_away(tmp_path: Path) -> None:
    with atomic.atomic_write(tmp_path / "a.txt") as draft:
        assert draft.parent == tmp_path
        match = atomic._DRAFT_NAME.fullmatch(draft.name)
        assert match is not None and int(match["pid"]) == os.getpid()
        assert atomic.remove_abandoned_drafts(tmp_path) == 0


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs proc(5)")
def test_the_draft_of_a_process_that_is_dead_and_not_waited_for_is_cleared_away(
    tmp_path: Path,
) -> None:
    child = subprocess.Popen(["true"])
    # WNOWAIT leaves the child as it is, state Z (waitid(2), proc(5)).
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    (tmp_path / atomic.draft_name().replace(f"-{os.getpid()}-", f"-{child.pid}-")).touch()
    assert atomic.remove_abandoned_drafts(tmp_path) == 1
    child.wait()


def test_a_file_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    atomic.write_file(tmp_path / "a.txt", "")
    assert (tmp_path / "a.txt").stat().st_mode == (tmp_path / "plain").stat().st_mode
