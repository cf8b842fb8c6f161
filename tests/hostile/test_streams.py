"""Names that no console can print, streams that are closed or full, patterns that go in circles.

Sources: /dev/full, full(4); which characters override direction, Unicode Standard Annex 9; names of
255 bytes, NAME_MAX of limits.h. That a batch goes on without its console is common practice.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

from crownlet.datasets.files.console import SteadyStream, printable
from crownlet.datasets.files.errors import plain
from crownlet.datasets.scans.manifest import read_manifest
from crownlet.infer.batch.inputs import find_pictures
from crownlet.infer.run.run import open_run


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    [path] = tiny.pages(tmp_path_factory.mktemp("page"), 1)
    return path.read_bytes()


def inspect(scans: Path, run: Path, *more: str, **options: object) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "crownlet.infer.cli", "inspect", str(scans), "--out", str(run)]
    command += ["--portion", "none", *more]
    given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.run(command, timeout=600, **given)  # type: ignore[call-overload]


def put(folder: Path, page: bytes, *names: str | bytes) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / os.fsdecode(name)).write_bytes(page)
    return folder


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "cp437"])
def test_a_console_without_hebrew(tmp_path: Path, page: bytes, encoding: str) -> None:
    scans = put(tmp_path / "scans", page, "שלום.png", "ב.png")
    ended = inspect(scans, tmp_path / "run", env={**os.environ, "PYTHONIOENCODING": encoding})
    assert (ended.returncode, ended.stderr) == (0, b"")
    assert set(open_run(tmp_path / "run").pages) == {"שלום", "ב"}


def test_names_that_turn_a_line_around_are_not_printed(tmp_path: Path, page: bytes) -> None:
    scans = put(tmp_path / "scans", page, "a\u202egnp.png", "b\x1b[2J.png", b"c\xff.png")
    ended = inspect(scans, tmp_path / "run", env={**os.environ, "PYTHONIOENCODING": "utf-8"})
    assert ended.returncode == 1  # the name that is no UTF-8 is refused
    output = (ended.stdout + ended.stderr).decode("utf-8", "strict")
    assert "Traceback" not in output
    assert not set(output) & {"\u202e", "\x1b"}
    assert len(open_run(tmp_path / "run").pages) == 2
    assert plain("a\u202eb") == "a\ufffdb" and printable("ok ש\u200f\n") == "ok ש\u200f\n"


@pytest.mark.parametrize("code", [*range(0x202A, 0x202F), *range(0x2066, 0x206A)])
def test_no_character_that_turns_a_line_around_is_printed(code: int) -> None:
    """The explicit embeddings, overrides and isolates of Unicode Standard Annex 9, section 2."""
    assert plain(f"a{chr(code)}b") == printable(f"a{chr(code)}b") == "a\ufffdb"


@pytest.mark.parametrize("how", ["closed", "full", "both closed"])
def test_an_output_that_takes_nothing(tmp_path: Path, page: bytes, how: str) -> None:
    scans, run = put(tmp_path / "scans", page, "a.png", "b.png"), tmp_path / "run"
    if how == "full":
        with Path("/dev/full").open("wb") as full:
            ended = inspect(scans, run, stdout=full)
        assert ended.returncode == 1
        [line] = ended.stderr.decode().splitlines()
        assert line.startswith("crownlet: the output cannot be printed")
    else:
        shut = ">&-" if how == "closed" else ">&- 2>&-"
        command = f'exec "$0" -m crownlet.infer.cli inspect "$1" --out "$2" --portion none {shut}'
        ended = subprocess.run(
            ["/bin/sh", "-c", command, sys.executable, str(scans), str(run)],
            capture_output=True, timeout=600,
        )  # fmt: skip
        assert (ended.returncode, ended.stderr) == (0, b"")
    assert set(open_run(run).pages) == {"a", "b"}


def test_a_reader_that_has_gone_is_not_hidden() -> None:
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    with pytest.raises(BrokenPipeError):
        SteadyStream(Gone()).write("x")


def test_names_as_long_as_a_file_system_allows(tmp_path: Path, page: bytes) -> None:
    longest = ("ש" * 125 + "a.png", "x" * 251 + ".png")
    scans = put(tmp_path / "scans", page, *longest)
    assert {len(os.fsencode(name)) for name in longest} == {255}
    assert inspect(scans, tmp_path / "run").returncode == 0
    assert len(open_run(tmp_path / "run").pages) == 2
    sheets = [sys.executable, "-m", "crownlet.infer.cli", "sheet", str(tmp_path / "run")]
    assert subprocess.run(sheets, capture_output=True, timeout=600).returncode == 0
    add = [
        sys.executable, "-m", "crownlet.train.scans_cli", "add", str(tmp_path / "set"),
        "--scans", str(scans / longest[0]), "--split", "train", "--scroll", "a",
        "--provenance", "drawn",
    ]  # fmt: skip
    ended = subprocess.run(add, capture_output=True, timeout=600)
    assert ended.returncode == 0, ended.stderr
    assert len(read_manifest(tmp_path / "set").scans) == 1


@pytest.mark.parametrize("option", ["--portion", "--customs"])
def test_texts_and_customs_whose_names_are_no_text(
    tmp_path: Path, page: bytes, option: str
) -> None:
    path = put(tmp_path / "scans", page, "a.png") / os.fsdecode(b"t\xff.yaml")
    path.write_text("שמע ישראל" if option == "--portion" else "tag_form: zayin", "utf-8")
    ended = inspect(tmp_path / "scans" / "a.png", tmp_path / "run", option, str(path))
    assert ended.returncode == 2
    [line] = ended.stderr.decode().splitlines()
    assert line.startswith("crownlet: ") and "its name is not in UTF-8" in line


def test_patterns_do_not_follow_links_in_circles(
    tmp_path: Path, page: bytes, relative_time: Callable[..., float]
) -> None:
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    put(deep, page, "x.png")
    put(tmp_path / "a", page, "y.png", ".hidden.png")
    for name in ("one", "two", "three"):
        (deep / name).symlink_to(tmp_path / "a")

    def find() -> None:
        for pattern in ("**/*.png", "a/**/*.png", "**/**/**/*.png", "*/**"):
            found = find_pictures([str(tmp_path / pattern)], tmp_path / "run")
            assert {path.name for path in found.paths} == {"x.png", "y.png"}, pattern
            assert found.wrong == []

    # Measured 0.04; three links followed forty deep, where Linux stops, would never end.
    assert relative_time(find) < 4
    found = find_pictures([str(tmp_path / "a" / "[xy].png")], tmp_path / "run")
    assert [path.name for path in found.paths] == ["y.png"]
