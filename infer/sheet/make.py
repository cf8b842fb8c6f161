"""All sheets of a run: one of each scroll, the teaching sheet and the index, in RUN/sheets."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from jinja2 import UndefinedError

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.findings.finding import HEADINGS
from crownlet.infer.review.letter_audit import DrawnLetter
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.run import Run, StoredScroll, open_run
from crownlet.infer.run.tables import RunError
from crownlet.infer.sheet.decisions import Decisions, read_decisions, read_drawn_letters
from crownlet.infer.sheet.lists import (
    AUTHORITY_FILE,
    OWNERS_FOLDER,
    PARCHMENT_FILE,
    render_authority_list,
    render_owner_page,
    render_parchment_list,
    scrolls_decided,
)
from crownlet.infer.sheet.posters import render_poster
from crownlet.infer.sheet.render import choose_file_names, render
from crownlet.infer.sheet.scroll_sheet import POSTERS_FOLDER, collect_notes, view_scroll
from crownlet.infer.sheet.statements import MAX_STATEMENTS
from crownlet.infer.sheet.teaching_sheet import render_teaching_sheet

SHEETS_FOLDER = "sheets"

LIST_FILES = (AUTHORITY_FILE, PARCHMENT_FILE)

Report = Callable[[str], object]


@dataclass(frozen=True)
class IndexRow:
    """One scroll in the index."""

    name: str
    href: str
    """Address of its sheet; empty where there is none."""
    notes: tuple[str, ...]
    by_heading: tuple[int, ...]
    """Findings under each heading, the gravest first."""
    review: int
    decided: int
    """Findings and places to review on which a reader has decided."""
    letters: int

    @property
    def urgency(self) -> tuple[bool, tuple[int, ...], int]:
        """Sort key: the greater, the earlier the scroll stands in the index."""
        return bool(self.notes), self.by_heading, self.review


@dataclass(frozen=True)
class SheetSummary:
    """The result of writing the sheets."""

    index: Path
    failed: int
    """Scrolls of which no sheet could be made."""


def make_sheets(
    run: Run,
    only: str | None = None,
    show_names: bool = False,
    report: Report = print,
    complain: Report = print,
) -> SheetSummary:
    """Write a sheet for each scroll, the index and the teaching sheet.

    With `only`, the name of a scroll, its sheet and the index alone. A scroll whose pictures have
    moved is reported by `complain` and left out. RunError for a damaged run, OSError if a file
    cannot be written.
    """
    folder = run.folder / SHEETS_FOLDER
    files = choose_file_names(scroll.name for scroll in run.scrolls)
    links, decisions = quote_addresses(files), read_decisions(run)
    drawn = read_drawn_letters(run)
    chosen = [scroll for scroll in run.scrolls if only in (None, scroll.name)]
    faults: dict[str, FileFault] = {}
    rows: dict[str, IndexRow] = {}
    for number, scroll in enumerate(chosen, start=1):
        start, file = time.perf_counter(), files[scroll.name]
        try:
            rows[scroll.name] = _write_scroll(
                run.folder, scroll, file, links[scroll.name], show_names, decisions, drawn
            )
        except FileFault as error:
            faults[scroll.name] = error
            complain(str(error))
            continue
        took = time.perf_counter() - start
        report(f"[{number}/{len(chosen)}] {scroll.name} -> {folder / file}, {took:.1f} s")
    if only is None:
        sound = [scroll for scroll in chosen if scroll.name not in faults]
        write_file(
            folder / "teaching.html", render_teaching_sheet(run, sound, show_names, decisions)
        )
        _write_lists(folder, run, files, show_names, decisions)
    for scroll in run.scrolls:
        if scroll.name not in rows:
            href = links[scroll.name] if (folder / files[scroll.name]).is_file() else ""
            fault = faults.get(scroll.name)
            rows[scroll.name] = _row_or_fault(open_run(run.folder), scroll, href, decisions, fault)
    has_teaching_sheet = (folder / "teaching.html").is_file()
    lists = {name for name in LIST_FILES if (folder / name).is_file()}
    write_file(folder / "index.html", render_index(rows.values(), has_teaching_sheet, lists))
    return SheetSummary(folder / "index.html", len(faults))


def _write_scroll(
    run: Path,
    scroll: StoredScroll,
    file: str,
    href: str,
    show_names: bool,
    decisions: Decisions,
    drawn: Sequence[DrawnLetter],
) -> IndexRow:
    """Write a scroll's sheet and its posters; its row in the index.

    The run is opened for it alone, so that no picture of it is held when the next one is read: two
    large ones do not fit in memory together.
    """
    fresh, folder = open_run(run), run / SHEETS_FOLDER
    write_file(folder / file, render_sheet(fresh, scroll, show_names, decisions, drawn))
    for statement in range(1, MAX_STATEMENTS + 1):
        poster = render_poster(fresh, scroll, statement, show_names=show_names, decisions=decisions)
        if poster is not None:
            stem = file.removesuffix(".html")
            write_file(folder / POSTERS_FOLDER / f"{stem}-{statement}.html", poster)
    return make_row(fresh, scroll, href, decisions)


def _write_lists(
    folder: Path, run: Run, files: Mapping[str, str], show_names: bool, decisions: Decisions
) -> None:
    """The lists that a review leaves, and the page for each owner; nothing before a review."""
    if not decisions:
        return
    fresh = open_run(run.folder)
    write_file(folder / AUTHORITY_FILE, render_authority_list(fresh, decisions, show_names))
    write_file(folder / PARCHMENT_FILE, render_parchment_list(fresh, decisions, show_names))
    for scroll in scrolls_decided(fresh, decisions):
        page = render_owner_page(fresh, scroll, decisions)
        write_file(folder / OWNERS_FOLDER / files[scroll.name], page)


def render_sheet(
    run: Run,
    scroll: StoredScroll,
    show_names: bool = False,
    decisions: Decisions | None = None,
    drawn: Sequence[DrawnLetter] = (),
) -> str:
    """The triage sheet of one scroll; PageError if a picture of it has moved, RunError where the
    statistics of its scroll lack something."""
    view = view_scroll(run, scroll, show_names, decisions, drawn)
    try:
        return render("sheet.html", v=view)
    except UndefinedError as error:
        reason = f"the statistics of {scroll.name} are damaged ({error.message})."
        raise RunError(run.folder / SCROLLS_FILE, reason) from None


def _row_or_fault(
    run: Run, scroll: StoredScroll, href: str, decisions: Decisions, fault: FileFault | None
) -> IndexRow:
    """The scroll in the index; without counts where its tables cannot be read."""
    faults = (f"No new sheet: {fault.reason}",) if fault else ()
    try:
        return make_row(run, scroll, href, decisions, faults)
    except FileFault as error:
        return IndexRow(scroll.name, href, faults or (error.reason,), (0,) * len(HEADINGS), 0, 0, 0)


def make_row(
    run: Run,
    scroll: StoredScroll,
    href: str,
    decisions: Decisions,
    faults: Iterable[str] = (),
) -> IndexRow:
    """A scroll's row in the index; `faults` are sentences about what could not be done."""
    names = (*scroll.faces, *scroll.reverses)
    pages = [run.pages[name] for name in names]
    findings = [f for page in pages for f in page.findings]
    found = Counter(f.heading for f in findings if f.route == "finding")
    records = [page.record for page in pages]
    return IndexRow(
        name=scroll.name, href=href, notes=(*faults, *collect_notes(scroll, pages)),
        by_heading=tuple(found[heading] for heading in HEADINGS),
        review=sum(f.route == "review" for f in findings),
        decided=sum(page in names for page, _ in decisions),
        letters=sum(len(record.glyphs) for record in records),
    )  # fmt: skip


def render_index(rows: Iterable[IndexRow], teaching: bool, lists: Collection[str] = ()) -> str:
    """The index as an HTML page; `lists` are the files of the lists that there are."""
    ordered = sorted(rows, key=lambda each: each.name)
    ordered.sort(key=lambda each: each.urgency, reverse=True)
    return render(
        "index.html", rows=ordered, headings=list(HEADINGS.values()), teaching=teaching,
        lists=lists,
        any_decided=any(each.decided for each in ordered),
    )  # fmt: skip


def quote_addresses(files: Mapping[str, str]) -> dict[str, str]:
    """File names as they stand in a link."""
    return {name: quote(file) for name, file in files.items()}
