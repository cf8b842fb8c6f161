"""`crownlet open`: a stack of pictures on one page of this machine, from dropping them to lists."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path
from typing import Any

from crownlet.infer.commands import DONE, WRONG_USAGE
from crownlet.infer.view.choice import add_locale_arguments, choose_locale
from crownlet.infer.view.console import print_error

DEFAULT_FOLDER = Path("~/Crownlet")


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    desk = commands.add_parser("open", help="everything on one page, in a browser")
    desk.add_argument(
        "folder", nargs="?", default=str(DEFAULT_FOLDER), metavar="FOLDER",
        help=f"folder of pictures, new or begun before ({DEFAULT_FOLDER})",
    )  # fmt: skip
    desk.add_argument("--reader", default="", metavar="NAME", help="who decides in review")
    desk.add_argument("--port", type=int, default=0, help="port to use; any free one if absent")
    desk.add_argument(
        "--no-browser", action="store_true", help="print the address and open no browser"
    )
    add_locale_arguments(desk)
    desk.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Serve the page until stopped; returns the exit code."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.infer.desk.desk import Desk
    from crownlet.infer.desk.stack import Stack
    from crownlet.infer.desk.web.app import serve_desk
    from crownlet.infer.review.web.app import bind_socket
    from crownlet.infer.review.web.entrance import Entrance
    from crownlet.infer.review.web.requests import UserFacingError, parse_reader_name

    try:
        reader = parse_reader_name(options.reader) if options.reader else ""
        stack = Stack.open(options.folder)
        choose_locale(options, stack.run)
        listening = bind_socket(options.port)
    except UserFacingError as error:
        print_error(f"--reader: {error}")
        return WRONG_USAGE
    except FileFault as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        print_error(f"{options.folder}: cannot be written ({error.strerror or error}).")
        return WRONG_USAGE

    what, browser = f"The stack in {stack.folder}", not options.no_browser
    try:
        with (
            Entrance(stack.desk, what, "nothing is lost", browser=browser) as entrance,
            contextlib.suppress(KeyboardInterrupt),
        ):
            serve_desk(Desk(stack), listening, reader, entrance.ready, entrance.entered)
    except FileFault as error:
        print_error(error)
        return WRONG_USAGE
    print(f"Ended. Everything is in {stack.folder}.")
    return DONE
