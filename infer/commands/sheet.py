"""`crownlet sheet`: triage sheets of a run's scrolls, their index, and the teaching sheet."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE
from crownlet.infer.view.choice import add_locale_arguments, choose_locale
from crownlet.infer.view.console import print_error
from crownlet.infer.view.language import use_locale

if TYPE_CHECKING:
    from crownlet.infer.run.run import Run


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    sheet = commands.add_parser("sheet", help="write sheets of a run to read and to print")
    sheet.add_argument("folder", metavar="RUN", help="folder of `crownlet inspect`")
    sheet.add_argument("--scroll", metavar="NAME", help="only the sheet of this scroll")
    sheet.add_argument(
        "--show-names", action="store_true",
        help="show the Divine Names, covered otherwise; on paper they are treated with due respect",
    )  # fmt: skip
    sheet.add_argument(
        "--beside", nargs=2, metavar=("LEFT", "RIGHT"),
        help="only one picture of two scrolls, letter by letter; NAME:face or NAME:reverse is one "
        "side of a scroll",
    )  # fmt: skip
    add_locale_arguments(sheet)
    sheet.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the sheets; returns the exit code."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.run.run import open_run
    from crownlet.infer.sheet.make import make_sheets

    try:
        opened = open_run(options.folder)
        if options.scroll and options.scroll not in {s.name for s in opened.scrolls}:
            known = ", ".join(sorted(s.name for s in opened.scrolls)[:12])
            print_error(
                f"{options.folder}: no scroll is called {options.scroll!r}; there are {known}."
            )
            return WRONG_USAGE
        locale = choose_locale(options, opened.folder)
        if options.beside:
            left, right = options.beside
            with use_locale(locale):
                return _write_beside(opened, left, right, options.show_names)
        with hold_folder(opened.folder, "crownlet sheet", "sheets"), use_locale(locale):
            made = make_sheets(opened, options.scroll, options.show_names, print, print_error)
    except FileFault as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        print_error(f"{options.folder}: sheets cannot be written ({error.strerror or error}).")
        return SOME_FAILED
    print(f"Open {made.index} in a browser.")
    return SOME_FAILED if made.failed else DONE


def _write_beside(opened: Run, left: str, right: str, show_names: bool) -> int:
    """One picture of two sides, as a page and as an SVG file; returns the exit code."""
    from crownlet.datasets.files.atomic import write_file
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.sheet.beside import (
        BesideError,
        parse_side,
        render_beside,
        render_beside_picture,
        view_beside,
    )
    from crownlet.infer.sheet.make import SHEETS_FOLDER

    try:
        pair = parse_side(opened, left), parse_side(opened, right)
    except BesideError as error:
        print_error(f"--beside: {error}")
        return WRONG_USAGE
    page = opened.folder / SHEETS_FOLDER / "beside.html"
    with hold_folder(opened.folder, "crownlet sheet", "sheets"):
        write_file(page, render_beside(opened, *pair, show_names))
        picture = render_beside_picture(view_beside(opened, *pair, show_names))
        write_file(page.with_suffix(".svg"), picture)
    print(f"Open {page} in a browser; the picture alone is {page.with_suffix('.svg').name}.")
    return DONE
