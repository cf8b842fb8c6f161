"""`crownlet survey`: its actions, and how many scrolls and audited letters a survey needs."""

from __future__ import annotations

import argparse
import atexit
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE
from crownlet.infer.commands.survey_plan import add_survey_plan, audit_size, defect_names
from crownlet.infer.run.names import PAGES_PART
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.survey.run import SurveyRun

SURVEY_CAUTION = (
    "The sources stand as codes everywhere but in sources.csv. Name none in public: no finding is "
    "a ruling, and scrolls that came by chance do not speak for a source."
)


def add_survey_run(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    run = actions.add_parser("run", help="inspect the scans of a manifest and draw the audit")
    run.add_argument(
        "manifest", metavar="MANIFEST.csv",
        help="CSV table of scan, scroll, source, side (face or reverse) and, if wished, portion, "
        "customs, note; scans are seen from its folder",
    )  # fmt: skip
    run.add_argument("--out", required=True, metavar="S", help="folder of the survey")
    run.add_argument(
        "--design", metavar="FILE",
        help="what was declared beforehand, written by `survey plan --out`; its settings hold, and "
        "others given here are recorded as changes",
    )  # fmt: skip
    run.add_argument(
        "--audit", type=audit_size, metavar="N",
        help="letters of each scroll to be judged for each defect (4), as `survey plan` advises; "
        "below 1, that share of them; 0, none",
    )  # fmt: skip
    run.add_argument(
        "--defects", type=defect_names, metavar="NAME,...",
        help="defects to be audited, all if absent; few, chosen beforehand, are sooner read",
    )  # fmt: skip
    run.add_argument("--seed", type=int, metavar="K", help="draws codes and letters (2007)")
    run.add_argument("--portion", help="where the manifest names none (auto)")
    run.add_argument("--customs", help="where the manifest names none (unspecified)")
    run.add_argument("--model", metavar="DIR", help="other networks than the shipped ones")
    run.set_defaults(run=_run_survey)


def _run_survey(options: argparse.Namespace) -> int:
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder

    folder, code = Path(options.out), WRONG_USAGE
    if folder.exists() and not folder.is_dir():
        print_error(f"{folder}: is a file; --out needs a folder.")
        return code
    try:
        with hold_folder(folder, "crownlet survey run", PAGES_PART):
            running = _prepare(options)
            if running is None:
                return code
            code = SOME_FAILED
            return _inspect(running)
    except FileFault as error:
        print_error(error)
    except OSError as error:
        _print_unwritten(folder, error)
    return code


def _print_unwritten(path: Path, error: OSError) -> None:
    """That a file or folder could not be written, with the system's reason."""
    # pyarrow's errors hold the number of the reason, and a text of their own.
    reason = os.strerror(error.errno) if error.errno else str(error)
    print_error(f"{path}: cannot be written ({reason}).")


def _prepare(options: argparse.Namespace) -> SurveyRun | None:
    """The survey, or None after printing what is wrong with it."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.infer.survey.design import read_design
    from crownlet.infer.survey.manifest import read_manifest
    from crownlet.infer.survey.run import SurveyRequest, find_design, prepare_survey

    folder = Path(options.out)
    try:
        given = read_design(Path(options.design)) if options.design else None
        design = find_design(folder, given)
        portion = options.portion or (design.portion if design else "auto")
        customs = options.customs or (design.customs if design else "unspecified")
        wish = SurveyRequest(
            options.seed, options.audit, options.defects, given, portion, customs, options.model
        )
        manifest = read_manifest(options.manifest, portion, customs)
        return prepare_survey(manifest, folder, wish)
    except (FileFault, ValueError, OSError) as error:
        print_error(error)
        return None


def _inspect(running: SurveyRun) -> int:
    from crownlet.infer.batch.worker import BatchProgress
    from crownlet.infer.view.wording import describe_failures

    rows = running.manifest.rows
    work = BatchProgress(running.folder, len(rows))
    _print_sources(running)
    for outcome in running.pages():
        work.add(outcome)
    drawn = running.finish()
    _print_kept(running, work.kept)
    _print_audit(running, drawn)
    if running.failed:
        lines = {key.page: key.line for key in running.keys}
        print_error(f"{describe_failures(len(running.failed), len(rows), 'scan')}:")
        for page, why in running.failed.items():
            print_error(f"line {lines[page]} of the manifest, {page}: {why}")
        return SOME_FAILED
    return DONE


def _print_sources(running: SurveyRun) -> None:
    from crownlet.infer.survey.design import describe_change
    from crownlet.infer.survey.records import MIN_UNITS_FOR_INTERVAL

    sources = running.manifest.sources
    scrolls = sum(sources.values())
    print(
        f"{running.manifest.path}: {len(running.keys)} scans, {scrolls} scrolls, "
        f"{len(sources)} sources."
    )
    if questions := running.count_questions():
        print(
            f"Audit: about {questions:,} questions to answer ({scrolls} scrolls, "
            f"{len(running.survey.defects)} defects, {running.survey.audit:g} letters of each)."
        )
    if running.design is None:
        print("No design was declared beforehand: the report calls every comparison exploratory.")
    for change in running.survey.history:
        print(f"Exploratory: {describe_change(change)}")
    for name, count in sources.items():
        if count < MIN_UNITS_FOR_INTERVAL:
            print(f"{name}: {count} of {MIN_UNITS_FOR_INTERVAL} scrolls that an interval needs.")


def _print_kept(running: SurveyRun, kept: int) -> None:
    if kept:
        print(f"{kept} pages were inspected before and kept.")
    if running.inspected_again:
        print(
            "Inspected again, since picture, networks, customs, text or program changed: "
            f"{', '.join(running.inspected_again)}."
        )
    if left := running.list_unlisted_pages():
        print(f"In {running.folder} but no longer in the manifest: {', '.join(left)}; left out.")


def _print_audit(running: SurveyRun, drawn: int) -> None:
    survey = running.survey
    print(f"{running.folder}: {drawn} questions drawn for the audit, by the seed {survey.seed}.")
    if drawn:
        print(f"Answer them with: crownlet review {running.folder}")
    print(SURVEY_CAUTION)


def add_survey_compare(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    compare = actions.add_parser("compare", help="compare the sources of a survey, with a report")
    compare.add_argument("survey", metavar="S", help="folder of a survey made by `survey run`")
    compare.add_argument(
        "--names", action="store_true", help="say in the report which source is which code"
    )
    compare.set_defaults(run=_run_survey_compare)


def _run_survey_compare(options: argparse.Namespace) -> int:
    """Write S/report; returns the exit code."""
    _keep_matplotlib_apart()
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.run.survey_state import DEFAULT_SURVEY_SEED, read_survey
    from crownlet.infer.survey.merging import gather_survey
    from crownlet.infer.survey.methods import NAMING_CAUTION
    from crownlet.infer.survey.report import REPORT_FOLDER, write_report

    folder = Path(options.survey)
    try:
        gathered = gather_survey(folder)
        with hold_folder(folder, "crownlet survey compare", "report"):
            survey = read_survey(folder)
            seed = survey.seed if survey else DEFAULT_SURVEY_SEED
            page = write_report(folder, gathered, seed, names=options.names)
    except FileFault as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        _print_unwritten(folder / REPORT_FOLDER, error)
        return SOME_FAILED
    print(f"Open {page} in a browser; the tables and figures lie beside it.")
    if options.names:
        print(f"The report names the sources. {NAMING_CAUTION}")
    return DONE


def _keep_matplotlib_apart() -> None:
    """Have Matplotlib keep its list of fonts in a folder that ends with this process.

    It writes it into the user's home otherwise, and nothing is written outside the chosen folders.
    A folder that the user has set for it (`MPLCONFIGDIR`) stays.
    """
    if "MPLCONFIGDIR" not in os.environ:
        folder = tempfile.TemporaryDirectory(prefix="crownlet-")
        atexit.register(folder.cleanup)
        os.environ["MPLCONFIGDIR"] = folder.name


def add_survey_merge(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    merge = actions.add_parser(
        "merge", help="make one survey of several, to be compared and exported together"
    )
    merge.add_argument("surveys", nargs="+", metavar="S", help="folders of finished surveys")
    merge.add_argument("--out", required=True, metavar="M", help="folder of the merged survey")
    merge.set_defaults(run=_run_survey_merge)


def _run_survey_merge(options: argparse.Namespace) -> int:
    """Write the merged survey; returns the exit code."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.survey.data import SurveyTableError
    from crownlet.infer.survey.merging import write_merged

    folder = Path(options.out)
    if folder.exists() and not folder.is_dir():
        print_error(f"{folder}: is a file; --out needs a folder.")
        return WRONG_USAGE
    try:
        # The part of `survey run`: one folder holds one survey, merged or not.
        with hold_folder(folder, "crownlet survey merge", PAGES_PART):
            merged = write_merged(folder, [Path(member) for member in options.surveys])
    except (FileFault, SurveyTableError) as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        _print_unwritten(folder, error)
        return SOME_FAILED
    print(
        f"{folder}: {len(merged.scrolls)} scrolls of {len(merged.arrays.sources)} sources. "
        f"Compare them with: crownlet survey compare {folder}"
    )
    print(SURVEY_CAUTION)
    return DONE


def add_survey_export(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    export = actions.add_parser(
        "export", help="write every letter of a survey as one table, for other tools"
    )
    export.add_argument("survey", metavar="S", help="folder of a survey made by `survey run`")
    export.add_argument(
        "--every-defect", action="store_true", help="also defects that the audit does not ask about"
    )
    export.set_defaults(run=_run_survey_export)


def _run_survey_export(options: argparse.Namespace) -> int:
    """Write S/export; returns the exit code."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.survey.merging import gather_survey
    from crownlet.infer.survey.tidy import EXPORT_FOLDER, write_export

    folder = Path(options.survey)
    try:
        gathered = gather_survey(folder)
        with hold_folder(folder, "crownlet survey export", EXPORT_FOLDER):
            files = write_export(gathered, folder / EXPORT_FOLDER, options.every_defect)
    except FileFault as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        _print_unwritten(folder / EXPORT_FOLDER, error)
        return SOME_FAILED
    print(f"{files.rows:,} rows in {files.csv} and {files.parquet}.")
    print(f"What each column holds: {files.dictionary}")
    print(SURVEY_CAUTION)
    return DONE


MAX_DEMO_SCROLLS = 100


def add_survey_demo(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    demo = actions.add_parser("demo", help="make an invented survey and compare its sources")
    demo.add_argument("out", metavar="OUT", help="folder for the demonstration")
    demo.add_argument(
        "--scrolls", type=_scrolls, default=8, metavar="N", help="scrolls of each source (8)"
    )
    demo.add_argument("--model", metavar="DIR", help=argparse.SUPPRESS)
    demo.set_defaults(run=_run_survey_demo)


def _scrolls(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MAX_DEMO_SCROLLS:
        raise argparse.ArgumentTypeError(f"a number from 1 to {MAX_DEMO_SCROLLS}, not {text}")
    return int(text)


def _run_survey_demo(options: argparse.Namespace) -> int:
    """Make the demonstration; returns the exit code."""
    _keep_matplotlib_apart()
    out = Path(options.out)
    if out.exists() and not out.is_dir():
        print_error(f"{options.out}: is a file; the demo needs a folder.")
        return WRONG_USAGE
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder
    from crownlet.infer.demo.survey import run_survey_demo
    from crownlet.infer.networks import ModelError

    try:
        with hold_folder(out, "crownlet survey demo"):
            report = run_survey_demo(out, options.scrolls, options.model)
    except (FileFault, ModelError, OSError) as error:
        print_error(error)
        return WRONG_USAGE if isinstance(error, ModelError) else SOME_FAILED
    print(f"Open {report} in a browser.")
    return DONE


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `survey` and its subcommands."""
    survey = commands.add_parser("survey", help="compare defect rates between sources")
    actions = survey.add_subparsers(dest="action", required=True, metavar="ACTION")
    add_survey_plan(actions)
    add_survey_run(actions)
    add_survey_compare(actions)
    add_survey_merge(actions)
    add_survey_export(actions)
    add_survey_demo(actions)
