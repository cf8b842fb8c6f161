"""`crownlet inspect`: page pictures in, tables out, one folder a page."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE, complain

if TYPE_CHECKING:
    from crownlet.datasets.texts import Portion
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.records import PageRecord


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    inspect = commands.add_parser("inspect", help="inspect page images and write their tables")
    inspect.add_argument("pages", nargs="+", metavar="PAGE", help="PNG, JPEG, TIFF or WebP")
    inspect.add_argument("--out", required=True, metavar="RUN", help="folder for the records")
    inspect.add_argument("--portion", help="mezuzah, kadesh, shema ..., or a UTF-8 text file")
    inspect.add_argument("--customs", default="unspecified", help="a shipped name or a YAML file")
    inspect.add_argument("--model", metavar="DIR", help="other networks than the shipped ones")
    inspect.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Inspect every page; returns the exit code."""
    out = Path(options.out)
    if out.exists() and not out.is_dir():
        complain(f"{out}: is a file; --out needs a folder.")
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
        complain(f"{failed} of {len(paths)} pages failed; the others are in {out}.")
    return SOME_FAILED if failed else DONE


def _open_inspector(options: argparse.Namespace) -> tuple[Inspector, Portion | None] | None:
    """Networks, customs and portion, or None after saying what is wrong with one of them."""
    from crownlet.datasets.texts import read_portion
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.sessions import ModelError

    try:
        portion = read_portion(options.portion) if options.portion else None
        return Inspector(options.model, options.customs), portion
    except (ValueError, OSError, ModelError) as error:
        complain(error)
        return None


def _one_page(
    inspector: Inspector, path: Path, name: str, portion: Portion | None, out: Path, count: str
) -> bool:
    """Inspect and write one page; False, having said why, when it cannot be done."""
    from crownlet.infer.findings import findings_of
    from crownlet.infer.reading import PageError
    from crownlet.infer.writer import write_page

    start = time.perf_counter()
    try:
        record = inspector.inspect(path, portion, name)
        folder = write_page(record, out, findings_of(record, inspector.customs))
    except PageError as error:
        complain(error)
        return False
    except MemoryError:
        complain(f"{path}: there is not enough memory for this page.")
        return False
    except OSError as error:
        complain(f"{path}: its record cannot be written to {out} ({error.strerror or error}).")
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
