"""`crownlet demo`: sample scrolls, inspected, with the result to open in a browser."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE
from crownlet.infer.view.choice import add_locale_arguments, choose_locale
from crownlet.infer.view.console import print_error


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    demo = commands.add_parser("demo", help="make sample scrolls, inspect them, show the result")
    demo.add_argument("out", metavar="OUT", help="folder for the demonstration")
    demo.add_argument("--model", metavar="DIR", help=argparse.SUPPRESS)
    add_locale_arguments(demo)
    demo.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Make the demonstration; returns the exit code."""
    if Path(options.out).exists() and not Path(options.out).is_dir():
        print_error(f"{options.out}: is a file; the demo needs a folder.")
        return WRONG_USAGE
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.demo.run import run_demo
    from crownlet.infer.networks import ModelError

    try:
        with hold_folder(Path(options.out), "crownlet demo"):
            locale = choose_locale(options, Path(options.out) / "run")
            index = run_demo(Path(options.out), options.model, print, locale=locale)
    except (FileFault, OSError) as error:
        print_error(error)
        return WRONG_USAGE if isinstance(error, ModelError) else SOME_FAILED
    print(f"Open {index} in a browser.")
    return DONE
