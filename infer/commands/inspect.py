"""`crownlet inspect`: page pictures in; tables out, one folder per page, and the list of
scrolls."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE
from crownlet.infer.run.names import PAGES_PART
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.batch.processes import WorkerConfig
    from crownlet.infer.batch.worker import BatchProgress, PageJob, PageOutcome, PageWorker
    from crownlet.infer.scrolls.members import PagePlace, ScrollTable

MAX_WORKERS = 256


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command and its arguments."""
    inspect = commands.add_parser("inspect", help="inspect page images and write their tables")
    inspect.add_argument(
        "pages", nargs="+", metavar="PAGE",
        help="PNG, JPEG, TIFF, WebP, BMP, HEIC or PDF; a folder stands for all pictures below it, "
        "and patterns such as 'scans/**/*.tif' may be quoted",
    )  # fmt: skip
    inspect.add_argument("--out", required=True, metavar="RUN", help="folder for the records")
    inspect.add_argument(
        "--portion",
        default="auto",
        help="mezuzah, kadesh, shema ..., a passage such as 'Exodus 13:1-16', a UTF-8 text file; "
        "auto (the default) looks for the page's words in the Pentateuch, none compares nothing",
    )
    inspect.add_argument(
        "--scrolls",
        metavar="FILE",
        help="CSV table of scan, scroll, side (face or reverse) and, if wished, source; "
        "without it, names such as a1-face and a1-reverse tell",
    )
    inspect.add_argument("--customs", default="unspecified", help="a shipped name or a YAML file")
    inspect.add_argument("--model", metavar="DIR", help="other networks than the shipped ones")
    inspect.add_argument(
        "--hand", choices=("learn", "off"), default="learn",
        help="learn (the default) reads a page whose text is known again by the forms that its "
        "own letters have, and those of up to three other pages of its scroll; off leaves it as "
        "the networks read it",
    )  # fmt: skip
    inspect.add_argument(
        "--measure", choices=("doubts", "all"), default="doubts",
        help="doubts (the default) measures the letters that are in doubt or that the customs ask "
        "about; all measures every letter, which takes longer",
    )  # fmt: skip
    spread = inspect.add_mutually_exclusive_group()
    spread.add_argument(
        "--workers", type=_workers, default=1, metavar="N",
        help="processes that share the pages and the cores (1); the tables are the same",
    )  # fmt: skip
    spread.add_argument(
        "--cluster", metavar="ADDRESS",
        help="scheduler of a Dask cluster whose workers share the pages, such as "
        "tcp://10.0.0.1:8786; they see pictures and RUN at the same paths as this machine. Only "
        "one that you trust: either side runs what the other sends (tls:// by Dask's own settings)",
    )  # fmt: skip
    inspect.add_argument(
        "--anew", action="store_true",
        help="inspect every page; else those that RUN holds already, made from the same picture "
        "with the same networks, customs and text, are kept",
    )  # fmt: skip
    inspect.set_defaults(run=run)


def _workers(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MAX_WORKERS:
        raise argparse.ArgumentTypeError(f"a whole number from 1 to {MAX_WORKERS}, not {text}")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """Inspect every page and gather the scrolls; returns the exit code."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.datasets.files.locks import hold_folder

    out = Path(options.out)
    if out.exists() and not out.is_dir():
        print_error(f"{out}: is a file; --out needs a folder.")
        return WRONG_USAGE
    try:
        with hold_folder(out, "crownlet inspect", PAGES_PART):
            return _inspect(options, out)
    except FileFault as error:
        print_error(error)
    except OSError as error:
        print_error(f"{out}: cannot be written ({error.strerror or error}).")
    return WRONG_USAGE


def _inspect(options: argparse.Namespace, out: Path) -> int:
    """Inspect the pictures into a run that is held."""
    from crownlet.infer.batch.inputs import describe_unread, find_pictures
    from crownlet.infer.view.wording import describe_failures

    found = find_pictures(options.pages, out)
    paths = found.paths
    for sentence in found.wrong:
        print_error(sentence)
    for line in describe_unread(found.unread):
        print(line)
    if not paths:
        return WRONG_USAGE
    if options.cluster:
        paths = [path.absolute() for path in paths]
    placed = _places(paths, options.scrolls, out)
    opened = _open_worker(options, out) if placed is not None else None
    if placed is None or opened is None:
        return WRONG_USAGE
    from crownlet.datasets.files.atomic import remove_abandoned_drafts
    from crownlet.datasets.files.errors import FileFault
    from crownlet.infer.batch.worker import BatchProgress, PageJob

    table, places = placed
    remove_abandoned_drafts(out)
    work = BatchProgress(out, len(paths))
    tasks = [PageJob(path, place) for path, place in zip(paths, places, strict=True)]
    listed = True
    try:
        for outcome in _outcomes(tasks, *opened, options):
            work.add(outcome)
    except FileFault as error:
        print_error(error)
        return SOME_FAILED
    finally:  # After Ctrl-C too: the pages finished so far make scrolls.
        if work.written or work.kept:
            listed = _list_scrolls(work, table, [place.page for place in places])
    if work.kept:
        pages = "1 page was" if work.kept == 1 else f"{work.kept} pages were"
        print(f"{pages} inspected before and kept as {'it is' if work.kept == 1 else 'they are'}.")
    if work.failed:
        failures = describe_failures(work.failed, len(paths), "page")
        others = f"; the others are in {out}" if work.failed < len(paths) else ""
        print_error(f"{failures}{others}.")
    return DONE if listed and not work.failed and not found.wrong else SOME_FAILED


def _outcomes(
    tasks: list[PageJob], worker: PageWorker, config: WorkerConfig, options: argparse.Namespace
) -> Iterator[PageOutcome]:
    """Outcomes in the order of completion, from this process or several; FileFault if these
    fail."""
    from crownlet.infer.batch.worker import group_pages

    groups = group_pages(tasks, pooled=worker.inspector.learns_hands and worker.portion is not None)
    if options.workers == 1 and not options.cluster:
        for group in groups:
            yield from worker.inspect_group(group)
        return
    from crownlet.infer.batch.processes import ProcessPool, inspect_pages

    if options.cluster:
        from crownlet.infer.batch.dask_cluster import connect_cluster

        with connect_cluster(options.cluster, config, worker) as cluster:
            yield from inspect_pages(groups, cluster)
    else:
        from crownlet.infer.networks import count_physical_cores

        threads = max(1, count_physical_cores() // options.workers)
        yield from inspect_pages(
            groups, ProcessPool(replace(config, threads=threads), options.workers)
        )


def _places(
    paths: list[Path], file: str | None, out: Path
) -> tuple[ScrollTable | None, tuple[PagePlace, ...]] | None:
    """The table and the place of each page, or None after printing what is wrong."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.infer.batch.inputs import page_names
    from crownlet.infer.scrolls.gather import given_places
    from crownlet.infer.scrolls.members import pages_not_in_table, place_pages, read_scroll_table
    from crownlet.infer.scrolls.wording import name_pages

    try:
        pages = list(zip(page_names(paths, out), map(str, paths), strict=True))
        table = read_scroll_table(file) if file else None
        places = place_pages(pages, table, given_places(out))
        left = pages_not_in_table(pages, table) if table else []
        if left:
            print(f"Not in {file}, so placed by name: {name_pages(left)}.")
        return table, places
    except FileFault as error:
        print_error(error)
    except OSError as error:
        print_error(f"{out}: cannot be read ({error.strerror or error}).")
    return None


def _open_worker(options: argparse.Namespace, out: Path) -> tuple[PageWorker, WorkerConfig] | None:
    """The page worker and its config, or None after printing what is wrong."""
    from crownlet.infer.batch.processes import WorkerConfig
    from crownlet.infer.networks import ModelError

    config = WorkerConfig(
        options.model, options.customs, options.portion, out, options.anew,
        hand=options.hand == "learn", measure=options.measure,
    )  # fmt: skip
    try:
        return config.make_worker(), config
    except (ValueError, OSError, ModelError) as error:
        print_error(error)
        return None


def _list_scrolls(work: BatchProgress, table: ScrollTable | None, pages: list[str]) -> bool:
    """Update RUN/scrolls.json, and print the notes that no page has printed; `pages` are those of
    the command."""
    from crownlet.datasets.files.errors import FileFault
    from crownlet.infer.scrolls.gather import update_scrolls

    try:
        scrolls = update_scrolls(work.out, table, pages)
    except (FileFault, OSError) as error:
        print_error(f"{work.out}: its scrolls cannot be listed ({error}).")
        return False
    for scroll in scrolls:
        new = [note for note in scroll.notes if note not in work.printed]
        if new and not work.written.isdisjoint(scroll.pages):
            print(f"Scroll {scroll.name}:", *new, sep="\n    ")
            work.printed.update(new)
    print(f"{work.out / 'scrolls.json'}: {len(scrolls)} scroll{'s' * (len(scrolls) != 1)}")
    return True
