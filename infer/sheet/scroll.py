"""Everything a triage sheet shows of one scroll, gathered from its pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from crownlet.datasets.customs import CUSTOMS, Customs, load_customs
from crownlet.infer.cautions import ALWAYS
from crownlet.infer.findings import HEADINGS, Finding
from crownlet.infer.findings.unexamined import accepted as accepted_forms
from crownlet.infer.findings.unexamined import accepted_says
from crownlet.infer.records import PageRecord
from crownlet.infer.run import Run, StoredPage, StoredScroll
from crownlet.infer.run.tables import read_json
from crownlet.infer.sheet import words
from crownlet.infer.sheet.decided import Decisions
from crownlet.infer.sheet.entries import Entry, entry
from crownlet.infer.sheet.gathering import Row, gather, kinds_of
from crownlet.infer.sheet.marks import Spot, place_marks
from crownlet.infer.sheet.page import Page
from crownlet.infer.sheet.pictures import small_page
from crownlet.infer.sheet.veil import Veiled
from crownlet.infer.sheet.view import Group, PageView, ScrollView, Sources
from crownlet.infer.sheet.wall import page_doubts, wall
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
    rows = _found(pages)
    groups = _groups(rows, well)
    first = pages[0].veiled.page
    told = _told(run, scroll)
    return ScrollView(
        scroll=scroll, notes=notes_of(scroll, [run.pages[page.name] for page in pages]),
        pages=tuple(_view(page, _quiet(groups)) for page in pages), groups=groups,
        sources=_sources([each for group in groups for each in group.entries]), bricks=wall(pages),
        doubts=page_doubts(pages),
        not_examined=ALWAYS, limits=_limits(first), versions=first.versions, shows_names=show_names,
        has_names=any(page.veiled.names for page in pages),
        kinds=kinds_of(rows),
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


def _found(pages: Sequence[Page]) -> list[Row]:
    """Findings by heading, the surest first; reviews are left to the wall."""
    rows = [(page, f) for page in pages for f in page.findings if f.route == "finding"]
    return sorted(rows, key=lambda row: _order(row[1]))


def _groups(rows: Sequence[Row], well: WellFormed) -> tuple[Group, ...]:
    full, gathered = gather(rows)
    return tuple(
        Group(
            heading, plain, tuple(entry(page, f, well) for page, f in full if f.heading == heading),
            gathered[heading],
        )
        for heading, plain in HEADINGS.items()
    )  # fmt: skip


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


def _quiet(groups: Iterable[Group]) -> frozenset[str]:
    """Places told together without a picture of their own."""
    return frozenset().union(*(each.anchors for group in groups for each in group.gathered))


def _view(page: Page, quiet: Collection[str]) -> PageView:
    record = page.veiled.page
    picture, turn, part = small_page(page.veiled)
    spots = [
        Spot(page.label(f), page.anchor(f), f.route, f.box, page.anchor(f) in quiet)
        for f in page.findings if f.scope != "page"
    ]  # fmt: skip
    routes = Counter(f.route for f in page.findings)
    match = record.match
    accepted = _accepted(record)
    return PageView(
        name=page.name, side=page.side, picture=picture, part=part, q=max(record.q, 1.0),
        marks=tuple(place_marks(spots, turn, part, max(record.q, 1.0))), letters=len(record.glyphs),
        partly=sum(bool(record.unresolved or g.not_examined) for g in record.glyphs),
        findings=routes["finding"], review=routes["review"],
        compared_with=match.portion if match else "",
        not_examined=tuple(
            line for line in record.not_examined if line not in (*ALWAYS, *accepted)
        ),
        accepted=accepted,
    )  # fmt: skip


def _accepted(record: PageRecord) -> tuple[str, ...]:
    """What the record says was seen and, by its customs, is not listed."""
    by_default = (accepted_says(*each) for each in accepted_forms(record, load_customs()))
    return tuple(line for line in by_default if line in record.not_examined)


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
