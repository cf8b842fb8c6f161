"""Thousands of hostile tables through whatever reads them, with limits of memory and time.

    python tests/hostile/fuzz_tables.py --tables 4000

shares them out among the kinds of tables and prints, for each: tables, how many were read and
refused, the slowest, the peak of memory, and every one that ended in a traceback, hung, took too
much memory, or was refused without a clear sentence with the name of its file. `--only KIND
--first NUMBER --tables 1` makes one of them again.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from functools import cache, partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from counting import count_cases, measured, time_limit
from table_kinds import KINDS, Kind
from table_mutants import mutant

MAX_SENTENCE = 1_500
"""Characters of a refusal; a manifest may name many lines."""


SHARES = {name: 3 if name == "run" else 1 for name in KINDS}
"""A run has most tables."""


def fault_of(refusal: str, kind: Kind, folder: Path) -> str:
    """What is wrong with a refusal; "" for a clear one."""
    if not refusal:
        return ""
    lines = refusal.splitlines()
    named = str(folder) in lines[0]
    if not named or len(lines) > kind.lines or any(len(line) > MAX_SENTENCE for line in lines):
        return f"unclear: {refusal[:250]}"
    return ""


def worker(name: str, first: int, count: int) -> None:
    """Read tables in this process, one line of JSON each."""
    kind = KINDS[name]
    with tempfile.TemporaryDirectory() as made:
        good, folder = Path(made) / "good", Path(made) / "now"
        good.mkdir()
        files = [path.relative_to(good) for path in kind.whole(good)]
        for number in range(first, first + count):
            shutil.copytree(good, folder)
            path = folder / files[number % len(files)]
            path.write_bytes(mutant(name, path.read_bytes(), number, path.name))
            row = measured(number, partial(one, kind, folder, path, number))
            print(json.dumps(row | {"file": path.name}), flush=True)
            shutil.rmtree(folder)


def one(kind: Kind, folder: Path, path: Path, number: int) -> str:
    """What becomes of a table: `read`, `refused`, or what is wrong with that."""
    try:
        with time_limit():
            refusal = kind.read(folder, path, number)
        return fault_of(refusal, kind, folder) or ("refused" if refusal else "read")
    except TimeoutError:
        return "slow"
    except BaseException as error:
        import traceback

        place = traceback.extract_tb(error.__traceback__)[-1]
        return f"crashed: {error!r:.300} at {Path(place.filename).name}:{place.lineno}"


@cache
def shared_out(tables: int) -> dict[str, int]:
    """Tables of each kind, of so many of all kinds."""
    each = -(-tables // sum(SHARES.values()))
    return {name: each * share for name, share in SHARES.items()}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tables", type=int, default=4000, help="of all kinds together")
    parser.add_argument("--only", choices=KINDS, help="all of them of one kind")
    parser.add_argument("--first", type=int, default=0, help="number of the first of each kind")
    parser.add_argument("--worker", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        name, first, count = options.worker
        worker(name, int(first), int(count))
        return 0
    counts = {options.only: options.tables} if options.only else shared_out(options.tables)
    wrong = 0
    for name, count in counts.items():
        figures = count_cases(Path(__file__), name, count, options.first)
        wrong += len(figures["bad"])
        print(json.dumps(figures, ensure_ascii=False), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
