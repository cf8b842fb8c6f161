"""The demo: sample scrolls made and inspected as a user would, with tables, sheets and an index."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from crownlet.datasets.files.atomic import atomic_write, write_csv
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.batch.worker import describe_counts
from crownlet.infer.demo.scenario import (
    SAMPLE_SOURCES,
    SAMPLE_STORIES,
    DemoSheet,
    DemoSource,
    PlantedFaults,
    count_planted,
    list_sample_sheets,
    write_scan,
)
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.customs import accepted_forms
from crownlet.infer.findings.finding import HEADINGS, Finding
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord
from crownlet.infer.routing.judgement import judgement_of
from crownlet.infer.run.run import open_run
from crownlet.infer.run.write import write_page
from crownlet.infer.sheet.render import choose_file_names, render
from crownlet.infer.sheet.scroll_habits import read_habits
from crownlet.infer.view.language import ENGLISH, Locale, translate, use_locale
from crownlet.infer.view.wording import RULING_TEXT

NOT_LISTED = "tag_bare"
"""The planted fault that the customs of the demo accept: it is counted and not listed."""


@dataclass(frozen=True)
class InspectedSheet:
    """One inspected sheet; `scan` is its picture, as a path from the demo's folder."""

    sheet: DemoSheet
    record: PageRecord
    findings: tuple[Finding, ...]
    scan: str
    planted: PlantedFaults


def run_demo(
    out: Path,
    model: str | None = None,
    say: Callable[[str], object] = print,
    inspector: Inspector | None = None,
    locale: Locale | None = None,
) -> Path:
    """Write the demo into `out`, its pages in `locale`; returns the path of its index page.

    ModelError when the networks cannot be used, OSError when `out` cannot be written.
    """
    from crownlet.datasets.files.atomic import write_file
    from crownlet.infer.scrolls.gather import update_scrolls
    from crownlet.infer.scrolls.members import read_scroll_table
    from crownlet.infer.sheet.make import make_sheets

    start = time.perf_counter()
    inspector = inspector or Inspector(model)
    out.mkdir(parents=True, exist_ok=True)
    work, run = list_sample_sheets(), out / "run"
    results = []
    for number, sheet in enumerate(work, start=1):
        results.append(_inspect_sheet(sheet, out, inspector))
        took = time.perf_counter() - start
        counts = describe_counts(results[-1].record, results[-1].findings)
        say(f"[{number}/{len(work)}] {sheet.name}: {counts} ({took:.0f} s)")
    table = write_scroll_table(out / "scrolls.csv", work)
    update_scrolls(run, read_scroll_table(table))
    write_counts(out / "survey.csv", results)
    with use_locale(locale or ENGLISH):
        made = make_sheets(open_run(run), report=lambda line: None, complain=say)
        write_file(out / "index.html", index_page(results, made.index.parent.relative_to(out)))
    return out / "index.html"


def _inspect_sheet(sheet: DemoSheet, out: Path, inspector: Inspector) -> InspectedSheet:
    """Compose, scan and inspect one sheet."""
    scan = out / "scans" / f"{sheet.name}.png"
    scan.parent.mkdir(exist_ok=True)
    truth = write_scan(sheet, scan)
    record = inspector.inspect(scan, sheet.portion, sheet.name)
    findings = collect_findings(record, inspector.customs)
    write_page(record, out / "run", findings)
    where = scan.relative_to(out).as_posix()
    habits = read_habits(open_run(out / "run"), [sheet.name], {})
    evidence = [(habit.defect, glyph) for habit in habits for _, glyph in habit.evidence]
    not_listed = [
        (NOT_LISTED, glyph.glyph)
        for glyph in record.glyphs
        if judgement_of(glyph, NOT_LISTED, record.unresolved) in ("seen", "doubted")
    ]
    planted = count_planted(truth, record, findings, evidence + not_listed)
    return InspectedSheet(sheet, record, findings, where, planted)


@dataclass(frozen=True)
class PlantedRow:
    """What was planted in one sample scroll, what of it the program names, and what else it finds.

    Both sides of the scroll together.
    """

    scroll: str
    href: str
    planted: str
    """In words."""
    counts: tuple[tuple[str, int, int], ...]
    """Kind, faults planted, faults named."""
    unplanted: tuple[tuple[str, int], ...]
    """Kind, findings where nothing of the kind was planted."""


def _planted_rows(results: Sequence[InspectedSheet], folder: str) -> list[PlantedRow]:
    files = choose_file_names(sorted({r.sheet.scroll for r in results}))
    rows = []
    for scroll in files:
        sides = [r.planted for r in results if r.sheet.scroll == scroll]
        faults, named, unplanted = (
            sum((getattr(side, name) for side in sides), Counter[str]())
            for name in ("faults", "named", "unplanted")
        )
        counts = tuple((kind, n, named[kind]) for kind, n in faults.most_common())
        href = f"{folder}/{files[scroll]}"
        story = SAMPLE_STORIES[scroll].planted
        rows.append(PlantedRow(scroll, href, story, counts, tuple(unplanted.most_common())))
    return rows


@dataclass(frozen=True)
class OverviewRow:
    """One row of the overview; `href` leads to the scroll's sheet, empty in a sum."""

    title: str
    href: str
    letters: int
    findings: int
    grave: int
    """Findings under the gravest heading."""
    review: int

    @property
    def rate(self) -> float:
        """Findings under the gravest heading in a hundred letters."""
        return 100 * self.grave / max(self.letters, 1)


def index_page(results: Sequence[InspectedSheet], folder: Path) -> str:
    """The whole page; `folder` holds the sheets, seen from the page."""
    tallies = {
        source.name: Counter(
            f.kind for r in results if r.sheet.source == source for f in r.findings
        )
        for source in SAMPLE_SOURCES
    }
    kinds = sum(tallies.values(), Counter[str]()).most_common()
    return render(
        "demo.html", sources=SAMPLE_SOURCES, lines=_overview(results, folder.as_posix()),
        ruling=RULING_TEXT, sheets=len(results), letters=sum(len(r.record.glyphs) for r in results),
        folder=folder.as_posix(), kinds=[name for name, _ in kinds], tallies=tallies,
        planted=_planted_rows(results, folder.as_posix()), not_listed=NOT_LISTED,
        bare=[_count_bare_crowns(results, source) for source in SAMPLE_SOURCES],
        gravest=HEADINGS["question"], scans=[(r.sheet.name, r.scan) for r in results],
    )  # fmt: skip


def _overview(results: Sequence[InspectedSheet], folder: str) -> list[OverviewRow]:
    files = choose_file_names(sorted({r.sheet.scroll for r in results}))
    lines = []
    for source in SAMPLE_SOURCES:
        own = [r for r in results if r.sheet.source == source]
        for name in sorted({r.sheet.scroll for r in own}):
            both = [r for r in own if r.sheet.scroll == name]
            title = translate("{source}, scroll {n}", source=translate(source.name), n=name)
            lines.append(_overview_row(title, f"{folder}/{files[name]}", both))
        title = translate("{source}, all scrolls", source=translate(source.name))
        lines.append(_overview_row(title, "", own))
    return lines


def _overview_row(title: str, href: str, results: Sequence[InspectedSheet]) -> OverviewRow:
    routes = Counter(f.route for r in results for f in r.findings)
    letters = sum(len(r.record.glyphs) for r in results)
    grave = sum(
        f.route == "finding" and f.heading == "question" for r in results for f in r.findings
    )
    return OverviewRow(title, href, letters, routes["finding"], grave, routes["review"])


def _count_bare_crowns(results: Sequence[InspectedSheet], source: DemoSource) -> int:
    """Letters whose crowns are seen or doubted as bare lines, as the other rows of its table count;
    by the default customs they are not listed."""
    return sum(
        count.seen + count.doubted
        for r in results if r.sheet.source == source
        for name, count in accepted_forms(r.record, load_customs()) if name == "tag_form"
    )  # fmt: skip


def write_scroll_table(path: Path, work: Iterable[DemoSheet]) -> Path:
    """Write the table for `crownlet inspect --scrolls`; returns `path`."""
    rows = [(sheet.name, sheet.scroll, sheet.side, sheet.source.name) for sheet in work]
    with atomic_write(path) as draft:
        write_csv(draft, ("scan", "scroll", "side", "source"), rows)
    return path


def write_counts(path: Path, results: Iterable[InspectedSheet]) -> Path:
    """Write one row per sheet and kind; returns `path`."""
    rows: list[Sequence[object]] = []
    for result in results:
        sheet, letters = result.sheet, len(result.record.glyphs)
        head = (sheet.source.name, sheet.number, sheet.side, sheet.name, letters)
        tally = Counter((f.kind, f.route) for f in result.findings)
        rows += [(*head, *key, n) for key, n in sorted(tally.items())] or [(*head, "", "", 0)]
    columns = ("source", "scroll", "side", "page", "letters", "kind", "route", "count")
    with atomic_write(path) as draft:
        write_csv(draft, columns, rows)
    return path
