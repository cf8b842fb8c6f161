"""`crownlet inspect`: page pictures in; tables out, one folder a page, and the list of scrolls."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE, complain
from crownlet.infer.commands.naming import page_names

if TYPE_CHECKING:
    from crownlet.infer.commands.working import Work
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.scrolls.grouping import Place
    from crownlet.infer.scrolls.table import Table
    from crownlet.infer.wanted import Wanted


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    inspect = commands.add_parser("inspect", help="inspect page images and write their tables")
    inspect.add_argument("pages", nargs="+", metavar="PAGE", help="PNG, JPEG, TIFF or WebP")
    inspect.add_argument("--out", required=True, metavar="RUN", help="folder for the records")
    inspect.add_argument(
        "--portion",
        default="auto",
        help="mezuzah, kadesh, shema ..., a passage such as 'Exodus 13:1-16', a UTF-8 text file; "
        "auto (the default) looks for the page's words in the Pentateuch, none compares nothing",
    )
    inspect.add_argument(
        "--scrolls",
        metavar="FILE",
        help="CSV table of scan, scroll, side (face or reverse) and, if wished, source; "
        "without it, names such as a1-face and a1-reverse tell",
    )
    inspect.add_argument("--customs", default="unspecified", help="a shipped name or a YAML file")
    inspect.add_argument("--model", metavar="DIR", help="other networks than the shipped ones")
    inspect.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Inspect every page and gather the scrolls; returns the exit code."""
    out, paths = Path(options.out), [Path(page) for page in options.pages]
    if out.exists() and not out.is_dir():
        complain(f"{out}: is a file; --out needs a folder.")
        return WRONG_USAGE
    placed = _places(paths, options.scrolls, out)
    opened = _open_inspector(options) if placed is not None else None
    if placed is None or opened is None:
        return WRONG_USAGE
    from crownlet.infer.commands.working import Work

    table, places = placed
    work = Work(*opened, out, len(paths))
    listed = True
    try:
        for path, place in zip(paths, places, strict=True):
            work.one_page(path, place)
    finally:  # After Ctrl-C too: the pages finished so far make scrolls.
        if work.fresh:
            listed = _list_scrolls(work, table)
    if work.failed:
        complain(f"{work.failed} of {len(paths)} pages failed; the others are in {out}.")
    return DONE if listed and not work.failed else SOME_FAILED


def _places(
    paths: list[Path], file: str | None, out: Path
) -> tuple[Table | None, tuple[Place, ...]] | None:
    """The table, and where each page belongs, or None after saying what is wrong."""
    from crownlet.infer.errors import FileFault
    from crownlet.infer.scrolls.grouping import place_pages, unlisted
    from crownlet.infer.scrolls.listing import given_places
    from crownlet.infer.scrolls.table import read_table
    from crownlet.infer.scrolls.wording import some_of

    pages = list(zip(page_names(paths), map(str, paths), strict=True))
    try:
        table = read_table(file) if file else None
        places = place_pages(pages, table, given_places(out))
        left = unlisted(pages, table) if table else []
        if left:
            print(f"Not in {file}, so placed by name: {some_of(left)}.")
        return table, places
    except FileFault as error:
        complain(error)
        return None


def _open_inspector(options: argparse.Namespace) -> tuple[Inspector, Wanted] | None:
    """Networks, customs and portion, or None after saying what is wrong with one of them."""
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.sessions import ModelError
    from crownlet.infer.wanted import read_wanted

    try:
        portion = read_wanted(options.portion)
        return Inspector(options.model, options.customs), portion
    except (ValueError, OSError, ModelError) as error:
        complain(error)
        return None


def _list_scrolls(work: Work, table: Table | None) -> bool:
    """Bring RUN/scrolls.json up to date, and say what no page has said yet."""
    from crownlet.infer.errors import FileFault
    from crownlet.infer.scrolls.updating import update_scrolls

    try:
        scrolls = update_scrolls(work.out, table)
    except (FileFault, OSError) as error:
        complain(f"{work.out}: its scrolls cannot be listed ({error}).")
        return False
    for scroll in scrolls:
        new = [note for note in scroll.notes if note not in work.said]
        if new and not work.fresh.isdisjoint(scroll.pages):
            print(f"Scroll {scroll.name}:", *new, sep="\n    ")
            work.said.update(new)
    print(f"{work.out / 'scrolls.json'}: {len(scrolls)} scroll{'s' * (len(scrolls) != 1)}")
    return True
