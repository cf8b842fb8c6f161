"""`crownlet review` killed while decisions are sent: what it has acknowledged is there, once."""

from __future__ import annotations

import contextlib
import itertools
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from killing import Kills


def kill_review(folder: Path, times: int, seed: int = 0) -> Kills:
    """`crownlet review` while decisions are sent, one at a time and walls of them."""
    import httpx
    import synthetic_runs as made
    from review_server import Server

    kills, rng = Kills("review"), random.Random(seed)
    run = made.run(folder / "run", ["a", "b"], letters=150, doubted=0.4)
    sent: dict[str, int] = {}
    kept: dict[str, int] = {}
    for number in range(1, times + 1):
        server, end = Server(run.folder), time.monotonic() + rng.uniform(0.05, 0.5)
        killer = subprocess.Popen(
            [sys.executable, "-c", "import os, sys, time; time.sleep(float(sys.argv[2])); "
             f"os.kill(int(sys.argv[1]), {int(signal.SIGKILL)})", str(server.process.pid),
             str(max(0.0, end - time.monotonic()))]
        )  # fmt: skip
        items = iter(rng.sample(range(1, 101), 100))
        with (
            httpx.Client(base_url=server.base, timeout=60) as window,
            contextlib.suppress(httpx.TransportError),
        ):
            window.get(server.address, follow_redirects=True)
            window.headers["Origin"] = server.base
            while chosen := list(itertools.islice(items, rng.choice((1, 1, 2, 5)))):
                _decide(window, f"reader {number}", chosen, sent, kept)
        killer.wait(60)
        server.process.wait(60)
        kills.killed, kills.at_work = kills.killed + 1, kills.at_work + 1
        kills.wrong += [f"kill {number}: {text}" for text in _review_faults(run.folder, sent, kept)]
    kills.finished = len(kept)
    return kills


def _decide(
    window: Any, reader: str, items: list[int], sent: dict[str, int], kept: dict[str, int]
) -> None:
    """One decision, or several in one step, each step told by its note."""
    note = f"step {len(sent)}"
    sent[note] = len(items)
    data = {"reader": reader, "items": [[str(k), "0"] for k in items], "choice": "present"}
    answer = window.post("/decide", json=data | {"note": note, "wall": True})
    if not answer.is_success:
        raise AssertionError(answer.text)
    kept[note] = len(items)


def _review_faults(run: Path, sent: dict[str, int], kept: dict[str, int]) -> list[str]:
    """What is wrong with the file of decisions; it is only read."""
    path = run / "review.sqlite3"
    db = sqlite3.connect(path)
    try:
        state = db.execute("PRAGMA integrity_check").fetchone()[0]
        found = dict(db.execute("SELECT note, count(*) FROM decisions GROUP BY note"))
        standing = db.execute("SELECT count(*) FROM standing WHERE decision NOT NULL").fetchone()[0]
    finally:
        db.close()
    wrong = [] if state == "ok" else [f"the file is damaged: {state}"]
    wrong += [
        f"{n} of {kept[k]} kept decisions of {k}" for k in kept if (n := found.get(k)) != kept[k]
    ]
    wrong += [f"{n} decisions of {k} are there" for k, n in found.items() if n != sent.get(k)]
    total = sum(found.values())
    return wrong if standing == total else [*wrong, f"{standing} stand of {total}"]
