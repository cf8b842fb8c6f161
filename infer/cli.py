"""The command line: gathers the subcommands of `infer/commands` and runs one.

Exit codes: 0 done, 1 some pages failed (each named on stderr, with why), 2 wrong usage,
130 stopped.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import sys
import warnings
from collections.abc import Callable, Sequence

import crownlet.infer
from crownlet.datasets.files.console import steady_streams
from crownlet.infer.commands import SOME_FAILED, WRONG_USAGE
from crownlet.infer.threads import limit_blas_threads
from crownlet.infer.view.console import print_error

COMMANDS = ("open", "inspect", "drift", "sheet", "review", "survey", "demo")
"""Modules of `crownlet.infer.commands`, in the order in which `--help` lists them."""

EXTRAS = {"open": "review", "inspect": "cluster", "review": "review", "survey": "survey"}
"""Commands that need more than the light install, and the extra that brings it."""

STOPPED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    with steady_streams() as out:
        code = _run(arguments)
        if out.fault is not None:
            print_error(f"the output cannot be printed ({out.fault.strerror or out.fault}).")
            code = code or SOME_FAILED
    return code


def _run(arguments: Sequence[str] | None) -> int:
    limit_blas_threads()
    options = _parser().parse_args(arguments)
    # Pillow's warnings on odd files would stand between our own sentences.
    warnings.filterwarnings("ignore", module=r"PIL\.")
    try:
        run: Callable[[argparse.Namespace], int] = options.run
        code = run(options)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        # Whoever read the output has gone (`crownlet ... | head`); Python would flush once more.
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return STOPPED
    except KeyboardInterrupt:
        print_error("stopped; pages finished so far are whole.")
        return STOPPED
    except ModuleNotFoundError as error:
        if not _of_an_extra(options.command, error):
            raise
        print_error(_missing(options.command, error))
        return WRONG_USAGE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="crownlet",
        description="Finds places in Torah scrolls, tefillin and mezuzot that a trained examiner "
        "should look at. It never rules.",
    )
    parser.add_argument(
        "--version", action="version", version=f"crownlet {crownlet.infer.__version__}"
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in COMMANDS:
        importlib.import_module(f"crownlet.infer.commands.{name}").add(commands)
    return parser


def _of_an_extra(command: str, error: ModuleNotFoundError) -> bool:
    """Whether a module is absent because an extra is; one of our own would be a fault of ours."""
    return command in EXTRAS and not (error.name or "crownlet").startswith("crownlet")


def _missing(command: str, error: ModuleNotFoundError) -> str:
    return (
        f"`crownlet {command}` needs {error.name}, which is not installed; "
        f"install it with: pip install '.[{EXTRAS[command]}]'"
    )


if __name__ == "__main__":
    raise SystemExit(main())
