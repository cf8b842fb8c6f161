"""Decisions from two windows of one reader on one queue, as fast as they go.

    python tests/hostile/two_windows.py --decisions 5000

prints how many decisions were sent, kept and refused as stale, the slowest answer, and what was
found wrong: a decision that was acknowledged must be in the file once, one that was refused not at
all, and every answer is one of the two.
"""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
import sys
import tempfile
import threading
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / name) for name in ("infer", "review")]

MAX_SECONDS = 60
"""Of the clock: a machine that others keep busy answers late, one that waits for ever never."""
ITEMS = 60
"""Letters about which both windows decide, so that they meet again and again."""


@dataclass
class Tally:
    """What came of the decisions of all windows."""

    sent: int = 0
    kept: int = 0
    stale: int = 0
    slowest_s: float = 0.0
    wrong: list[str] = field(default_factory=list)


def decide_from_two_windows(folder: Path, decisions: int, seed: int = 0) -> Tally:
    """Send so many decisions, half of them from each window; the server runs in its own process."""
    import synthetic_runs as made
    from review_server import Server

    run, tally = made.run(folder / "run", ["a", "b"], letters=150, doubted=0.4), Tally()
    server, kept = Server(run.folder), set[str]()
    try:
        windows = [
            threading.Thread(target=_window, args=(server, f"{seed} {k}", decisions // 2, tally,
                                                   kept))
            for k in range(2)
        ]  # fmt: skip
        for window in windows:
            window.start()
        for window in windows:
            window.join()
    finally:
        server.process.kill()
        server.process.wait(60)
    _compare(run.folder / "review.sqlite3", kept, tally)
    return tally


def _window(server: object, name: str, count: int, tally: Tally, kept: set[str]) -> None:
    """One window: it knows the versions that its own answers showed it, and guesses the rest."""
    import httpx

    rng, versions = random.Random(name), [0] * (ITEMS + 1)
    with httpx.Client(base_url=server.base, timeout=60) as window:  # type: ignore[attr-defined]
        window.get(server.address, follow_redirects=True)  # type: ignore[attr-defined]
        window.headers["Origin"] = server.base  # type: ignore[attr-defined]
        for number in range(count):
            item, note = rng.randint(1, ITEMS), f"{name} {number}"
            choice = rng.choice(("present", "not_present", "cannot_tell"))
            start = time.perf_counter()
            answer = window.post("/decide", json={
                "reader": "anna", "items": [[str(item), str(versions[item])]], "choice": choice,
                "note": note, "wall": True,
            })  # fmt: skip
            seconds = time.perf_counter() - start
            versions[item] += 1
            with _LOCK:
                tally.sent += 1
                tally.slowest_s = max(tally.slowest_s, round(seconds, 3))
                if answer.status_code == 409:
                    tally.stale += 1
                elif answer.is_success:
                    tally.kept += 1
                    kept.add(note)
                else:
                    tally.wrong.append(f"{note}: {answer.status_code} {answer.text[:200]}")


_LOCK = threading.Lock()


def _compare(path: Path, kept: set[str], tally: Tally) -> None:
    """The file of decisions against what was acknowledged."""
    db = sqlite3.connect(path)
    try:
        if (state := db.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
            tally.wrong.append(f"the file is damaged: {state}")
        found = dict(db.execute("SELECT note, count(*) FROM decisions GROUP BY note"))
    finally:
        db.close()
    tally.wrong += [f"{note} was kept and is not there" for note in sorted(kept - set(found))]
    tally.wrong += [f"{note} was refused and is there" for note in sorted(set(found) - kept)]
    tally.wrong += [f"{note} is there {n} times" for note, n in found.items() if n != 1]
    if tally.slowest_s > MAX_SECONDS:
        tally.wrong.append(f"an answer took {tally.slowest_s} s")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--decisions", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = decide_from_two_windows(Path(folder), options.decisions, options.seed)
    print(json.dumps(asdict(tally)))
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
