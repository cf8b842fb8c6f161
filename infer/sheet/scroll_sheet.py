"""Everything a triage sheet shows of one scroll, collected from its pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.customs import accepted_forms, accepted_message
from crownlet.infer.findings.finding import HEADINGS, Finding, Heading
from crownlet.infer.records import Box, PageRecord
from crownlet.infer.review.letter_audit import (
    DrawnLetter,
    audit_of,
    describe_audit,
    letters_without_finding,
)
from crownlet.infer.run.run import Run, StoredPage, StoredScroll
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.elsewhere import find_elsewhere
from crownlet.infer.sheet.entry import Entry, make_entry
from crownlet.infer.sheet.groups import (
    ClaimCounts,
    FindingGroup,
    PageFinding,
    TileGroup,
    count_claims,
    gather_by_place,
    group_findings,
    group_reviews,
    page_review_sentences,
)
from crownlet.infer.sheet.loading import load_pages, scroll_facts
from crownlet.infer.sheet.page import PageMark, PlaceToMark, SheetPage, place_marks
from crownlet.infer.sheet.pictures import EmbeddedPicture, shrink_page
from crownlet.infer.sheet.render import choose_file_names
from crownlet.infer.sheet.scroll_habits import read_habits
from crownlet.infer.sheet.statements import HandStatement, make_statements
from crownlet.infer.sheet.wellformed import CleanLetterFinder
from crownlet.infer.sheet.wording import CitedOpinion, cite_opinions, sources_differ
from crownlet.infer.view.wording import NEVER_EXAMINED

POSTERS_FOLDER = "posters"

PAPER_MM_PER_Q = 1.55
"""mm of paper for one q of a page's picture; less where the page is too wide for that."""

CROWDED_MARK_SHARE = 0.2
"""Where more than this share of the letters is marked the picture is twice as large."""

OLD_RUN_NOTE = (
    "inspected by an older version that kept no list of findings; inspect it anew, or nothing is "
    "pointed at here."
)


@dataclass(frozen=True)
class PageView:
    """One page as pictured, with its counts."""

    name: str
    side: str
    mark: str
    """Prefix of the numbers of its findings."""
    picture: EmbeddedPicture
    part: Box
    """What is pictured, in px of the upright page; the marks are given in them."""
    q: float
    marks: tuple[PageMark, ...]
    letters: int
    partly: int
    """Letters on which something could not be examined."""
    findings: int
    review: int
    compared_with: str
    not_examined: tuple[str, ...]
    accepted: tuple[str, ...]
    """Forms that were seen and, by the customs, are not listed."""

    @property
    def view(self) -> str:
        """The SVG viewBox of the part."""
        x0, y0, x1, y1 = (round(v) for v in self.part)
        return f"{x0} {y0} {x1 - x0} {y1 - y0}"

    def picture_width_mm(self, high: float) -> float:
        """Width in mm on paper: letters as large as they need be, the picture at most `high`."""
        width, height = self.part[2] - self.part[0], self.part[3] - self.part[1]
        grown = 2.0 if len(self.marks) > CROWDED_MARK_SHARE * self.letters else 1.0
        return min(grown * PAPER_MM_PER_Q * width / self.q, high * width / max(height, 1.0))


@dataclass(frozen=True)
class HeadingGroup:
    """The findings under one heading."""

    key: Heading
    heading: str
    entries: tuple[Entry, ...]
    """Those shown in full."""
    finding_groups: tuple[FindingGroup, ...] = ()
    """Those that come many times, together."""

    @property
    def total(self) -> int:
        """Findings under this heading."""
        grouped = sum(len(g.tiles) + len(g.listed) for g in self.finding_groups)
        return grouped + sum(1 + len(entry.beside) for entry in self.entries)

    @property
    def lesser(self) -> bool:
        """Whether its entries are set small, two beside each other."""
        return self.key in ("custom", "information")


@dataclass(frozen=True)
class CitedSources:
    """The opinions of the books on one kind and some letters; quoted in full at the first entry."""

    first: str
    """Label of the entry that quotes them in full."""
    cited: tuple[CitedOpinion, ...]
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
    groups: tuple[HeadingGroup, ...]
    sources: Mapping[str, CitedSources]
    """By anchor of the entry."""
    tile_groups: tuple[TileGroup, ...]
    doubts: tuple[str, ...]
    """Sentences about doubts of whole pages, which no small picture shows."""
    not_examined: tuple[str, ...]
    """What is examined in no picture."""
    limits: tuple[str, ...]
    """What the promise over rendered hands leaves out."""
    audit: str
    """What letters looked at at random bound in this scroll."""
    versions: Mapping[str, Any]
    shows_names: bool
    has_names: bool
    counts: ClaimCounts
    decided: Counter[str]
    side_comparison: Mapping[str, Any] | None
    """Face against reverse, as in scrolls.json."""
    consistency: Mapping[str, Any] | None
    """Evenness of the hand, as in scrolls.json."""
    statements: tuple[HandStatement, ...] = ()
    """Sentences about the hand, gravest first."""
    posters: str = ""
    """Address of the posters of its statements, without number and ending."""

    @property
    def stated(self) -> dict[str, int]:
        """Numbers of the statements with pictures, by the anchors of the findings that they are."""
        return {anchor: s.number for s in self.statements for _, anchor in s.entries}

    @property
    def picture_height_mm(self) -> float:
        """Height in mm that the text at the top leaves for the picture of the first page."""
        lines = sum(2 + len(note) // 95 for note in self.notes)
        lines += (len(self.counts.seen) + len(self.counts.doubted)) // 5
        return max(100.0, 168.0 - 5.5 * (lines + len(self.pages)))


def view_scroll(
    run: Run,
    scroll: StoredScroll,
    show_names: bool = False,
    decisions: Decisions | None = None,
    drawn: Sequence[DrawnLetter] = (),
) -> ScrollView:
    """The sheet of one scroll; PageError if a picture has moved, RunError for a damaged table."""
    pages = load_pages(run, scroll, show_names, decisions)
    finder = CleanLetterFinder([page.veiled for page in pages])
    rows = _sort_findings(pages)
    groups = _group_by_heading(rows, finder)
    first = pages[0].veiled.record
    facts = scroll_facts(run, scroll)
    statements = make_statements(
        read_habits(run, scroll.pages, facts, decisions), pages,
        elsewhere=lambda habit: find_elsewhere(run, scroll, habit, show_names),
    )  # fmt: skip
    stated = {anchor for s in statements for _, anchor in s.entries}
    return ScrollView(
        scroll=scroll, notes=collect_notes(scroll, [run.pages[page.name] for page in pages]),
        pages=tuple(_view_page(page, _unpictured_anchors(groups)) for page in pages), groups=groups,
        sources=cite_sources(
            [e for group in groups for e in group.entries if e.anchor not in stated]
        ),
        tile_groups=group_reviews(pages), doubts=page_review_sentences(pages),
        not_examined=NEVER_EXAMINED, limits=_promise_limits(first), versions=first.versions,
        audit=describe_audit(audit_of(_clear_letters(run, pages), drawn)),
        shows_names=show_names,
        has_names=any(page.veiled.names for page in pages),
        counts=count_claims(pages),
        decided=Counter(d.words for page in pages for each in page.decided.values() for d in each),
        side_comparison=facts.get("comparison"), consistency=facts.get("consistency"),
        statements=statements,
        posters=poster_address(run, scroll),
    )  # fmt: skip


def collect_notes(scroll: StoredScroll, pages: Iterable[StoredPage]) -> tuple[str, ...]:
    """Sentences for the very top, each once: of the scroll, then of its pages."""
    notes = list(scroll.notes)
    for page in pages:
        match = page.record.match
        own = [*page.record.notes, match.note if match else ""]
        notes += [note for note in own if f"{page.name}: {note}" not in scroll.notes]
        if not page.has_findings:
            notes.append(f"{page.name}: {OLD_RUN_NOTE}")
    return tuple(dict.fromkeys(filter(None, notes)))


def _sort_findings(pages: Sequence[SheetPage]) -> list[PageFinding]:
    """Findings by heading, the surest first, without places to review."""
    rows = [(page, f) for page in pages for f in page.findings if f.route == "finding"]
    return sorted(rows, key=lambda row: _finding_rank(row[1]))


def _group_by_heading(
    rows: Sequence[PageFinding], finder: CleanLetterFinder
) -> tuple[HeadingGroup, ...]:
    places, beside = gather_by_place(rows)
    full, grouped = group_findings(places, beside)
    return tuple(
        HeadingGroup(
            heading, plain,
            tuple(
                make_entry(page, f, finder, [g for _, g in beside.get(page.anchor(f), ())])
                for page, f in full if f.heading == heading
            ),
            grouped[heading],
        )
        for heading, plain in HEADINGS.items()
    )  # fmt: skip


def _finding_rank(finding: Finding) -> tuple[int, bool, bool, float]:
    """By heading, then certainty, marks last; each page's own order is kept among equals."""
    p = 1.0 if finding.p is None else finding.p
    return list(HEADINGS).index(finding.heading), not finding.sure, finding.of_marks, -p


def poster_address(run: Run, scroll: StoredScroll) -> str:
    """The address of a scroll's posters seen from its sheet, without number and ending."""
    files = choose_file_names(each.name for each in run.scrolls)
    return f"{POSTERS_FOLDER}/{quote(files[scroll.name].removesuffix('.html'))}"


def cite_sources(entries: Iterable[Entry]) -> dict[str, CitedSources]:
    """The sources of entries by their anchors, quoted in full at the first of each kind."""
    by_kind: dict[object, CitedSources] = {}
    spelled: set[str] = set()
    table = {}
    for each in entries:
        key = each.finding.kind, each.finding.opinions
        if key not in by_kind:
            opinions = each.finding.opinions
            by_kind[key] = CitedSources(
                each.label, cite_opinions(opinions, spelled), sources_differ(opinions)
            )
        table[each.anchor] = by_kind[key]
    return table


def _unpictured_anchors(groups: Iterable[HeadingGroup]) -> frozenset[str]:
    """Places shown in groups without pictures."""
    return frozenset().union(*(each.anchors for group in groups for each in group.finding_groups))


def _view_page(page: SheetPage, quiet: Collection[str]) -> PageView:
    record = page.veiled.record
    picture, turn, part = shrink_page(page.veiled)
    places = [
        PlaceToMark(
            page.label(f), page.anchor(f), f.route, f.box, page.anchor(f) in quiet, page.state(f)
        )
        for f in page.findings if f.scope != "page"
    ]  # fmt: skip
    routes = Counter(f.route for f in page.findings)
    match = record.match
    accepted = _accepted_forms(record)
    return PageView(
        name=page.name, side=page.side, mark=page.mark, picture=picture, part=part,
        q=max(record.q, 1.0),
        marks=tuple(place_marks(places, turn, part, max(record.q, 1.0))),
        letters=len(record.glyphs),
        partly=sum(bool(record.unresolved or g.not_examined) for g in record.glyphs),
        findings=routes["finding"], review=routes["review"],
        compared_with=match.portion if match else "",
        not_examined=tuple(
            line for line in record.not_examined if line not in (*NEVER_EXAMINED, *accepted)
        ),
        accepted=_accepted_forms(record, seen=True),
    )  # fmt: skip


def _accepted_forms(record: PageRecord, *, seen: bool = False) -> tuple[str, ...]:
    """Sentences of the record about forms that its customs do not list; `seen`: only of those that
    are seen, since a doubt about what is accepted either way asks nothing of a reader."""
    by_default = (
        accepted_message(name, count)
        for name, count in accepted_forms(record, load_customs())
        if count.seen or not seen
    )
    return tuple(line for line in by_default if line in record.not_examined)


def _clear_letters(run: Run, pages: Iterable[SheetPage]) -> dict[str, frozenset[int]]:
    return {
        page.name: letters_without_finding(
            page.veiled.record, tuple(page.findings), run.pages[page.name].has_findings
        )
        for page in pages
    }


def _promise_limits(page: PageRecord) -> tuple[str, ...]:
    """The first two sentences of the thresholds' own list of what their guarantee leaves out."""
    promise: Any = page.versions.get("thresholds", {}).get("promise")
    if not isinstance(promise, Mapping):
        return ()
    if "note" in promise:
        return (str(promise["note"]),)
    return tuple(str(line) for line in promise.get("limits", ())[:2])
