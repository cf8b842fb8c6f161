"""`python -m crownlet.infer.bench`: a table of times, memory and shares, and the same as JSON."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from crownlet.datasets.texts import PORTIONS
from crownlet.infer.bench.measuring import Plan, bench
from crownlet.infer.bench.pages import set_page
from crownlet.infer.bench.table import table
from crownlet.infer.errors import FileFault


def main(arguments: list[str] | None = None) -> int:
    """Measure one page and print; returns the exit code."""
    options = _options().parse_args(arguments)
    try:
        with tempfile.TemporaryDirectory() as folder:
            page = options.page or set_page(Path(folder))
            facts = bench(
                Plan(page, options.portion, options.model, options.repeats, not options.alone)
            )
    except (FileFault, FileNotFoundError, ModuleNotFoundError, RuntimeError) as error:
        print(f"bench: {error}", file=sys.stderr)
        return 1
    print(table(facts))
    if options.json:
        options.json.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
    return 0


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m crownlet.infer.bench", description=__doc__)
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
