"""`python -m crownlet.train.bench`: a table of times, memory and shares, and the same as JSON."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.scribal.texts import PORTIONS
from crownlet.train.bench.measure import BenchPlan, run_bench, write_type_page


def table(facts: dict[str, Any]) -> str:
    """Plain text, one figure per line."""
    return "\n".join(f"{name:<34}{figure}" for name, figure in _rows(facts))


def _rows(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    machine, page = facts["machine"], facts["page"]
    load = machine["load_before"]
    yield "processor", f"{machine['processor']}, {machine['threads']} threads"
    yield "load before the run", "unknown" if load is None else f"{load:.2f}"
    numbers = "integers" if machine["integers"] else "floats"
    yield f"convolution peak in {numbers}, G/s", f"{machine['peak_gigaflop_a_second']:.0f}"
    yield "page", f"{page['megapixels']:.1f} megapixels, {page['letters']} letters"
    cold, warm = facts["cold"], facts["warm"]
    yield "networks ready, s", f"{cold['ready_s'] + cold['python_s']:.2f}"
    yield "first page, s", f"{cold['page_s']:.2f}"
    yield "warm page, s", f"{warm['page_s']:.3f}   (processor time {warm['cpu_s']:.3f})"
    for stage, seconds in warm["stages_s"].items():
        yield f"  {stage}", f"{seconds:.3f}   (first page {cold['stages_s'][stage]:.3f})"
    yield "pages a second", f"{facts['pages_a_second']:.2f}"
    yield "letters a second", f"{facts['letters_a_second']:.0f}"
    yield "peak memory, MiB", f"{facts['memory']['peak_mb']:.0f}"
    yield "letter error rate", f"{facts['letter_error_rate']:.4f}"
    for name, row in facts["networks"].items():
        yield (
            f"{name} alone",
            f"{row['seconds']:.3f} s, {row['gigaflop']:.0f} G operations, "
            f"{row['share_of_peak']:.0%} of the peak",
        )
    yield from _rivals(facts)


def _rivals(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    torch, other = facts["torch"], facts["tesseract"]
    for name, seconds in (torch or {}).items():
        yield f"{name} in torch", f"{seconds:.3f} s"
    if other:
        yield (
            f"Tesseract {other['version']}, {other['model']}",
            f"{other['page_s']:.2f} s, {other['times_ours']:.1f} times ours; "
            f"letter error rate {other['letter_error_rate']:.4f}",
        )


def main(arguments: list[str] | None = None) -> int:
    """Measure one page and print; returns the exit code."""
    options = _options().parse_args(arguments)
    try:
        with tempfile.TemporaryDirectory() as folder:
            page = options.page or write_type_page(Path(folder))
            facts = run_bench(
                BenchPlan(page, options.portion, options.model, options.repeats, not options.alone)
            )
    except (FileFault, FileNotFoundError, ModuleNotFoundError, RuntimeError) as error:
        print(f"bench: {error}", file=sys.stderr)
        return 1
    print(table(facts))
    if options.json:
        options.json.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    return 0


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m crownlet.train.bench", description=__doc__)
    parser.add_argument(
        "page", nargs="?", type=Path,
        help="picture of a portion; without it a mezuzah of 10 megapixels is set in type",
    )  # fmt: skip
    parser.add_argument("--portion", default="mezuzah", choices=PORTIONS, help="what it shows")
    parser.add_argument("--model", type=Path, metavar="DIR", help="other networks")
    parser.add_argument("--repeats", type=int, default=5, help="rounds, of which the best counts")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures here as well")
    parser.add_argument(
        "--alone", action="store_true", help="without Tesseract and torch beside it"
    )
    return parser


if __name__ == "__main__":
    sys.exit(main())
