"""`crownlet survey compare`: rates, differences and the report of a finished survey."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE, complain


def add(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    compare = actions.add_parser("compare", help="compare the sources of a survey, with a report")
    compare.add_argument("survey", metavar="S", help="folder of a survey made by `survey run`")
    compare.add_argument(
        "--names", action="store_true", help="say in the report which source is which code"
    )
    compare.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    """Write S/report; returns the exit code."""
    from crownlet.infer.errors import FileFault
    from crownlet.infer.survey.cautions import NAMING
    from crownlet.infer.survey.gathering import gather
    from crownlet.infer.survey.report import write_report
    from crownlet.infer.survey.state import SEED, read_survey

    folder = Path(options.survey)
    try:
        gathered = gather(folder)
        survey = read_survey(folder)
        seed = survey.seed if survey else SEED
        page = write_report(folder, gathered, seed, names=options.names)
    except FileFault as error:
        complain(error)
        return WRONG_USAGE
    except OSError as error:
        complain(error)
        return SOME_FAILED
    print(f"Open {page} in a browser; the tables and figures lie beside it.")
    if options.names:
        print(f"The report names the sources. {NAMING}")
    return DONE
