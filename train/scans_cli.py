"""`crownlet-scans`: labelled scans as a versioned data set, for retraining."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from crownlet.datasets.coco.read import LabelError
from crownlet.datasets.files.console import steady_streams
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.manifest import SPLITS

EXIT_DONE, EXIT_WRONG_RECORDS, EXIT_WRONG_USAGE = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> None:
    """Run one command; exit code 1 where records are wrong, 2 where nothing could be done."""
    with steady_streams() as out:
        code = _run(arguments)
        if out.fault is not None:
            why = out.fault.strerror or out.fault
            print(f"crownlet-scans: the output cannot be printed ({why}).", file=sys.stderr)
            code = code or EXIT_WRONG_RECORDS
    raise SystemExit(code)


def _run(arguments: Sequence[str] | None) -> int:
    from crownlet.datasets.files.errors import FileFault

    options = build_parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except ModuleNotFoundError as error:
        print(
            f"crownlet-scans: {error.name} is missing: install the extra `train`", file=sys.stderr
        )
        code = EXIT_WRONG_USAGE
    except (LabelError, ValueError, FileFault) as error:
        print(f"crownlet-scans: {error}", file=sys.stderr)
        code = EXIT_WRONG_USAGE
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(f"crownlet-scans: {where}{error.strerror or error}", file=sys.stderr)
        code = EXIT_WRONG_USAGE
    return code


def build_parser() -> argparse.ArgumentParser:
    """The commands and their arguments."""
    whole = argparse.ArgumentParser(prog="crownlet-scans", description=__doc__)
    commands = whole.add_subparsers(required=True, metavar="COMMAND")
    _add_arguments(_command(commands, "add", "add scans, with labels or without", _add))
    remove = _command(commands, "remove", "take scans out, pictures and labels", _remove)
    move = _command(commands, "move", "put scans into another split", _move)
    for command in (remove, move):
        command.add_argument("names", nargs="+", metavar="NAME", help="a scroll, or a scan's file")
        command.add_argument(
            "--because", required=True, metavar="TEXT", help="why; the manifest keeps it"
        )
    move.add_argument("--to", choices=SPLITS, required=True, metavar="SPLIT", help="the new split")
    _command(commands, "check", "name every wrong record", _check)
    _command(commands, "datasheet", "write datasheet.md anew", _datasheet)
    label = _command(commands, "label", "label letters by the text where nobody has", _label)
    label.add_argument(
        "--portion", metavar="TEXT",
        help="portion, passage or text file of them; by default their words are searched for",
    )  # fmt: skip
    label.add_argument("--model", type=Path, metavar="FOLDER", help="other networks")
    label.add_argument("--anew", action="store_true", help="also those that labelled themselves")
    choose = _command(commands, "choose", "letters whose labels would teach most", _choose, "RUN")
    choose.add_argument("--n", type=int, default=200, metavar="N", help="how many (200)")
    choose.add_argument("--seed", type=int, default=0, metavar="N", help="draws them (0)")
    return whole


def _command(
    commands: argparse._SubParsersAction[Any],
    name: str,
    description: str,
    run: Callable[[argparse.Namespace], int],
    folder: str = "FOLDER",
) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(
        name, help=description, description=description
    )
    command.add_argument("folder", type=Path, metavar=folder)
    command.set_defaults(run=run)
    return command


def _add_arguments(add: argparse.ArgumentParser) -> None:
    add.add_argument(
        "--scans", type=Path, nargs="+", required=True, metavar="PATH", help="pictures or folders"
    )
    add.add_argument(
        "--labels", type=Path, nargs="+", default=[], metavar="FILE",
        help="a COCO file, or PAGE-XML or ALTO files",
    )  # fmt: skip
    add.add_argument("--split", choices=SPLITS, required=True, help="all pages of a scroll in one")
    add.add_argument("--scroll", metavar="NAME", help="the hand, unless the labels name it")
    add.add_argument("--provenance", required=True, metavar="TEXT", help="where they come from")
    add.add_argument("--licence", default="", metavar="TEXT", help="under which they are used")
    add.add_argument("--consent", default="", metavar="TEXT", help="what their owners agreed to")
    add.add_argument("--renew", action="store_true", help="new labels for scans already there")


def _add(options: argparse.Namespace) -> int:
    from crownlet.datasets.scans.add import ScanSource, add_scans

    source = ScanSource(
        options.scans, options.split, options.provenance, options.labels, options.scroll,
        options.licence, options.consent,
    )  # fmt: skip
    manifest, wrong = add_scans(options.folder, source, options.renew)
    if wrong:
        print("Nothing was added.", file=sys.stderr)
        return _print_complaints(wrong)
    print(f"{options.folder}: version {manifest.version}. {manifest.changes[-1]}")
    return EXIT_DONE


def _remove(options: argparse.Namespace) -> int:
    from crownlet.datasets.scans.change import remove_scans

    manifest = remove_scans(options.folder, options.names, options.because)
    print(f"{options.folder}: version {manifest.version}. {manifest.changes[-1]}")
    return EXIT_DONE


def _move(options: argparse.Namespace) -> int:
    from crownlet.datasets.scans.change import move_scans

    manifest, wrong = move_scans(options.folder, options.names, options.to, options.because)
    if wrong:
        print("Nothing was moved.", file=sys.stderr)
        return _print_complaints(wrong)
    print(f"{options.folder}: version {manifest.version}. {manifest.changes[-1]}")
    return EXIT_DONE


def _check(options: argparse.Namespace) -> int:
    from crownlet.datasets.scans.check import check_dataset

    wrong = check_dataset(options.folder)
    if not wrong:
        print(f"{options.folder}: every record is in order.")
    return _print_complaints(wrong)


def _datasheet(options: argparse.Namespace) -> int:
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.datasets.scans.datasheet import write_datasheet
    from crownlet.datasets.scans.manifest import read_manifest

    read_manifest(options.folder)  # Before the folder is held: what is no data set stays as it is.
    with hold_folder(options.folder, "crownlet-scans datasheet"):
        print(write_datasheet(options.folder, read_manifest(options.folder)))
    return EXIT_DONE


def _label(options: argparse.Namespace) -> int:
    from crownlet.train.labelling.self_labels import label_folder

    outcome = label_folder(options.folder, options.portion, options.model, options.anew)
    print(f"{options.folder}: version {outcome.version}. {outcome.sentence}")
    return _print_complaints(outcome.left_out)


def _choose(options: argparse.Namespace) -> int:
    from crownlet.train.labelling.choose import choose_from_run

    if options.n < 1:
        raise ValueError(f"--n is {options.n}; choose at least one letter")
    print(choose_from_run(options.folder, options.n, options.seed))
    return EXIT_DONE


def _print_complaints(wrong: Sequence[Complaint]) -> int:
    for complaint in wrong:
        print(complaint, file=sys.stderr)
    return EXIT_WRONG_RECORDS if wrong else EXIT_DONE


if __name__ == "__main__":
    main()
