"""Everything a triage sheet shows of one scroll, gathered from its pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from crownlet.datasets.customs import CUSTOMS, Customs, load_customs
from crownlet.infer.cautions import ALWAYS
from crownlet.infer.findings import HEADINGS, Finding, Heading
from crownlet.infer.records import Box, PageRecord
from crownlet.infer.run import Run, StoredPage, StoredScroll
from crownlet.infer.run.tables import read_json
from crownlet.infer.sheet import words
from crownlet.infer.sheet.decided import Decisions
from crownlet.infer.sheet.entries import Entry, entry
from crownlet.infer.sheet.marks import Mark, Spot, place_marks
from crownlet.infer.sheet.page import Page
from crownlet.infer.sheet.pictures import Picture, small_page
from crownlet.infer.sheet.veil import Veiled
from crownlet.infer.sheet.wall import Brick, wall
from crownlet.infer.sheet.wellformed import WellFormed

MM = 1.55
"""mm of paper for one q of a page's picture; less where the page is too wide for that."""


@dataclass(frozen=True)
class PageView:
    """One page as pictured, with its counts."""

    name: str
    side: str
    picture: Picture
    part: Box
    """What is pictured, in px of the upright page; the marks are given in them."""
    q: float
    marks: tuple[Mark, ...]
    letters: int
    partly: int
    """Letters on which something could not be examined."""
    findings: int
    review: int
    compared_with: str
    not_examined: tuple[str, ...]

    @property
    def view(self) -> str:
        """The SVG viewBox of the part."""
        x0, y0, x1, y1 = (round(v) for v in self.part)
        return f"{x0} {y0} {x1 - x0} {y1 - y0}"

    def wide(self, high: float) -> float:
        """Width in mm on paper: letters as large as they need be, the picture at most `high`."""
        width, height = self.part[2] - self.part[0], self.part[3] - self.part[1]
        return min(MM * width / self.q, high * width / max(height, 1.0))


@dataclass(frozen=True)
class Group:
    """The findings under one heading."""

    key: Heading
    heading: str
    entries: tuple[Entry, ...]

    @property
    def lesser(self) -> bool:
        """Whether its entries are set small, two beside each other."""
        return self.key in ("custom", "information")


@dataclass(frozen=True)
class Sources:
    """What the books say of one kind on some letters; said in full where it first comes up."""

    first: str
    """Label of the entry that says it in full."""
    cited: tuple[words.Cited, ...]
    differ: bool

    @property
    def books(self) -> str:
        """The sources alone, each once."""
        places = [p.strip() for cited in self.cited for p in cited.source.split(";")]
        return "; ".join(dict.fromkeys(places))


@dataclass(frozen=True)
class ScrollView:
    """A triage sheet, ready for its template."""

    scroll: StoredScroll
    notes: tuple[str, ...]
    pages: tuple[PageView, ...]
    groups: tuple[Group, ...]
    sources: Mapping[str, Sources]
    """By anchor of the entry."""
    bricks: tuple[Brick, ...]
    not_examined: tuple[str, ...]
    """What is examined in no picture."""
    limits: tuple[str, ...]
    versions: Mapping[str, Any]
    shows_names: bool
    has_names: bool
    kinds: Counter[str]
    """Findings by kind."""
    decided: Counter[str]
    comparison: Mapping[str, Any] | None
    """Face against reverse, as in scrolls.json."""
    consistency: Mapping[str, Any] | None
    """Evenness of the hand, as in scrolls.json."""

    @property
    def room(self) -> float:
        """Height in mm that the first page has left for the picture, below its words."""
        lines = sum(2 + len(note) // 95 for note in self.notes) + len(self.kinds) // 5
        return max(100.0, 180.0 - 5.5 * (lines + len(self.pages)))


def scroll_view(
    run: Run, scroll: StoredScroll, show_names: bool = False, decisions: Decisions | None = None
) -> ScrollView:
    """The sheet of one scroll; PageError if a picture has moved, RunError for a damaged table."""
    pages = pages_of(run, scroll, show_names, decisions)
    well = WellFormed([page.veiled for page in pages])
    groups = _groups(pages, well)
    entries = [each for group in groups for each in group.entries]
    first = pages[0].veiled.page
    told = _told(run, scroll)
    return ScrollView(
        scroll=scroll, notes=notes_of(scroll, [page.veiled.page for page in pages]),
        pages=tuple(_view(page) for page in pages), groups=groups, sources=_sources(entries),
        bricks=wall(pages), not_examined=ALWAYS, limits=_limits(first),
        versions=first.versions, shows_names=show_names,
        has_names=any(page.veiled.names for page in pages),
        kinds=Counter(each.finding.kind for each in entries),
        decided=Counter(d.says for page in pages for each in page.decided.values() for d in each),
        comparison=told.get("comparison"), consistency=told.get("consistency"),
    )  # fmt: skip


def notes_of(scroll: StoredScroll, pages: Iterable[PageRecord]) -> tuple[str, ...]:
    """Sentences for the very top, each once: of the scroll, then of its pages."""
    notes = list(scroll.notes)
    for page in pages:
        notes += [*page.notes, page.match.note if page.match else ""]
    return tuple(dict.fromkeys(filter(None, notes)))


def customs_of(page: PageRecord) -> Customs:
    """The customs by which a page was inspected, if they are shipped ones, else unspecified."""
    made = page.versions.get("customs", {})
    name = made.get("name", "")
    if name in CUSTOMS:
        customs = load_customs(name)
        if customs.checksum == made.get("sha256", customs.checksum):
            return customs
    return load_customs()


def sides(scroll: StoredScroll) -> dict[str, tuple[str, str]]:
    """Words for the side of each page, and what stands before its numbers."""
    table = {}
    for pages, side, mark in ((scroll.faces, "face", ""), (scroll.reverses, "reverse", "R")):
        for k, name in enumerate(pages, start=1):
            several = len(pages) > 1
            table[name] = (
                f"{side} {k}" if several else side,
                f"{mark}{chr(96 + k) if k <= 26 else f'p{k}-'}" if several else mark,
            )
    return table


def pages_of(
    run: Run, scroll: StoredScroll, show_names: bool = False, decisions: Decisions | None = None
) -> list[Page]:
    """The pages of a scroll with their pixels, faces first; PageError if a picture has moved."""
    named = sides(scroll)
    return [_page(run.pages[name], *named[name], show_names, decisions or {}) for name in named]


def _page(stored: StoredPage, side: str, mark: str, show_names: bool, decisions: Decisions) -> Page:
    name = stored.name
    decided = {number: each for (page, number), each in decisions.items() if page == name}
    veiled = Veiled(stored.record, stored.pixels(), show_names)
    return Page(name, side, mark, veiled, stored.findings, customs_of(stored.record), decided)


def _groups(pages: Sequence[Page], well: WellFormed) -> tuple[Group, ...]:
    """Findings by heading, the surest first; reviews are left to the wall."""
    rows = [(page, f) for page in pages for f in page.findings if f.route == "finding"]
    rows.sort(key=lambda row: _order(row[1]))
    return tuple(
        Group(
            heading, plain, tuple(entry(page, f, well) for page, f in rows if f.heading == heading)
        )
        for heading, plain in HEADINGS.items()
    )


def _order(finding: Finding) -> tuple[int, bool, float]:
    """By heading, then certainty; each page's own order is kept among equals."""
    p = 1.0 if finding.p is None else finding.p
    return list(HEADINGS).index(finding.heading), not finding.sure, -p


def _sources(entries: Iterable[Entry]) -> dict[str, Sources]:
    told: dict[object, Sources] = {}
    table = {}
    for each in entries:
        key = each.finding.kind, each.finding.opinions
        if key not in told:
            opinions = each.finding.opinions
            told[key] = Sources(each.label, words.cited(opinions), words.differ(opinions))
        table[each.anchor] = told[key]
    return table


def _view(page: Page) -> PageView:
    record = page.veiled.page
    picture, turn, part = small_page(page.veiled)
    spots = [
        Spot(page.label(f), page.anchor(f), f.route, f.box)
        for f in page.findings if f.scope != "page"
    ]  # fmt: skip
    routes = Counter(f.route for f in page.findings)
    match = record.match
    return PageView(
        name=page.name, side=page.side, picture=picture, part=part, q=max(record.q, 1.0),
        marks=tuple(place_marks(spots, turn, part, max(record.q, 1.0))), letters=len(record.glyphs),
        partly=sum(bool(record.unresolved or g.not_examined) for g in record.glyphs),
        findings=routes["finding"], review=routes["review"],
        compared_with=match.portion if match else "",
        not_examined=tuple(line for line in record.not_examined if line not in ALWAYS),
    )  # fmt: skip


def _told(run: Run, scroll: StoredScroll) -> Mapping[str, Any]:
    """What scrolls.json says of a scroll; empty for runs made before it was written."""
    path = run.folder / "scrolls.json"
    listed = read_json(path).get("scrolls", ()) if path.is_file() else ()
    return next((entry for entry in listed if entry.get("name") == scroll.name), {})


def _limits(page: PageRecord) -> tuple[str, ...]:
    """What the promise of the thresholds does not reach, in its own two shortest sentences."""
    promise: Any = page.versions.get("thresholds", {}).get("promise")
    if not isinstance(promise, Mapping):
        return ()
    if "note" in promise:
        return (str(promise["note"]),)
    return tuple(str(line) for line in promise.get("limits", ())[:2])
