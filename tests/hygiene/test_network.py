"""Nothing asks the network at run time: inspecting, sheets, rendering, the demo, a survey.

Python tells every connection, look-up of a name and request to an audit hook before it is made
("Audit events table" of Python's library reference). Where the system lets us, the same runs in a
network namespace without any network (unshare(1)), which holds for libraries in C too.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import every_command
import pytest
import tiny

from crownlet.infer import cli
from crownlet.train import scans_cli

ROOT = Path(__file__).resolve().parents[2]

WATCH = """
import sys
EVENTS = ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto",
          "socket.bind", "urllib.Request", "http.client.connect", "ftplib.connect")
def hook(event, arguments):
    if event in EVENTS and "AF_UNIX" not in repr(arguments[:1]):
        sys.stderr.write(f"NETWORK {event} {arguments!r}\\n")
        raise PermissionError(f"no network: {event}")
sys.addaudithook(hook)
"""
TORCH_FOLDER = "torchinductor_"
"""First characters of a folder that torch makes for temporary files whenever it is loaded."""
SERVING = WATCH.replace(
    "    if event in EVENTS", "    if event == 'socket.bind' and arguments[1][0] == '127.0.0.1':\n"
    "        return\n    if event in EVENTS",
)  # fmt: skip
"""The same where pages are served to this machine alone."""
WORK = """
import sys
from pathlib import Path
from crownlet.infer import cli
scans, out = Path(sys.argv[1]), Path(sys.argv[2])
assert cli.main(["inspect", str(scans), "--out", str(out / "run")]) == 0
assert cli.main(["sheet", str(out / "run")]) == 0
assert cli.main(["survey", "plan", "--rate", "0.05", "--difference", "0.05"]) == 0
"""
DEMO = """
import sys
from pathlib import Path
from crownlet.infer.demo import run
few = [sheet for sheet in run.list_sample_sheets() if sheet.side == "reverse"][:1]
run.list_sample_sheets = lambda: few
run.run_demo(Path(sys.argv[2]) / "demo")
"""
RENDER = """
import numpy as np
from crownlet.datasets.render.page import camera
page = np.full((40, 40), 200, np.uint8)
camera.defocus(page, 2, np.random.default_rng(0))
camera.blur_by_motion(page, 5.0, np.random.default_rng(0))
"""


def isolated() -> list[str]:
    """How to begin a command without a network, where that is possible."""
    if shutil.which("unshare") is None:
        return []
    tried = subprocess.run(["unshare", "-rn", "true"], capture_output=True)
    return ["unshare", "-rn"] if tried.returncode == 0 else []


@pytest.mark.parametrize("code", [WORK, DEMO, RENDER], ids=["inspect", "demo", "render"])
def test_no_network_is_asked(tmp_path: Path, code: str) -> None:
    tiny.pages(tmp_path / "scans", 1)
    command = [*isolated(), sys.executable, "-c", WATCH + code, tmp_path / "scans", tmp_path]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert ended.returncode == 0, ended.stderr[-2000:]
    assert "NETWORK" not in ended.stderr


def test_the_watch_sees_what_it_is_to_see() -> None:
    for code in (
        "import urllib.request; urllib.request.urlopen('http://127.0.0.1:9/')",
        "import socket; socket.create_connection(('127.0.0.1', 9))",
        "import socket; socket.getaddrinfo('localhost', 9)",
    ):
        ended = subprocess.run([sys.executable, "-c", WATCH + code], capture_output=True, text=True)
        assert ended.returncode != 0
        assert "NETWORK" in ended.stderr


EVERY = """
import sys
from pathlib import Path
sys.path[:0] = sys.argv[3:4]
import every_command
every_command.main(Path(sys.argv[1]), Path(sys.argv[2]))
"""


def actions(parser: argparse.ArgumentParser, name: str) -> Iterator[str]:
    """The names of all commands that a parser knows, each with those before it."""
    found = [action for action in parser._actions if hasattr(action, "_name_parser_map")]
    if not found:
        yield name
    for action in found:
        for word, inner in action._name_parser_map.items():
            yield from actions(inner, f"{name} {word}")


def test_every_command_there_is_is_run_below() -> None:
    """The commands by the programs' own parsers, the jobs by their configurations."""
    programs = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["scripts"]
    jobs = {path.stem for path in (ROOT / "configs" / "job").glob("*.yaml")}
    known = {
        "crownlet": set(actions(cli._parser(), "crownlet")),
        "crownlet-scans": set(actions(scans_cli.build_parser(), "crownlet-scans")),
        "crownlet-render": {"crownlet-render"},
        "crownlet-train": {f"crownlet-train job={name}" for name in jobs},
    }
    assert set(programs) == set(known)
    long = {f"crownlet-train job={name}" for name in every_command.LONG_JOBS}
    assert set(every_command.COVERED) | long >= set().union(*known.values())
    assert not long & set(every_command.COVERED)
    for where in every_command.LONG_JOBS.values():
        assert (ROOT / where.split("; ")[1]).is_file()


def test_every_command_asks_no_network_and_writes_only_into_its_folder(tmp_path: Path) -> None:
    """Home, current folder and temporary folder are those of the test, and stay empty."""
    tiny.pages(tmp_path / "scans", 2)
    (tmp_path / "out").mkdir()
    places = {name: tmp_path / name for name in ("home", "here", "temp")}
    for place in places.values():
        place.mkdir()
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "MPL", "HOME", "TMP"))}
    kept["PYTHONPATH"] = os.pathsep.join(
        map(os.path.abspath, kept.get("PYTHONPATH", ".").split(":"))
    )
    ended = subprocess.run(
        [*isolated(), sys.executable, "-c", SERVING + EVERY, tmp_path / "scans", tmp_path / "out",
         Path(__file__).parent],
        capture_output=True, text=True, timeout=600, cwd=places["here"],
        env={**kept, "HOME": str(places["home"]), "TMPDIR": str(places["temp"]),
             "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr[-2000:]
    assert "NETWORK" not in ended.stderr
    left = {
        name: [path for path in place.rglob("*") if not path.name.startswith(TORCH_FOLDER)]
        for name, place in places.items()
    }
    assert left == {name: [] for name in places}
