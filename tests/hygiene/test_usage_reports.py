"""No library reports to anyone that it is used: nothing in HOME, nothing asked of the network.

ONNX Runtime does by default (Privacy.md of its package). It queues its reports on disk, looks up
its vendor's host and sends them from threads in C, which Python's audit hook does not see: so the
system calls themselves are watched (strace(1), `trace=network`).
"""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import tiny

ROOT = Path(__file__).parents[2]
LOOKS = ("infer", "train", "datasets", "models", "tests")
RUN_SECONDS = 30
"""Reports come late: look-ups of the vendor's host were seen 9, 15 and 23 seconds after the import,
and at the end."""
WORK = """
import sys, time
from crownlet.infer import cli
started, (scans, out, seconds) = time.monotonic(), sys.argv[1:]
for name, workers in (("alone", "1"), ("spread", "2")):
    assert cli.main(["inspect", scans, "--out", f"{out}/{name}", "--workers", workers]) == 0
time.sleep(max(0.0, float(seconds) - (time.monotonic() - started)))
"""
KNOCK = """
import socket
socket.socket(socket.AF_INET, socket.SOCK_DGRAM).connect(("192.0.2.1", 53))
"""
"""A datagram socket sends nothing when it connects; the address is for documentation (RFC 5737)."""


@pytest.fixture(scope="module")
def strace() -> str:
    """The program; skips where it is missing or may not trace, but fails in CI."""
    found = shutil.which("strace")
    tried = found and subprocess.run([found, "-o", os.devnull, "true"], capture_output=True)
    if found and tried and tried.returncode == 0:
        return found
    why = f"strace may not trace here: {tried.stderr!r}" if tried else "strace is not installed"
    if os.environ.get("CI"):
        pytest.fail(why)
    pytest.skip(why)


def internet_calls(strace: str, home: Path, code: str, *arguments: object) -> list[str]:
    """Network calls of the internet families in a run of `code` and its children, in `home`.

    The environment is new: in CI and in unit tests, told by variables, ONNX Runtime is silent.
    """
    log = home.parent / "calls"
    passed = {k: v for k, v in os.environ.items() if k in ("PATH", "PYTHONPATH", "LANG", "TMPDIR")}
    ended = subprocess.run(
        [strace, "-f", "-e", "trace=network", "-o", log, sys.executable, "-c", code,
         *map(str, arguments)],
        capture_output=True, text=True, timeout=1200, cwd=home, env=passed | {"HOME": str(home)},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr[-2000:]
    # Loopback is no exception: a name server may listen there.
    return [line for line in log.read_text("utf-8", "replace").splitlines() if "AF_INET" in line]


def test_a_run_of_half_a_minute_reports_nothing(strace: str, tmp_path: Path) -> None:
    """In one process and in two of its children, which are spawned."""
    home = tmp_path / "home"
    home.mkdir()
    tiny.pages(tmp_path / "scans", 2)
    calls = internet_calls(strace, home, WORK, tmp_path / "scans", tmp_path, RUN_SECONDS)
    written = sorted(str(path.relative_to(home)) for path in home.rglob("*"))
    assert (written, calls) == ([], [])


def test_the_watch_sees_a_socket_that_connects(strace: str, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    calls = internet_calls(strace, home, KNOCK)
    assert any("connect(" in call and "192.0.2.1" in call for call in calls)


def test_onnx_runtime_is_imported_in_one_place_only() -> None:
    """Any other import might come first, before it is made silent; its parts come after it."""
    found = {
        f"{path.relative_to(ROOT).as_posix()}: {name}"
        for folder in LOOKS
        for path in (ROOT / folder).rglob("*.py")
        for name in _imported(ast.parse(path.read_text("utf-8")))
        if name.split(".")[0] == "onnxruntime"
    }
    assert found == {
        "infer/networks.py: onnxruntime",
        "train/export/quantise.py: onnxruntime.quantization",
        "train/export/quantise.py: onnxruntime.quantization.shape_inference",
    }


def _imported(tree: ast.AST) -> list[str]:
    names: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names.append(node.module or "")
    return names
