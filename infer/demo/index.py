"""The demo's index page: one file that opens offline and says first what it is not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.datasets.customs import load_customs
from crownlet.infer.cautions import RULING
from crownlet.infer.demo.planted import Planted
from crownlet.infer.demo.scenario import SOURCES, Source
from crownlet.infer.findings import HEADINGS
from crownlet.infer.findings.unexamined import accepted
from crownlet.infer.sheet.render import file_names, render

if TYPE_CHECKING:
    from crownlet.infer.demo.run import Result


@dataclass(frozen=True)
class Line:
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


def index_page(results: Sequence[Result], folder: Path) -> str:
    """The whole page; `folder` holds the sheets, seen from the page."""
    tallies = {
        source.name: Counter(
            f.kind for r in results if r.sheet.source == source for f in r.findings
        )
        for source in SOURCES
    }
    kinds = sum(tallies.values(), Counter[str]()).most_common()
    return render(
        "demo.html", sources=SOURCES, lines=_lines(results, folder.as_posix()), ruling=RULING,
        sheets=len(results), letters=sum(len(r.record.glyphs) for r in results),
        folder=folder.as_posix(), kinds=[name for name, _ in kinds], tallies=tallies,
        planted=Planted(
            sum(r.planted.faults for r in results), sum(r.planted.pointed_at for r in results)
        ),
        bare=[_bare(results, source) for source in SOURCES],
        gravest=HEADINGS["question"].lower(), scans=[(r.sheet.name, r.scan) for r in results],
    )  # fmt: skip


def _lines(results: Sequence[Result], folder: str) -> list[Line]:
    files = file_names(sorted({r.sheet.scroll_name for r in results}))
    lines = []
    for source in SOURCES:
        own = [r for r in results if r.sheet.source == source]
        for name in sorted({r.sheet.scroll_name for r in own}):
            both = [r for r in own if r.sheet.scroll_name == name]
            title = f"{source.name}, scroll {both[0].sheet.scroll}"
            lines.append(_line(title, f"{folder}/{files[name]}", both))
        lines.append(_line(f"{source.name}, all scrolls", "", own))
    return lines


def _line(title: str, href: str, results: Sequence[Result]) -> Line:
    routes = Counter(f.route for r in results for f in r.findings)
    letters = sum(len(r.record.glyphs) for r in results)
    grave = sum(
        f.route == "finding" and f.heading == "question" for r in results for f in r.findings
    )
    return Line(title, href, letters, routes["finding"], grave, routes["review"])


def _bare(results: Sequence[Result], source: Source) -> int:
    """Letters whose crowns look like bare lines, which by the default customs are not listed."""
    return sum(
        count
        for r in results if r.sheet.source == source
        for name, count in accepted(r.record, load_customs()) if name == "tag_form"
    )  # fmt: skip
