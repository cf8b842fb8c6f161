"""The list of a run's scrolls, the most urgent first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import quote

from crownlet.infer.findings import HEADINGS
from crownlet.infer.run import Run, StoredScroll
from crownlet.infer.sheet.decided import Decisions
from crownlet.infer.sheet.render import render
from crownlet.infer.sheet.scroll import notes_of


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
