"""The command line: `crownlet inspect` and `crownlet demo`.

Exit codes: 0 done, 1 some pages failed (each named on stderr, with why), 2 wrong usage.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crownlet.datasets.texts import Portion
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.records import PageRecord

DONE, SOME_FAILED, WRONG_USAGE = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    # Pillow's warnings on odd files would stand between our own sentences.
    warnings.filterwarnings("ignore", module=r"PIL\.")
    try:
        run: Callable[[argparse.Namespace], int] = options.run
        return run(options)
    except KeyboardInterrupt:
        print("crownlet: stopped; pages finished so far are whole.", file=sys.stderr)
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="crownlet",
        description="Finds places in Torah scrolls, tefillin and mezuzot that a trained examiner "
        "should look at. It never rules.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    inspect = commands.add_parser("inspect", help="inspect page images and write their tables")
    inspect.add_argument("pages", nargs="+", metavar="PAGE", help="PNG, JPEG, TIFF or WebP")
    inspect.add_argument("--out", required=True, metavar="RUN", help="folder for the records")
    inspect.add_argument("--portion", help="mezuzah, kadesh, shema ..., or a UTF-8 text file")
    inspect.add_argument("--customs", default="unspecified", help="a shipped name or a YAML file")
    inspect.add_argument("--model", metavar="DIR", help="other networks than the shipped ones")
    inspect.set_defaults(run=_inspect)
    demo = commands.add_parser("demo", help="make sample scrolls, inspect them, show the result")
    demo.add_argument("out", metavar="OUT", help="folder for the demonstration")
    demo.add_argument("--model", metavar="DIR", help=argparse.SUPPRESS)
    demo.set_defaults(run=_demo)
    return parser


def _complain(text: object) -> None:
    print(f"crownlet: {text}", file=sys.stderr)


def _open_inspector(options: argparse.Namespace) -> tuple[Inspector, Portion | None] | None:
    """Networks, customs and portion, or None after saying what is wrong with one of them."""
    from crownlet.datasets.texts import read_portion
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.sessions import ModelError

    try:
        portion = read_portion(options.portion) if options.portion else None
        return Inspector(options.model, options.customs), portion
    except (ValueError, OSError, ModelError) as error:
        _complain(error)
        return None


def _inspect(options: argparse.Namespace) -> int:
    out = Path(options.out)
    if out.exists() and not out.is_dir():
        _complain(f"{out}: is a file; --out needs a folder.")
        return WRONG_USAGE
    opened = _open_inspector(options)
    if opened is None:
        return WRONG_USAGE
    inspector, portion = opened
    paths = [Path(page) for page in options.pages]
    failed = 0
    for number, (path, name) in enumerate(zip(paths, page_names(paths), strict=True), start=1):
        failed += not _one_page(inspector, path, name, portion, out, f"[{number}/{len(paths)}]")
    if failed:
        _complain(f"{failed} of {len(paths)} pages failed; the others are in {out}.")
    return SOME_FAILED if failed else DONE


def _one_page(
    inspector: Inspector, path: Path, name: str, portion: Portion | None, out: Path, count: str
) -> bool:
    """Inspect and write one page; False, having said why, when it cannot be done."""
    from crownlet.infer.reading import PageError
    from crownlet.infer.writer import write_page

    start = time.perf_counter()
    try:
        record = inspector.inspect(path, portion, name)
        folder = write_page(record, out)
    except PageError as error:
        _complain(error)
        return False
    except MemoryError:
        _complain(f"{path}: there is not enough memory for this page.")
        return False
    except OSError as error:
        _complain(f"{path}: its record cannot be written to {out} ({error.strerror or error}).")
        return False
    print(
        f"{count} {path} -> {folder}: {tally(record)}, {time.perf_counter() - start:.1f} s",
        flush=True,
    )
    if record.match is not None and record.match.note:
        print(f"    {record.match.note}")
    return True


def tally(record: PageRecord) -> str:
    """Counts of a page in words."""
    findings, review = len(record.routed("finding")), len(record.routed("review"))
    return f"{len(record.glyphs)} letters, {findings} findings, {review} to review"


def page_names(paths: Sequence[Path]) -> list[str]:
    """A folder name for each page: its stem, made distinct where several pages share it.

    The names depend on the list alone, and differ without regard to upper and lower case.
    """
    names: list[str] = []
    taken: set[str] = set()
    for path in paths:
        stem = path.stem.strip(". ") or "page"
        for candidate in _candidates(stem, path):
            if candidate.casefold() not in taken:
                break
        taken.add(candidate.casefold())
        names.append(candidate)
    return names


def _candidates(stem: str, path: Path) -> list[str]:
    """Names to try for a page: its stem, with its suffix, with its folder, with numbers."""
    suffix, folder = path.suffix.lstrip("."), path.parent.name
    tries = [stem, f"{stem}-{suffix}" if suffix else stem]
    tries += [f"{folder}-{stem}"] if folder else []
    return tries + [f"{stem}-{number}" for number in range(2, 100_000)]


def _demo(options: argparse.Namespace) -> int:
    if Path(options.out).exists() and not Path(options.out).is_dir():
        _complain(f"{options.out}: is a file; the demo needs a folder.")
        return WRONG_USAGE
    from crownlet.infer.demo.run import run_demo
    from crownlet.infer.reading import PageError
    from crownlet.infer.sessions import ModelError

    try:
        index = run_demo(Path(options.out), model=options.model, say=print)
    except (ModelError, PageError, OSError) as error:
        _complain(error)
        return WRONG_USAGE if isinstance(error, ModelError) else SOME_FAILED
    print(f"Open {index} in a browser.")
    return DONE


if __name__ == "__main__":
    raise SystemExit(main())
