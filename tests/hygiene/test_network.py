"""Nothing asks the network at run time: inspecting, sheets, rendering, the demo, a survey.

Python tells every connection, look-up of a name and request to an audit hook before it is made
("Audit events table" of Python's library reference). Where the system lets us, the same runs in a
network namespace without any network (unshare(1)), which holds for libraries in C too.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import tiny

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
from crownlet.infer import cli
from crownlet.train.scans_cli import main as scans
page, out = Path(sys.argv[1]), Path(sys.argv[2])
face = next(page.iterdir())
assert cli.main(["inspect", str(page), "--out", str(out / "run")]) == 0
assert cli.main(["sheet", str(out / "run")]) == 0
assert cli.main(["drift", str(out / "run")]) in (0, 2)
manifest = out / "manifest.csv"
rows = f"{face},a,one,face\\n"
manifest.write_text("scan,scroll,source,side\\n" + rows)
assert cli.main(["survey", "run", str(manifest), "--out", str(out / "survey")]) == 0
assert cli.main(["survey", "compare", str(out / "survey")]) in (0, 2)
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import open_run
ReviewStore.open(out / "run" / "review.sqlite3", open_run(out / "run")).close()
assert cli.main(["review", str(out / "run"), "--export"]) == 0
folder = str(out / "set")
added = ["--scans", str(page), "--split", "train", "--scroll", "a", "--provenance", "drawn"]
for wanted in (["add", folder, *added], ["check", folder], ["datasheet", folder],
               ["label", folder], ["choose", str(out / "run")]):
    try:
        scans(wanted)
    except SystemExit as end:
        assert end.code in (0, 1), (wanted, end.code)
"""


def test_every_command_asks_no_network_and_writes_only_into_its_folder(tmp_path: Path) -> None:
    """Home, current folder and temporary folder are those of the test, and stay empty."""
    tiny.pages(tmp_path / "scans", 1)
    (tmp_path / "out").mkdir()
    places = {name: tmp_path / name for name in ("home", "here", "temp")}
    for place in places.values():
        place.mkdir()
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "MPL", "HOME", "TMP"))}
    kept["PYTHONPATH"] = os.pathsep.join(
        map(os.path.abspath, kept.get("PYTHONPATH", ".").split(":"))
    )
    ended = subprocess.run(
        [*isolated(), sys.executable, "-c", WATCH + EVERY, tmp_path / "scans", tmp_path / "out"],
        capture_output=True, text=True, timeout=300, cwd=places["here"],
        env={**kept, "HOME": str(places["home"]), "TMPDIR": str(places["temp"]),
             "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr[-2000:]
    assert "NETWORK" not in ended.stderr
    left = {name: sorted(map(str, place.rglob("*"))) for name, place in places.items()}
    assert left == {name: [] for name in places}
