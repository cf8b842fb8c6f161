"""Everything a triage sheet shows of one scroll, gathered from its pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from crownlet.datasets.customs import CUSTOMS, Customs, load_customs
from crownlet.infer.cautions import ALWAYS
from crownlet.infer.findings import HEADINGS, Finding
from crownlet.infer.records import PageRecord
from crownlet.infer.run import Run, StoredPage, StoredScroll
from crownlet.infer.run.tables import read_json
from crownlet.infer.sheet import words
from crownlet.infer.sheet.decided import Decisions
from crownlet.infer.sheet.entries import Entry, entry
from crownlet.infer.sheet.marks import Spot, place_marks
from crownlet.infer.sheet.page import Page
from crownlet.infer.sheet.pictures import small_page
from crownlet.infer.sheet.veil import Veiled
from crownlet.infer.sheet.view import Group, PageView, ScrollView, Sources
from crownlet.infer.sheet.wall import wall
from crownlet.infer.sheet.wellformed import WellFormed

OLDER = (
    "inspected by an older version that kept no list of findings; inspect it anew, or nothing is "
    "pointed at here."
)


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
        scroll=scroll, notes=notes_of(scroll, [run.pages[page.name] for page in pages]),
        pages=tuple(_view(page) for page in pages), groups=groups, sources=_sources(entries),
        bricks=wall(pages), not_examined=ALWAYS, limits=_limits(first),
        versions=first.versions, shows_names=show_names,
        has_names=any(page.veiled.names for page in pages),
        kinds=Counter(each.finding.kind for each in entries),
        decided=Counter(d.says for page in pages for each in page.decided.values() for d in each),
        comparison=told.get("comparison"), consistency=told.get("consistency"),
    )  # fmt: skip


def notes_of(scroll: StoredScroll, pages: Iterable[StoredPage]) -> tuple[str, ...]:
    """Sentences for the very top, each once: of the scroll, then of its pages."""
    notes = list(scroll.notes)
    for page in pages:
        match = page.record.match
        notes += [*page.record.notes, match.note if match else ""]
        if not (page.folder / "findings.csv").is_file():
            notes.append(f"{page.name}: {OLDER}")
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
