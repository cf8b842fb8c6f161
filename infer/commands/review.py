"""`crownlet review`: the items of a run shown to a reader, on a page of this machine alone."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, WRONG_USAGE
from crownlet.infer.view.choice import add_locale_arguments, choose_locale
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import Run


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    review = commands.add_parser("review", help="decide about the places of a run, in a browser")
    review.add_argument("folder", metavar="RUN", help="folder that `crownlet inspect` wrote")
    review.add_argument("--reader", default="", metavar="NAME", help="who decides")
    review.add_argument("--port", type=int, default=0, help="port to use; any free one if absent")
    review.add_argument("--open", action="store_true", help="open the page in the usual browser")
    review.add_argument(
        "--export", action="store_true", help="write labels and decisions into RUN and end"
    )
    review.add_argument(
        "--audit", type=_share, metavar="SHARE",
        help="share of clear letters mixed in, when the review is first opened (0.02)",
    )  # fmt: skip
    review.add_argument(
        "--letters", type=_count, default=0, metavar="N",
        help="draw N letters of the run at random, to be judged whole: they bound what was missed",
    )  # fmt: skip
    review.add_argument(
        "--seed", type=int, metavar="N", help="draws them, when the review is first opened"
    )
    review.add_argument(
        "--only", type=Path, metavar="FILE.csv",
        help="ask only what this file lists (page, glyph, kind), such as RUN/choice.csv",
    )  # fmt: skip
    add_locale_arguments(review)
    review.set_defaults(run=run)


def _share(text: str) -> float:
    try:
        share = float(text)
    except ValueError:
        share = -1.0
    if not 0 <= share <= 1:
        raise argparse.ArgumentTypeError(f"a share lies within 0 and 1, not {text}")
    return share


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise argparse.ArgumentTypeError(f"a number of letters is expected, not {text}")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """Serve the page until stopped, or write the decisions out; returns the exit code."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.infer.run.run import open_run

    try:
        opened = open_run(options.folder)
        return _export(opened) if options.export else _serve(options, opened)
    except FileFault as error:
        print_error(error)
    except OSError as error:
        print_error(f"{options.folder}: cannot be written ({error.strerror or error}).")
    return WRONG_USAGE


def _store(options: argparse.Namespace, opened: Run) -> ReviewStore:
    from crownlet.infer.review.store import DEFAULT_AUDIT_SHARE, DEFAULT_SEED, ReviewStore
    from crownlet.infer.review.subset import read_requested_items
    from crownlet.infer.run.names import REVIEW_STORE_FILE

    only = _list_path(options.only, opened.folder) if options.only else None
    return ReviewStore.open(
        opened.folder / REVIEW_STORE_FILE,
        opened,
        seed=DEFAULT_SEED if options.seed is None else options.seed,
        audit_share=DEFAULT_AUDIT_SHARE if options.audit is None else options.audit,
        letters=options.letters,
        only=None if only is None else read_requested_items(only, opened),
    )


def _list_path(path: Path, run: Path) -> Path:
    """Path of a list, as given or within the run."""
    return path if path.is_file() else run / path


def _export(opened: Run) -> int:
    from crownlet.infer.review.export import export_review

    print(f"{opened.folder}: {export_review(opened)}")
    return DONE


def _serve(options: argparse.Namespace, opened: Run) -> int:
    from crownlet.infer.review.web.app import bind_socket, serve
    from crownlet.infer.review.web.entrance import Entrance
    from crownlet.infer.review.web.requests import UserFacingError, parse_reader_name

    try:
        reader = parse_reader_name(options.reader) if options.reader else ""
    except UserFacingError as error:
        print_error(f"--reader: {error}")
        return WRONG_USAGE
    listening, store = bind_socket(options.port), _store(options, opened)
    choose_locale(options, opened.folder)

    what, kept = f"Review of {opened.folder}", "every decision is kept"
    with (
        Entrance(opened.folder, what, kept, browser=options.open) as entrance,
        contextlib.suppress(KeyboardInterrupt),
    ):
        serve(opened, store, listening, reader, entrance.ready, entrance.entered)
    print(f"Ended. The decisions are in {store.path}.")
    return DONE
