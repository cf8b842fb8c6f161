"""All sheets of a run, written into RUN/sheets."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.findings.finding import HEADINGS
from crownlet.infer.run.run import Run, StoredScroll, open_run
from crownlet.infer.sheet.decisions import Decisions, decisions_of
from crownlet.infer.sheet.render import file_names, render
from crownlet.infer.sheet.scroll_sheet import notes_of, scroll_view
from crownlet.infer.sheet.teaching_sheet import teaching_page


@dataclass(frozen=True)
class Row:
    """One scroll in the list."""

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
        """The greater the sooner it is to be looked at."""
        return bool(self.notes), self.by_heading, self.review


def row(
    run: Run,
    scroll: StoredScroll,
    href: str,
    decisions: Decisions,
    faults: Iterable[str] = (),
) -> Row:
    """A scroll's row; `faults` are sentences about what could not be done."""
    names = (*scroll.faces, *scroll.reverses)
    pages = [run.pages[name] for name in names]
    findings = [f for page in pages for f in page.findings]
    found = Counter(f.heading for f in findings if f.route == "finding")
    records = [page.record for page in pages]
    return Row(
        name=scroll.name, href=href, notes=(*faults, *notes_of(scroll, pages)),
        by_heading=tuple(found[heading] for heading in HEADINGS),
        review=sum(f.route == "review" for f in findings),
        decided=sum(page in names for page, _ in decisions),
        letters=sum(len(record.glyphs) for record in records),
    )  # fmt: skip


def index_page(rows: Iterable[Row], teaching: bool) -> str:
    """The list as a page."""
    ordered = sorted(rows, key=lambda each: each.name)
    ordered.sort(key=lambda each: each.urgency, reverse=True)
    return render(
        "index.html", rows=ordered, headings=list(HEADINGS.values()), teaching=teaching,
        any_decided=any(each.decided for each in ordered),
    )  # fmt: skip


def addresses(files: Mapping[str, str]) -> dict[str, str]:
    """File names as they stand in a link."""
    return {name: quote(file) for name, file in files.items()}


FOLDER = "sheets"

Say = Callable[[str], object]


@dataclass(frozen=True)
class Made:
    """What was written."""

    index: Path
    failed: int
    """Scrolls of which no sheet could be made."""


def make_sheets(
    run: Run,
    only: str | None = None,
    show_names: bool = False,
    say: Say = print,
    complain: Say = print,
) -> Made:
    """Write a sheet for each scroll, the index and the teaching sheet.

    With `only`, the name of a scroll, its sheet and the index. A scroll whose pictures have moved
    is said and left out. RunError for a damaged run, OSError if a file cannot be written.
    """
    folder = run.folder / FOLDER
    files = file_names(scroll.name for scroll in run.scrolls)
    links, decisions = addresses(files), decisions_of(run)
    chosen = [scroll for scroll in run.scrolls if only in (None, scroll.name)]
    faults: dict[str, FileFault] = {}
    rows: dict[str, Row] = {}
    for number, scroll in enumerate(chosen, start=1):
        start = time.perf_counter()
        path = folder / files[scroll.name]
        # Opened anew for each scroll: a hundred of them are too large to hold.
        fresh = open_run(run.folder)
        try:
            write_file(path, sheet_page(fresh, scroll, show_names, decisions))
        except FileFault as error:
            faults[scroll.name] = error
            complain(str(error))
            continue
        rows[scroll.name] = row(fresh, scroll, links[scroll.name], decisions)
        took = time.perf_counter() - start
        say(f"[{number}/{len(chosen)}] {scroll.name} -> {path}, {took:.1f} s")
    if only is None:
        sound = [scroll for scroll in chosen if scroll.name not in faults]
        write_file(folder / "teaching.html", teaching_page(run, sound, show_names, decisions))
    for scroll in run.scrolls:
        if scroll.name not in rows:
            href = links[scroll.name] if (folder / files[scroll.name]).is_file() else ""
            fault = faults.get(scroll.name)
            rows[scroll.name] = _row(open_run(run.folder), scroll, href, decisions, fault)
    taught = (folder / "teaching.html").is_file()
    write_file(folder / "index.html", index_page(rows.values(), taught))
    return Made(folder / "index.html", len(faults))


def sheet_page(
    run: Run, scroll: StoredScroll, show_names: bool = False, decisions: Decisions | None = None
) -> str:
    """The triage sheet of one scroll; PageError if a picture of it has moved."""
    return render("sheet.html", v=scroll_view(run, scroll, show_names, decisions))


def _row(
    run: Run, scroll: StoredScroll, href: str, decisions: Decisions, fault: FileFault | None
) -> Row:
    """The scroll in the index; without counts where its tables cannot be read."""
    said = (f"No new sheet: {fault.reason}",) if fault else ()
    try:
        return row(run, scroll, href, decisions, said)
    except FileFault as error:
        return Row(scroll.name, href, said or (error.reason,), (0,) * len(HEADINGS), 0, 0, 0)
