"""Nothing asks the network at run time: inspecting, sheets, rendering, the demo, a survey.

Python tells every connection, look-up of a name and request to an audit hook before it is made
("Audit events table" of Python's library reference). Where the system lets us, the same runs in a
network namespace without any network (unshare(1)), which holds for libraries in C too.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import tiny
from network_watch import WATCH, isolated

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


@pytest.mark.parametrize("code", [WORK, DEMO, RENDER], ids=["inspect", "demo", "render"])
def test_no_network_is_asked(tmp_path: Path, code: str) -> None:
    tiny.pages(tmp_path / "scans", 1)
    command = [*isolated(), sys.executable, "-c", WATCH + code, tmp_path / "scans", tmp_path]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=600)
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
