"""`crownlet drift`: whether the pages of a run look like what the networks know."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, WRONG_USAGE
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.drift.compare import RunDrift


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    drift = commands.add_parser(
        "drift", help="whether the pages of a run look like what the networks know"
    )
    drift.add_argument("run_folder", metavar="RUN", help="folder written by `crownlet inspect`")
    drift.add_argument("--model", metavar="DIR", help="the networks that made the run, if others")
    drift.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Compare, print the result and write it into the run."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.drift.compare import drift_lines, write_drift

    folder = Path(options.run_folder)
    try:
        found = compare_with_reference(folder, options.model)
        with hold_folder(folder, "crownlet drift", "drift"):
            path = write_drift(found, folder)
    except FileFault as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        print_error(f"{folder}: cannot be written ({error.strerror or error}).")
        return WRONG_USAGE
    print(*drift_lines(found), f"Compared with {found.reference}; written to {path}", sep="\n")
    return DONE


def compare_with_reference(folder: Path, model: str | None) -> RunDrift:
    """The run in a folder compared with the reference of a model; FileFault if it cannot be."""
    from crownlet.infer.drift.compare import compare_run
    from crownlet.infer.drift.errors import describe_reading
    from crownlet.infer.drift.reference import (
        REFERENCE_FILE,
        DriftReferenceError,
        read_drift_reference,
        scroll_features,
    )
    from crownlet.infer.networks import weights_folder
    from crownlet.infer.run.run import open_run
    from crownlet.infer.run.tables import RunError, cause_of

    place = Path(model) if model else weights_folder()
    reference, opened = read_drift_reference(place), open_run(folder)
    scrolls, readings = {}, {}
    for scroll in opened.scrolls:
        records = [opened.pages[page].brief()[0] for page in scroll.pages]
        for record in records:
            made_by = record.versions.get("model", {})
            if any(made_by.get(name) != value for name, value in reference.model.items()):
                raise DriftReferenceError(
                    place / REFERENCE_FILE,
                    f"belongs to other networks than those that read {record.name}.",
                )
        records = [record for record in records if record.glyphs]
        if records:
            try:
                scrolls[scroll.name] = scroll_features(records)
                readings[scroll.name] = describe_reading(records)
            except KeyError as error:
                raise RunError(folder, f"{scroll.name}: {cause_of(error)}.") from None
    if not scrolls:
        raise RunError(folder, "has no letters to compare.")
    return compare_run(reference, scrolls, readings)
