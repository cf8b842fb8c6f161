"""`crownlet survey demo`: an invented survey, inspected and reported, with what was put in."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE, complain

MOST = 100


def add(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    demo = actions.add_parser("demo", help="make an invented survey and compare its sources")
    demo.add_argument("out", metavar="OUT", help="folder for the demonstration")
    demo.add_argument(
        "--scrolls", type=_scrolls, default=8, metavar="N", help="scrolls of each source (8)"
    )
    demo.add_argument("--model", metavar="DIR", help=argparse.SUPPRESS)
    demo.set_defaults(run=_run)


def _scrolls(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST:
        raise argparse.ArgumentTypeError(f"a number from 1 to {MOST}, not {text}")
    return int(text)


def _run(options: argparse.Namespace) -> int:
    """Make the demonstration; returns the exit code."""
    out = Path(options.out)
    if out.exists() and not out.is_dir():
        complain(f"{options.out}: is a file; the demo needs a folder.")
        return WRONG_USAGE
    from crownlet.infer.errors import FileFault
    from crownlet.infer.sessions import ModelError
    from crownlet.infer.survey.demo import run_demo

    try:
        report = run_demo(out, options.scrolls, options.model)
    except (FileFault, ModelError, OSError) as error:
        complain(error)
        return WRONG_USAGE if isinstance(error, ModelError) else SOME_FAILED
    print(f"Open {report} in a browser.")
    return DONE
