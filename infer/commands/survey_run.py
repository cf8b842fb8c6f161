"""`crownlet survey run`: the pages of a manifest inspected, and letters drawn for the audit."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE, complain

if TYPE_CHECKING:
    from crownlet.infer.survey.running import Running

CAUTION = (
    "The sources stand as codes everywhere but in sources.csv. Name none in public: no finding is "
    "a ruling, and scrolls that came by chance do not speak for a source."
)


def add(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    run = actions.add_parser("run", help="inspect the scans of a manifest and draw the audit")
    run.add_argument(
        "manifest", metavar="MANIFEST.csv",
        help="CSV table of scan, scroll, source, side (face or reverse) and, if wished, portion, "
        "customs, note; scans are seen from its folder",
    )  # fmt: skip
    run.add_argument("--out", required=True, metavar="S", help="folder of the survey")
    run.add_argument(
        "--audit", type=_audit, metavar="N",
        help="letters of each scroll to be judged for each defect (10), as `survey plan` advises; "
        "below 1, that share of them; 0, none",
    )  # fmt: skip
    run.add_argument(
        "--defects", type=_defects, metavar="NAME,...",
        help="defects to be audited, all if absent; few, chosen beforehand, are sooner read",
    )  # fmt: skip
    run.add_argument("--seed", type=int, metavar="K", help="draws codes and letters (2007)")
    run.add_argument("--portion", default="auto", help="where the manifest names none (auto)")
    run.add_argument(
        "--customs", default="unspecified", help="where the manifest names none (unspecified)"
    )
    run.add_argument("--model", metavar="DIR", help="other networks than the shipped ones")
    run.set_defaults(run=_run)


def _audit(text: str) -> float:
    try:
        size = float(text)
    except ValueError:
        size = -1.0
    if not 0 <= size < 1e6 or (size > 1 and size != int(size)):
        raise argparse.ArgumentTypeError(f"a whole number, or a share below 1, not {text}")
    return size


def _defects(text: str) -> tuple[str, ...]:
    from crownlet.datasets.catalogue import GLYPH_DEFECTS

    named = [name.strip() for name in text.split(",") if name.strip()]
    for name in named:
        if name not in GLYPH_DEFECTS:
            known = ", ".join(GLYPH_DEFECTS)
            raise argparse.ArgumentTypeError(f"{name!r} is none of {known}")
    return tuple(name for name in GLYPH_DEFECTS if name in named)


def _run(options: argparse.Namespace) -> int:
    running = _prepared(options)
    if running is None:
        return WRONG_USAGE
    from crownlet.infer.errors import FileFault

    try:
        return _inspect(running)
    except FileFault as error:
        complain(error)
    except OSError as error:
        complain(f"{running.folder}: cannot be written ({error.strerror or error}).")
    return SOME_FAILED


def _prepared(options: argparse.Namespace) -> Running | None:
    """The survey, or None after saying what is wrong with it."""
    from crownlet.infer.errors import FileFault
    from crownlet.infer.survey.manifest import read_manifest
    from crownlet.infer.survey.running import Wish, prepare

    wish = Wish(options.seed, options.audit, options.defects, options.model)
    try:
        manifest = read_manifest(options.manifest, options.portion, options.customs)
        return prepare(manifest, Path(options.out), wish)
    except (FileFault, ValueError, OSError) as error:
        complain(error)
        return None


def _inspect(running: Running) -> int:
    from crownlet.infer.commands.working import Work

    rows = running.manifest.rows
    work = Work(running.folder, len(rows))
    _begin(running)
    for outcome in running.pages():
        work.note(outcome)
    drawn = running.finish()
    _kept(running, work.kept)
    _drawn(running, drawn)
    if running.failed:
        lines = {key.page: key.line for key in running.keys}
        complain(f"{len(running.failed)} of {len(rows)} scans failed:")
        for page, why in running.failed.items():
            complain(f"line {lines[page]} of the manifest, {page}: {why}")
        return SOME_FAILED
    return DONE


def _begin(running: Running) -> None:
    from crownlet.infer.survey.records import MIN_SCROLLS

    sources = running.manifest.sources
    scrolls = sum(sources.values())
    print(
        f"{running.manifest.path}: {len(running.keys)} scans, {scrolls} scrolls, "
        f"{len(sources)} sources."
    )
    for name, count in sources.items():
        if count < MIN_SCROLLS:
            print(f"{name}: {count} of {MIN_SCROLLS} scrolls that an interval needs.")


def _kept(running: Running, kept: int) -> None:
    if kept:
        print(f"{kept} pages were inspected before and kept.")
    if running.anew:
        print(
            "Inspected anew, since picture, networks, customs or text changed: "
            f"{', '.join(running.anew)}."
        )
    if left := running.left_over():
        print(f"In {running.folder} but no longer in the manifest: {', '.join(left)}; left out.")


def _drawn(running: Running, drawn: int) -> None:
    survey = running.survey
    print(f"{running.folder}: {drawn} questions drawn for the audit, by the seed {survey.seed}.")
    if drawn:
        print(f"Answer them with: crownlet review {running.folder}")
    print(CAUTION)
