"""The command line: exit codes, one sentence a bad page, others unharmed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import blocks
import numpy as np
import pytest
from PIL import Image

from crownlet.infer import cli
from crownlet.infer import inspector as inspector_module
from crownlet.infer.batch import inputs as naming
from crownlet.infer.view.wording import describe_failures


@pytest.fixture(autouse=True)
def reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """Block letters are read in the networks' place; a named model folder is still looked for."""
    real = inspector_module.OnnxNetworks

    def sessions(folder: Path) -> object:
        return (
            blocks.BlockNetworks() if folder == inspector_module.weights_folder() else real(folder)
        )

    monkeypatch.setattr(inspector_module, "OnnxNetworks", sessions)


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    image, _ = blocks.page(["שמע ישראל"] * 4, 12.0)
    Image.fromarray(image).save(tmp_path / "scan.png")
    return tmp_path / "scan.png"


def test_good_pages_end_with_0(scan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = scan.parent / "run"
    assert cli.main(["inspect", str(scan), "--out", str(run)]) == 0
    tables = {"gaps.csv", "glyphs.csv", "page.json", "predictions.coco.json", "findings.csv"}
    assert tables <= {p.name for p in (run / "scan").iterdir()}
    assert not list(run.rglob(".*"))
    out = capsys.readouterr()
    assert "[1/1]" in out.out
    assert "32 letters" in out.out
    assert out.err == ""


def test_bad_pages_are_named_and_the_others_are_whole(
    scan: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = scan.parent
    (folder / "empty.png").write_bytes(b"")
    (folder / "cut.png").write_bytes(scan.read_bytes()[:500])
    (folder / "note.jpg").write_text("no picture")
    Image.fromarray(np.full((400, 300), 240, np.uint8)).save(folder / "blank.png")
    names = ["empty.png", "cut.png", "scan.png", "note.jpg", "blank.png", "gone.png"]
    run = folder / "run"
    assert cli.main(["inspect", *(str(folder / n) for n in names), "--out", str(run)]) == 1
    assert sorted(p.name for p in run.iterdir()) == ["scan", "scrolls.json"]
    lines = capsys.readouterr().err.splitlines()
    causes = ["empty", "cut off", "not a PNG", "blank", "no such file"]
    bad = [n for n in names if n != "scan.png"]
    for line, name, cause in zip(lines[:-1], bad, causes, strict=True):
        assert line.startswith(f"crownlet: {folder / name}: ")
        assert cause in line
    assert "5 of 6 pages could not be inspected; the others are in" in lines[-1]


@pytest.mark.parametrize(
    ("options", "cause"),
    [
        (["--portion", "genesis"], "genesis"),
        (["--customs", "nowhere.yaml"], "nowhere.yaml"),
        (["--model", "no-such-folder"], "no such model folder"),
    ],
)
def test_wrong_usage_ends_with_2(
    scan: Path, options: list[str], cause: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run = scan.parent / "run"
    assert cli.main(["inspect", str(scan), "--out", str(run), *options]) == 2
    err = capsys.readouterr().err
    assert cause in err
    assert err.count("\n") == 1
    assert not run.exists()


def test_out_that_is_a_file_and_no_arguments(scan: Path) -> None:
    assert cli.main(["inspect", str(scan), "--out", str(scan)]) == 2
    for arguments in ([], ["inspect"], ["inspect", str(scan)], ["weigh"]):
        with pytest.raises(SystemExit) as caught:
            cli.main(arguments)
        assert caught.value.code == 2


def test_pages_of_one_name_get_folders_of_their_own(scan: Path) -> None:
    other = scan.parent / "two"
    other.mkdir()
    for name in ("scan.png", "SCAN.tif"):
        Image.open(scan).save(other / name)
    pages = [scan, other / "scan.png", other / "SCAN.tif"]
    run = scan.parent / "run"
    # One named twice is one page.
    assert cli.main(["inspect", *map(str, pages), str(scan), "--out", str(run)]) == 0
    names = naming.page_names(pages)
    assert {p.name for p in run.iterdir() if p.is_dir()} == set(names)
    assert names[0] == "scan"
    assert len({n.casefold() for n in names}) == 3
    assert naming.page_names(pages[::-1]) == names[::-1]


def test_a_folder_that_cannot_be_written(scan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = scan.parent / "blocked"
    run.write_text("in the way")
    assert cli.main(["inspect", str(scan), "--out", str(run / "below")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_a_reader_of_the_output_who_goes_away_is_no_fault() -> None:
    wanted = [sys.executable, "-m", "crownlet.infer.cli", "survey", "plan", "--rate", "0.05"]
    command = [*wanted, "--difference", "0.05", "--letters", "200"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == cli.STOPPED


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    with pytest.raises(SystemExit) as caught:
        cli.main(["--version"])
    assert caught.value.code == 0
    assert capsys.readouterr().out == f"crownlet {version('crownlet')}\n"


@pytest.mark.parametrize(
    ("failed", "total", "words"),
    [
        (1, 1, "the page could not be inspected"),
        (6, 6, "none of the 6 pages could be inspected"),
        (1, 6, "1 of 6 pages could not be inspected"),
    ],
)
def test_failures_are_stated_as_a_person_would(failed: int, total: int, words: str) -> None:
    # The wording is this project's own; no outside source.
    assert describe_failures(failed, total, "page") == words


@pytest.mark.skipif(sys.platform != "linux", reason="threads are listed by the kernel")
def test_linear_algebra_runs_in_one_thread() -> None:
    """Threads of a process as proc(5) lists them; a user's own number of threads stands."""
    code = (
        "import contextlib, os, sys\n"
        "from crownlet.infer.cli import main\n"
        "with contextlib.suppress(SystemExit):\n"
        "    main(['--version'])\n"
        "assert 'numpy' not in sys.modules\n"
        "import numpy\n"
        "print(len(os.listdir('/proc/self/task')), os.environ.get('OPENBLAS_NUM_THREADS'))"
    )

    def run(**settings: str) -> list[str]:
        names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
        environment = {k: v for k, v in os.environ.items() if k not in names} | settings
        command = [sys.executable, "-c", code]
        return subprocess.run(
            command, env=environment, capture_output=True, text=True, check=True
        ).stdout.split()

    assert run()[-2:] == ["1", "1"]
    assert run(OPENBLAS_NUM_THREADS="2")[-1] == "2"
    assert run(OMP_NUM_THREADS="2")[-1] == "None"
