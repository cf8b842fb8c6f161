"""The golden run: pages, inspection, sheets, a review and a survey, by the program's commands.

    python tests/golden/make.py OUT            makes it in OUT and compares it with sums.json
    python tests/golden/make.py OUT --write    makes it in OUT and renews sums.json

OUT must be empty or absent. Exit code 1 where the run differs from the held sums.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from pathlib import Path

from golden_commands import Commands
from golden_pages import make_pages
from golden_review import answer_audit, review
from golden_sums import Sums, differences, in_any_order, other_versions, read, sums, write

HELD = Path(__file__).with_name("sums.json")
FAULTS = "tag_missing,leg_touches_roof,part_loose"


def make(out: Path, workers: int = 1) -> Sums:
    """Make the run in an empty folder `out`; returns its sums.

    ValueError where the folder holds anything already. `workers` is the number of processes of the
    inspection, on which nothing may depend.
    """
    out.mkdir(parents=True, exist_ok=True)
    out = out.resolve()
    if next(out.iterdir(), None) is not None:
        raise ValueError(f"{out} is not empty")
    commands = Commands(out)
    make_pages(commands)
    _inspect(commands, workers)
    _sheets_and_review(commands)
    _survey(commands)
    return sums(out, commands.outputs)


def _inspect(commands: Commands, workers: int) -> None:
    """All pages into one run: two scrolls by a table, a text file, the rest by their own words."""

    def inspect(*arguments: str) -> None:
        spread = ("--workers", str(workers)) if workers > 1 else ()
        commands.run("crownlet", "inspect", *arguments, *spread)

    sides = [f"scans/{name}.png" for name in ("a1-face", "a1-reverse", "b1-face", "b1-reverse")]
    rest = [f"scans/{name}" for name in ("photo.jpg", "low.png", "turned.png", "exodus.png")]
    whole = ("--out", "run", "--customs", "beit_yosef")
    inspect(*sides, *whole, "--portion", "mezuzah", "--scrolls", "scrolls.csv")
    inspect("scans/own.png", *whole, "--portion", "own.txt")
    inspect(*rest, "scans/blank.png", "scans/absent.png", *whole)
    # Pages that are there already are kept.
    inspect(*rest, *whole)
    # Other customs and no text.
    inspect("scans/exodus.png", "--out", "run-untold", "--portion", "none", "--customs", "arizal")
    # Wrong usage.
    inspect("scans/own.png", "--out", "run-wrong", "--portion", "no such text")
    commands.run("crownlet", "drift", "run")


def _sheets_and_review(commands: Commands) -> None:
    """Sheets before and after two readers' decisions, and what goes out of the review."""
    out = commands.out
    commands.run("crownlet", "review", "run", "--export")
    commands.run("crownlet", "sheet", "run")
    shutil.copytree(out / "run", out / "run-before-review")
    review(commands, "run", "answers/review")
    commands.run("crownlet", "review", "run", "--export")
    commands.run("crownlet", "sheet", "run")
    shutil.copytree(out / "run/sheets", out / "sheets-after-review")
    commands.run("crownlet", "sheet", "run", "--show-names", "--scroll", "B1")


def _survey(commands: Commands) -> None:
    """A survey of two sources from plan to report, compared before and after its audit is read."""
    out = commands.out
    commands.run("crownlet", "survey", "plan", "--rate", "0.05", "--difference", "0.05")
    commands.run(
        "crownlet", "survey", "run", "survey.csv", "--out", "survey", "--audit", "6", "--seed", "3",
        "--defects", FAULTS,
    )  # fmt: skip
    commands.run("crownlet", "survey", "compare", "survey")
    shutil.copytree(out / "survey/report", out / "report-before-audit")
    answer_audit(commands, "survey", "answers/audit")
    commands.run("crownlet", "review", "survey", "--export")
    commands.run("crownlet", "survey", "compare", "survey", "--names")


def main() -> int:
    """Make the run, and compare it or renew the sums; returns the exit code."""
    parser = argparse.ArgumentParser(description="Make the golden run.")
    parser.add_argument("out", type=Path, metavar="OUT", help="an empty folder")
    parser.add_argument("--write", action="store_true", help="renew sums.json")
    parser.add_argument("--sums", type=Path, default=HELD, metavar="FILE", help="other sums")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="of the inspection")
    options = parser.parse_args()
    start = time.perf_counter()
    try:
        made = make(options.out, options.workers)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{len(made['commands'])} commands, {len(made['files'])} files held, "
          f"{time.perf_counter() - start:.0f} s")  # fmt: skip
    if options.write:
        write(options.sums, made)
        return 0
    held = read(options.sums)
    if options.workers > 1:
        held, made = in_any_order(held), in_any_order(made)
    found = differences(held, made)
    print(*(found or ["The same as the held sums."]), sep="\n")
    if found and (others := other_versions(held, made)):
        print("Made with other programs or on another processor:", *others, sep="\n")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
