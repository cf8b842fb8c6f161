"""`python -m crownlet.train.bench.pairs`: two ways to read one page, turn by turn.

    python -m crownlet.train.bench.pairs --against tesseract
    python -m crownlet.train.bench.pairs --against ../before/.types --model NEW --other-model OLD

On a busy machine a run of the one and then one of the other say more about the machine than about
either. Here the two alternate, who is first changes from pair to pair, and what counts is the
median over the pairs of the ratio of their processor times; waiting does not count as such.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

from crownlet.datasets.scribal.texts import PORTIONS
from crownlet.train.bench import turns
from crownlet.train.bench.baseline import start_tesseract
from crownlet.train.bench.measure import write_type_page

TESSERACT = "tesseract"


@dataclass(frozen=True)
class Turn:
    """One page by one of the two."""

    cpu_s: float
    seconds: float | None = None
    stages_s: dict[str, float] = field(default_factory=dict)


class InspectorProcess:
    """An inspector in a process of its own; `code` is a folder with the package `crownlet`."""

    def __init__(self, page: Path, portion: str, model: str | None, code: Path | None) -> None:
        environment = dict(os.environ)
        if code is not None:
            environment["PYTHONPATH"] = str(code.resolve())
        request = {"page": str(page), "portion": portion, "model": model}
        self._process = subprocess.Popen(
            [sys.executable, turns.__file__, json.dumps(request)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        self._ask(None)

    def __call__(self) -> Turn:
        """One turn. RuntimeError where the process has ended."""
        facts: dict[str, Any] = json.loads(self._ask("page"))
        return Turn(facts["cpu_s"], facts["seconds"], facts["stages_s"])

    def close(self) -> None:
        """End the process."""
        self._process.communicate()

    def _ask(self, line: str | None) -> str:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if line is not None:
            self._process.stdin.write(f"{line}\n")
            self._process.stdin.flush()
        answer = self._process.stdout.readline()
        if not answer:
            raise RuntimeError("an inspector could not be started or has ended.")
        return answer


def tesseract_turn(page: Path) -> Turn:
    """Tesseract on the page, in one thread: its threads wait in loops, which takes more."""
    process = start_tesseract(page, threads=1)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError("Tesseract could not read the page.")
    return Turn(used.ru_utime + used.ru_stime)


def alternate(
    one: Callable[[], Turn], other: Callable[[], Turn], pairs: int
) -> list[tuple[Turn, Turn]]:
    """`pairs` turns of each; who is first changes each time."""
    done = []
    for k in range(pairs):
        if k % 2:
            second = other()
            done.append((one(), second))
        else:
            done.append((one(), other()))
    return done


def compare(done: Sequence[tuple[Turn, Turn]]) -> dict[str, Any]:
    """Medians over the pairs; `ratio` is the other's processor time by ours, with its quartiles."""
    ratios = sorted(b.cpu_s / a.cpu_s for a, b in done)
    quarter = (len(ratios) - 1) // 4
    stages = {
        name: tuple(
            median(t.stages_s[name] for t in side) if name in side[0].stages_s else None
            for side in zip(*done, strict=True)
        )
        for name in done[0][0].stages_s
    }
    return {
        "pairs": len(done),
        "cpu_s": (median(a.cpu_s for a, _ in done), median(b.cpu_s for _, b in done)),
        "ratio": median(ratios),
        "ratio_quartiles": (ratios[quarter], ratios[-1 - quarter]),
        "stages_s": stages,
    }


def table(facts: dict[str, Any]) -> str:
    """Plain text: processor seconds of both, by stage."""
    rows = [("processor time of", "ours", "the other"), ("page, s", *facts["cpu_s"])]
    rows += [(f"  {name}", *pair) for name, pair in facts["stages_s"].items()]
    lines = [f"{name:<20}{_cell(a)}{_cell(b)}" for name, a, b in rows]
    low, high = facts["ratio_quartiles"]
    lines.append(
        f"the other's by ours: {facts['ratio']:.2f} (median of {facts['pairs']} pairs, half of "
        f"them between {low:.2f} and {high:.2f})"
    )
    return "\n".join(lines)


def _cell(value: float | str | None) -> str:
    return f"{value:>12.3f}" if isinstance(value, float) else f"{value or '':>12}"


def main(arguments: list[str] | None = None) -> int:
    """Measure and print; returns the exit code."""
    options = _options().parse_args(arguments)
    try:
        with tempfile.TemporaryDirectory() as folder:
            page = options.page or write_type_page(Path(folder))
            facts = _measure(options, page)
    except (OSError, ModuleNotFoundError, RuntimeError) as error:
        print(f"bench: {error}", file=sys.stderr)
        return 1
    print(table(facts))
    if options.json:
        options.json.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    return 0


def _measure(options: argparse.Namespace, page: Path) -> dict[str, Any]:
    ours = InspectorProcess(page, options.portion, options.model, None)
    try:
        if options.against == TESSERACT:
            return compare(alternate(ours, lambda: tesseract_turn(page), options.pairs))
        code = Path(options.against) if options.against else None
        theirs = InspectorProcess(page, options.portion, options.other_model, code)
        try:
            return compare(alternate(ours, theirs, options.pairs))
        finally:
            theirs.close()
    finally:
        ours.close()


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m crownlet.train.bench.pairs")
    parser.add_argument(
        "page", nargs="?", type=Path,
        help="picture of a portion; without it a mezuzah of 10 megapixels is set in type",
    )  # fmt: skip
    parser.add_argument("--portion", default="mezuzah", choices=PORTIONS, help="what it shows")
    parser.add_argument("--model", metavar="DIR", help="our networks, if not the shipped ones")
    parser.add_argument(
        "--against", metavar="WHAT",
        help="tesseract, or a folder that holds another checkout as the package crownlet; without "
        "it this code with other networks",
    )  # fmt: skip
    parser.add_argument("--other-model", metavar="DIR", help="networks of the other")
    parser.add_argument("--pairs", type=int, default=8, help="turns of each (8)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures here as well")
    return parser


if __name__ == "__main__":
    sys.exit(main())
