"""Commands killed with SIGKILL at random moments, begun again, and looked at each time.

    python tests/hostile/kill_often.py --times 50

prints a line for each command: how often it was killed, in which of them it was still at work, and
what was found wrong. A page that stood before a kill must stand after it, and every page that
stands must be, byte for byte, the one that an undisturbed run writes; what a review has
acknowledged must be there once.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / name) for name in ("infer", "review")]
import tiny  # noqa: E402
from kill_review import Kills, kill_review  # noqa: E402

PAGES = 5


def crownlet(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "crownlet.infer.cli", *map(str, arguments)]


def finish(command: Sequence[str]) -> float:
    """Run undisturbed to the end; returns the seconds that took."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return time.perf_counter() - start


def descendants(process: int) -> list[int]:
    """Processes begun by a process, and by those (`/proc/PID/task/PID/children`, proc(5))."""
    try:
        text = Path(f"/proc/{process}/task/{process}/children").read_text()
    except OSError:
        return []
    children = [int(word) for word in text.split()]
    return children + [far for child in children for far in descendants(child)]


def alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def kill_after(command: Sequence[str], seconds: float) -> tuple[bool, list[int]]:
    """Whether the command was still at work when it was killed, and which of its own outlived it.

    Only the command itself is killed: its processes have to notice by themselves, within 5 s.
    """
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(seconds)
    at_work, children = process.poll() is None, descendants(process.pid)
    process.kill()
    process.wait(10)
    end = time.monotonic() + 5
    while time.monotonic() < end and any(map(alive, children)):
        time.sleep(0.02)
    return at_work, [child for child in children if alive(child)]


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
        errors = survivor.communicate(timeout=60)[1]
        if survivor.returncode:
            kills.wrong.append(f"kill {number}: the other ended with {errors}")
        finish(command(killed, run))
        kills.finished += len(pages_of(run))
        if tiny.contents(run) != whole:
            kills.wrong.append(f"kill {number}: not what both make one after the other")
        shutil.rmtree(run)
    return kills


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--only", choices=("inspect", "workers", "survey", "two", "review"))
    options = parser.parse_args()
    jobs = {
        "inspect": lambda folder: kill_inspect(folder, options.times, 1),
        "workers": lambda folder: kill_inspect(folder, options.times, 2),
        "survey": lambda folder: kill_survey(folder, options.times),
        "two": lambda folder: kill_one_of_two(folder, options.times),
        "review": lambda folder: kill_review(folder, options.times),
    }
    wrong = 0
    for name, job in jobs.items():
        if options.only in (None, name):
            with tempfile.TemporaryDirectory() as folder:
                start = time.perf_counter()
                kills = job(Path(folder))
                wrong += len(kills.wrong)
                seconds = round(time.perf_counter() - start)
                print(json.dumps(asdict(kills) | {"seconds": seconds}), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
