"""Commands killed with SIGKILL at random moments, begun again, and looked at each time.

    python tests/hostile/kill_often.py --times 50

prints a line for each command: how often it was killed, in which of them it was still at work, and
what was found wrong. A page that stood before a kill must stand after it, and every page that
stands must be, byte for byte, the one that an undisturbed run writes; what a review has
acknowledged must be there once. What is written beside a run stands in `kill_writers.py`.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / name) for name in ("infer", "review")]
import tiny  # noqa: E402
from kill_review import kill_review  # noqa: E402
from kill_writers import (  # noqa: E402
    WRITERS,
    kill_one_of_two_adds,
    kill_sheet_or_export,
    kill_writer,
)
from killing import Kills, crownlet, end_well, finish, kill_after  # noqa: E402

PAGES = 5


def pages_of(run: Path) -> dict[str, dict[str, bytes]]:
    """The files of every page that stands, by page."""
    folders = [p for p in run.glob("*") if p.is_dir() and not p.name.startswith(".")]
    return {folder.name: tiny.contents(folder) for folder in folders}


def kill_batches(
    name: str, command: Sequence[str], again: Sequence[str], run: Path, good: Path, times: int,
    window: tuple[float, float], rng: random.Random,
) -> Kills:  # fmt: skip
    """Kill a command that fills a folder within `window`, in seconds from its start.

    Where it had come to its end it must have made what `good` holds; then `again` has it write over
    what stands, or it begins from nothing.
    """
    kills, want, whole = Kills(name), pages_of(good), tiny.contents(good)
    now = command
    for number in range(1, times + 1):
        before = set(pages_of(run)) if run.is_dir() else set()
        at_work, left = kill_after(now, rng.uniform(*window))
        kills.killed, kills.at_work = kills.killed + 1, kills.at_work + at_work
        stands = pages_of(run)
        kills.finished += len(stands)
        kills.drafts += len(list(run.glob(".crownlet-*")))
        if left:
            kills.wrong.append(f"kill {number}: processes {left} outlived it")
        if lost := before - set(stands):
            kills.wrong.append(f"kill {number}: lost {sorted(lost)}")
        if odd := [page for page, files in stands.items() if files != want.get(page)]:
            kills.wrong.append(f"kill {number}: not whole {odd}")
        if not at_work or number == times:
            finish(command)
            if tiny.contents(run) != whole:
                kills.wrong.append(f"after kill {number}: not what an undisturbed run makes")
            now = again if now is command else command
            if now is command:
                shutil.rmtree(run)
    return kills


def kill_inspect(
    folder: Path, times: int, workers: int, pages: int = PAGES, seed: int = 0
) -> Kills:
    """`crownlet inspect` on a folder of small pages."""
    scans = folder / "scans"
    tiny.pages(scans, pages)
    good, run = folder / "good", folder / "run"
    options = ("--portion", "mezuzah_reverse", "--workers", workers)
    make = crownlet("inspect", scans, "--out", good, *options)
    slow, quick = finish(make), finish(make)
    window = 0.6 * quick, slow
    command = crownlet("inspect", scans, "--out", run, *options)
    name, rng = f"inspect --workers {workers}", random.Random(seed)
    return kill_batches(name, command, [*command, "--anew"], run, good, times, window, rng)


def kill_survey(folder: Path, times: int, pages: int = PAGES, seed: int = 0) -> Kills:
    """`crownlet survey run` on a manifest of small pages."""
    scans = tiny.pages(folder / "scans", pages)
    rows = [f"scans/{scan.name},s{k},source {k % 2},face" for k, scan in enumerate(scans)]
    manifest = folder / "manifest.csv"
    manifest.write_text("\n".join(("scan,scroll,source,side", *rows)) + "\n")
    good, run = folder / "good", folder / "run"
    make = crownlet("survey", "run", manifest, "--out", good)
    slow, quick = finish(make), finish(make)
    window = 0.6 * quick, slow
    command = crownlet("survey", "run", manifest, "--out", run)
    rng = random.Random(seed)
    return kill_batches("survey run", command, command, run, good, times, window, rng)


def kill_one_of_two(folder: Path, times: int, pages: int = 4, seed: int = 0) -> Kills:
    """Two `crownlet inspect` of different pages into one run at once, one of them killed.

    The other must end well, and with the killed one begun again the run must be that of both, one
    after the other.
    """
    scans = tiny.pages(folder / "scans", pages)
    good, run, rng = folder / "good", folder / "run", random.Random(seed)
    halves = scans[::2], scans[1::2]

    def command(half: Sequence[Path], out: Path) -> list[str]:
        return crownlet("inspect", *half, "--out", out, "--portion", "mezuzah_reverse")

    seconds = sum(finish(command(half, good)) for half in halves)
    kills, whole = Kills("two inspect at once"), tiny.contents(good)
    for number in range(1, times + 1):
        killed, other = rng.sample(halves, 2)
        survivor = subprocess.Popen(
            command(other, run), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        at_work, _ = kill_after(command(killed, run), rng.uniform(0.2, seconds))
        kills.killed, kills.at_work = kills.killed + 1, kills.at_work + at_work
        if errors := end_well(survivor, command(other, run)):
            kills.wrong.append(f"kill {number}: the other ended with {errors}")
        finish(command(killed, run))
        kills.finished += len(pages_of(run))
        if tiny.contents(run) != whole:
            kills.wrong.append(f"kill {number}: not what both make one after the other")
        shutil.rmtree(run)
    return kills


def jobs(times: int, seed: int) -> dict[str, Callable[[Path], Kills]]:
    """What kills each command so often, given a folder to work in."""
    return {
        "inspect": lambda folder: kill_inspect(folder, times, 1, seed=seed),
        "workers": lambda folder: kill_inspect(folder, times, 2, seed=seed),
        "survey": lambda folder: kill_survey(folder, times, seed=seed),
        "review": lambda folder: kill_review(folder, times, seed),
        **{name: partial(_kill_writer, name, times, seed) for name in WRITERS},
        "two": lambda folder: kill_one_of_two(folder, times, seed=seed),
        "two-adds": lambda folder: kill_one_of_two_adds(folder, times, seed),
        "sheet-or-export": lambda folder: kill_sheet_or_export(folder, times, seed),
    }


def _kill_writer(name: str, times: int, seed: int, folder: Path) -> Kills:
    return kill_writer(WRITERS[name](folder), times, seed)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=50, help="of each command (50)")
    parser.add_argument("--seed", type=int, default=0, help="draws the moments (0)")
    parser.add_argument("--only", action="append", choices=jobs(0, 0), help="may be repeated")
    options = parser.parse_args()
    wrong = 0
    for name, job in jobs(options.times, options.seed).items():
        if not options.only or name in options.only:
            with tempfile.TemporaryDirectory() as folder:
                start = time.perf_counter()
                kills = job(Path(folder))
                wrong += len(kills.wrong)
                seconds = round(time.perf_counter() - start)
                print(json.dumps(asdict(kills) | {"seconds": seconds}), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
