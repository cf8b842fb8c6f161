"""No room, or no leave, to write: said in a sentence, nothing half-written left.

A limit of file size stands for a full disk: writing beyond it fails as writing beyond the end of a
disk does, with EFBIG instead of ENOSPC (setrlimit(2), write(2)).
"""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import blocks
import pytest
import tiny
from PIL import Image

from crownlet.datasets.files import atomic
from crownlet.infer import cli, inspector
from crownlet.infer.review.models import ReviewStoreError
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import open_run

LIMIT = 2000
"""Bytes; every table of a page is longer."""


def crownlet(*arguments: object, limit: int = LIMIT) -> subprocess.CompletedProcess[str]:
    """A command that may write no file longer than `limit`."""

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    command = [sys.executable, "-m", "crownlet.infer.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=600, preexec_fn=limited)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("narrow")
    pages = tiny.pages(folder / "scans", 1)
    assert cli.main(["inspect", *map(str, pages), "--out", str(folder / "run")]) == 0
    return folder / "run"


def in_a_sentence(ended: subprocess.CompletedProcess[str], *codes: int) -> None:
    assert ended.returncode in codes, ended
    lines = ended.stderr.splitlines()
    assert 0 < len(lines) <= 3
    assert all(line.startswith("crownlet: ") for line in lines), ended.stderr
    assert "too large" in ended.stderr or "full" in ended.stderr or "disk I/O" in ended.stderr


def hidden(folder: Path) -> list[Path]:
    return list(folder.rglob(".*"))


def test_inspect(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "run"
    in_a_sentence(crownlet("inspect", run.parent / "scans", "--out", out), 1)
    assert not out.exists()
    assert not hidden(tmp_path)


def test_a_page_that_stands_is_not_lost(run: Path) -> None:
    before = tiny.contents(run)
    in_a_sentence(crownlet("inspect", run.parent / "scans", "--out", run, "--anew"), 1)
    assert tiny.contents(run) == before
    assert not hidden(run)


def test_sheet(run: Path) -> None:
    in_a_sentence(crownlet("sheet", run), 1, 2)
    assert not hidden(run)


def test_review_export(run: Path) -> None:
    path = run / "review.sqlite3"
    ReviewStore.open(path, open_run(run)).close()
    in_a_sentence(crownlet("review", run, "--export", limit=100), 2)
    assert not hidden(run)
    assert not any((run / name).exists() for name in ("labels.coco.json", "decisions.csv"))
    assert crownlet("review", run, "--export", limit=resource.RLIM_INFINITY).returncode == 0


def test_a_review_that_finds_no_room_is_not_called_damaged(run: Path) -> None:
    for path in run.glob("review.sqlite3*"):
        path.unlink()
    ended = crownlet("review", run, limit=100)
    in_a_sentence(ended, 2)
    assert "the disk may be full" in ended.stderr and "damaged" not in ended.stderr


def test_a_decision_that_finds_no_room(run: Path, tmp_path: Path) -> None:
    store = ReviewStore.open(tmp_path / "review.sqlite3", open_run(run), audit_share=1.0)
    item = store.items("anna")[0]
    # "PRAGMA max_page_count": SQLITE_FULL as on a full disk (sqlite.org/pragma.html).
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(ReviewStoreError, match=r"the disk is full .*; nothing was kept\."):
        for version in range(2000):
            store.decide(item.id, "anna", "present", version=version, note="n" * 2000)
    before = len(store.decisions())
    assert before == store.item(item.id, "anna").version
    store._db.execute("PRAGMA max_page_count = 100000")
    store.decide(item.id, "anna", "present", version=before)
    store.close()


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT, errno.EIO])
def test_the_system_s_own_words_are_passed_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], code: int
) -> None:
    monkeypatch.setattr(inspector, "OnnxNetworks", lambda folder: blocks.BlockNetworks())
    Image.fromarray(blocks.page(["שמע ישראל"] * 4, 12.0)[0]).save(tmp_path / "p.png")

    def refused(*_: object, **__: object) -> str:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(atomic.tempfile, "mkdtemp", refused)
    assert cli.main(["inspect", str(tmp_path / "p.png"), "--out", str(tmp_path / "run")]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert os.strerror(code) in lines[0]
    assert all(line.startswith("crownlet: ") for line in lines)
