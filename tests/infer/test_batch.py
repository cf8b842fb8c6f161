"""Thousands of scans: what is kept, names, folders and patterns, several processes, crashes."""

from __future__ import annotations

import importlib.metadata
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import blocks
import dying
import pytest
import tiny
from PIL import Image

from crownlet.datasets.files import atomic
from crownlet.infer import cli, inspector
from crownlet.infer.batch import inputs as naming
from crownlet.infer.batch.inputs import find_pictures
from crownlet.infer.batch.processes import PROCESS_LOST, ProcessPool, inspect_pages
from crownlet.infer.batch.worker import PageJob, group_pages
from crownlet.infer.scrolls.members import PagePlace


@pytest.fixture
def read_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inspector, "OnnxNetworks", lambda folder: blocks.BlockNetworks())


def scan(path: Path, text: str = "שמע ישראל") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(blocks.page([text] * 4, 12.0)[0]).save(path)
    return path


def inspect(run: Path, *arguments: object) -> int:
    return cli.main(["inspect", *map(str, arguments), "--out", str(run)])


@pytest.mark.usefixtures("read_blocks")
def test_pages_are_kept_until_something_changes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pages = [scan(tmp_path / f"{name}.png") for name in "ab"]
    run = tmp_path / "run"

    def looked_at(*options: str) -> list[str]:
        assert inspect(run, *pages, *options) == 0
        lines = capsys.readouterr().out.splitlines()
        return [line.split(" -> ")[1].split(":")[0][-1] for line in lines if " -> " in line]

    assert looked_at() == ["a", "b"]
    before = {p: p.stat().st_ino for p in run.glob("*/*")}
    assert looked_at() == []
    assert {p: p.stat().st_ino for p in run.glob("*/*")} == before
    assert looked_at("--anew") == ["a", "b"]
    scan(pages[1], "שמע אחד")
    assert looked_at() == ["b"]
    assert looked_at("--customs", "arizal") == ["a", "b"]
    assert looked_at("--customs", "arizal", "--portion", "shema") == ["a", "b"]
    (run / "a" / "gaps.csv").unlink()
    assert looked_at("--customs", "arizal", "--portion", "shema") == ["a"]
    (run / "b" / "page.json").write_text("{")
    shutil.rmtree(run / "b")
    (run / "scrolls.json").unlink()
    assert looked_at("--customs", "arizal", "--portion", "shema") == ["b"]
    assert (run / "scrolls.json").is_file()


@pytest.mark.usefixtures("read_blocks")
def test_kept_pages_know_their_makers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another version of a library may read some letters otherwise: the page is inspected again."""
    page, run = scan(tmp_path / "a.png"), tmp_path / "run"
    assert inspect(run, page) == 0
    kept = run / "a" / "page.json"
    made = json.loads(kept.read_text("utf-8"))["versions"]["program"]
    assert made["numpy"] == importlib.metadata.version("numpy")  # as pip has it
    assert set(made) == {"version", *inspector.NUMERIC_PACKAGES}
    for name in made:
        before = kept.stat().st_ino
        assert inspect(run, page) == 0 and kept.stat().st_ino == before
        other = {**inspector._program_versions(), name: "0"}
        monkeypatch.setattr(inspector, "_program_versions", lambda other=other: other)
        assert inspect(run, page) == 0 and kept.stat().st_ino != before


@pytest.mark.usefixtures("read_blocks")
def test_kept_pages_are_stated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = scan(tmp_path / "scans" / "a.png").parent
    scan(folder / "b.png")
    assert inspect(tmp_path / "run", folder) == 0
    capsys.readouterr()
    assert inspect(tmp_path / "run", folder, "--workers", "1") == 0
    assert "2 pages were inspected before and kept as they are." in capsys.readouterr().out


@pytest.mark.usefixtures("read_blocks")
def test_another_picture_of_the_same_name_takes_no_page_s_place(tmp_path: Path) -> None:
    run, old = tmp_path / "run", scan(tmp_path / "monday" / "p.png")
    assert inspect(run, old) == 0
    before = tiny.contents(run / "p")
    new = scan(tmp_path / "tuesday" / "p.png", "שמע אחד")
    assert inspect(run, new) == 0
    assert tiny.contents(run / "p") == before
    assert sorted(p.name for p in run.iterdir() if p.is_dir()) == ["p", "p-png"]
    # Moved, not another: the record takes the new place of the picture into account.
    moved = tmp_path / "wednesday" / "p.png"
    moved.parent.mkdir()
    old.rename(moved)
    assert inspect(run, moved, new) == 0
    assert sorted(p.name for p in run.iterdir() if p.is_dir()) == ["p", "p-png"]
    assert b"wednesday" in (run / "p" / "page.json").read_bytes()


def test_names_depend_on_the_set_and_not_on_the_order(tmp_path: Path) -> None:
    paths = [Path(f"/s/{f}/{n}") for f in "abc" for n in ("p.png", "P.tif", "q\n\ud800.png")]
    paths += [
        Path("/x/a/p.png"),
        Path("/y/a/p.png"),
        Path("/s/sheets.png"),
        Path("/s/scrolls.json.png"),
    ]
    names = dict(zip(paths, naming.page_names(paths), strict=True))
    assert len({name.casefold() for name in names.values()}) == len(paths)
    turned = dict(zip(paths[::-1], naming.page_names(paths[::-1]), strict=True))
    assert turned == names
    # What a run holds besides pages is no page's name.
    assert not {"sheets", "scrolls.json"} & set(names.values())
    assert all(name.isprintable() and len(name.encode()) <= 200 for name in names.values())
    long = Path("/s/" + "ש" * 125 + ".png")
    assert len(naming.page_names([long])[0].encode()) <= 200


def test_a_folder_that_is_no_page_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "run" / "p").mkdir(parents=True)
    (tmp_path / "run" / "p" / "letters.txt").write_text("dear")
    assert naming.page_names([Path("/s/p.png")], tmp_path / "run") == ["p-png"]


def test_folders_and_patterns(tmp_path: Path) -> None:
    for name in (
        "a/1.png",
        "a/b/2.TIF",
        "a/.hidden/3.png",
        "a/.4.png",
        "a/note.txt",
        "a/run/x/5.png",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "a" / "b" / "round").symlink_to(tmp_path / "a")
    run = tmp_path / "a" / "run"

    def named(*arguments: str) -> list[str]:
        found = find_pictures([str(tmp_path / a) for a in arguments], run).paths
        return [path.relative_to(tmp_path).as_posix() for path in found]

    assert named("a") == ["a/1.png", "a/b/2.TIF"]
    assert named("a", "a/1.png", "a/../a/1.png") == ["a/1.png", "a/b/2.TIF"]
    assert named("a/*.png", "a/b/?.TIF") == ["a/1.png", "a/b/2.TIF"]
    assert named("a/note.txt", "gone.png") == ["a/note.txt", "gone.png"]
    (tmp_path / "none").mkdir()
    found = find_pictures([str(tmp_path / "none"), str(tmp_path / "*.webp")], run)
    assert found.paths == []
    assert len(found.wrong) == 2
    (tmp_path / "what[1].png").write_bytes(b"")
    assert named("what[1].png") == ["what[1].png"]


def test_the_same_bytes_whatever_order_batches_and_workers(tmp_path: Path) -> None:
    pages = tiny.pages(tmp_path / "scans", 3)
    bad = tmp_path / "scans" / "cut.png"
    bad.write_bytes(pages[0].read_bytes()[:300])
    one, many = tmp_path / "one" / "run", tmp_path / "many" / "run"
    assert inspect(one, *pages[::-1], bad) == 1
    command = [sys.executable, "-m", "crownlet.infer.cli", "inspect", str(tmp_path / "scans")]
    ended = subprocess.run(
        [*command, "--out", str(many), "--workers", "2"],
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert (ended.returncode, ended.stderr.count("\n")) == (1, 2), ended.stderr
    apart = tmp_path / "apart" / "run"
    for page in (pages[1], pages[2], pages[0]):
        assert inspect(apart, page) == 0
    assert len(tiny.contents(one)) == 3 * 6 + 1
    assert tiny.contents(one) == tiny.contents(many) == tiny.contents(apart)


@pytest.mark.parametrize(("third", "lost"), [("once-c", set()), ("always-c", {"always-c"})])
def test_a_page_that_ends_its_process_stops_no_other(
    tmp_path: Path, third: str, lost: set[str]
) -> None:
    names = ["a", "b", third, "d", "e", "f"]
    tasks = [PageJob(tmp_path / f"{n}.png", PagePlace(n, n, None)) for n in names]
    config = dying.DyingConfig(tmp_path)
    outcomes = list(inspect_pages(group_pages(tasks, pooled=False), ProcessPool(config, 2)))  # type: ignore[arg-type]
    assert sorted(o.task.place.page for o in outcomes) == sorted(names)
    faults = {o.task.place.page: o.fault for o in outcomes if o.fault}
    assert faults == {name: f"{tmp_path / name}.png: {PROCESS_LOST}" for name in lost}


def test_drafts_of_ended_processes_are_cleared_and_others_stay(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    host = atomic.make_draft_folder(tmp_path).name.split("-")[1]
    mine = next(tmp_path.iterdir())
    stale = tmp_path / f".crownlet-{host}-{ended.pid}-abc"
    (stale / "p").mkdir(parents=True)
    (stale / "p" / "page.json").write_text("{}")
    half = tmp_path / f".crownlet-{host}-{ended.pid}-abd"
    half.mkdir()
    (half / "page.json").write_text("{")
    (tmp_path / f".crownlet-{host}-{ended.pid}-abe").write_text("[")
    elsewhere = tmp_path / ".crownlet-another_machine-1-abc"
    elsewhere.mkdir()
    old, new = tmp_path / ".crownlet-qwertyui", tmp_path / ".crownlet-asdfghjk"
    for path in (old, new):
        path.write_text("")
    os.utime(old, (time.time() - 2 * atomic.ABANDONED_DRAFT_SECONDS,) * 2)
    assert atomic.remove_abandoned_drafts(tmp_path) == 4
    # A page set aside by a process that was killed before its successor came is put back.
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        ["p", mine.name, elsewhere.name, new.name]
    )


@pytest.mark.parametrize("in_one_step", [True, False])
def test_a_folder_takes_another_s_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, in_one_step: bool
) -> None:
    if not in_one_step:
        monkeypatch.setattr(atomic, "_exchange_folders", lambda one, other: False)
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).write_text("")
    atomic.replace_folder(tmp_path / "new", tmp_path / "old")
    assert [p.name for p in (tmp_path / "old").iterdir()] == ["new"]
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]
