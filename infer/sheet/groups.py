"""Findings and places to review that share a kind, shown together.

Of the findings of one kind that come many times a few are shown in full and the others together;
each of them keeps its number, its line and its mark on the page. A habit of the hand takes one
place on the sheet, so that a single fault is not lost among its repetitions. Places to review are
shown as small pictures, grouped by kind and letter. Several findings of several kinds on letters
that hang together, as one blot leaves them, are one place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.findings.finding import HEADINGS, Finding, Heading
from crownlet.infer.records import LETTER_SWAPPED, UNFAMILIAR, Box, Route
from crownlet.infer.routing.judgement import JUDGED, judgement_of
from crownlet.infer.sheet.decisions import ShownDecision
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.pictures import PictureWindow
from crownlet.infer.sheet.wording import is_disagreement
from crownlet.infer.view.language import translate, translate_count
from crownlet.infer.view.sentences import localize
from crownlet.infer.view.wording import count_of, defect_words, latin_name

TILE_SIZE_Q = (6.0, 6.5)
"""Width and height in q of a small picture."""

MAX_TILE_WIDTH_Q = 14.0
"""Greatest width in q of a small picture."""

TILE_KULMUS_PX = (14.0, 18.0)
"""Least and greatest width of the pen in a small picture, px."""

PageFinding = tuple[SheetPage, Finding]
"""A finding with its page."""

MAX_SEPARATE_FINDINGS: dict[Heading, int] = {
    "question": 6,
    "outset": 4,
    "custom": 3,
    "information": 3,
}
"""More findings of one kind than this are shown as a group."""

FINDINGS_IN_FULL: dict[Heading, int] = {"question": 3, "outset": 1, "custom": 1, "information": 1}
"""How many of a group are shown in full, the surest."""


MIN_FINDINGS_OF_PLACE, MIN_KINDS_OF_PLACE = 3, 2
"""Findings, and kinds of them, from which findings on letters that hang together are one place. Of
one kind they are a crowded hand rather than a blot."""


@dataclass(frozen=True)
class Tile:
    """One place as a small picture."""

    label: str
    anchor: str
    window: PictureWindow
    box: Box
    """The place itself in px of the window."""
    p: float | None
    line: int
    decisions: tuple[ShownDecision, ...]
    expected: str = ""
    """The letter of the text in whose place another is read."""


@dataclass(frozen=True)
class TileGroup:
    """All places to review of one kind on one letter, the likeliest first."""

    title: str
    tiles: tuple[Tile, ...]
    disagreements: int
    """Places on which network and measure disagree."""


@dataclass(frozen=True)
class ListedPlace:
    """A place that is named without a picture."""

    label: str
    anchor: str
    letter: str
    line: int
    decisions: tuple[ShownDecision, ...]


@dataclass(frozen=True)
class FindingGroup:
    """The findings of one kind that are not shown in full."""

    title: str
    counts: str
    """On how many letters the kind is seen, and of how many such letters."""
    tiles: tuple[Tile, ...]
    listed: tuple[ListedPlace, ...]
    """Places that were measured or counted, where a small picture shows no more; by letter."""

    @property
    def anchors(self) -> frozenset[str]:
        """The places without a picture."""
        return frozenset(each.anchor for each in self.listed)


def page_review_sentences(pages: Sequence[SheetPage]) -> tuple[str, ...]:
    """A sentence for each doubt about a whole page."""
    return tuple(
        translate(
            "{side}, whole page: {what}",
            side=page.side.capitalize(),
            what=localize(finding.message),
        )
        for page in pages for finding in page.findings
        if finding.route == "review" and finding.scope == "page"
    )  # fmt: skip


def group_reviews(pages: Sequence[SheetPage]) -> tuple[TileGroup, ...]:
    """All places to review of some pages, kinds in the order of their headings."""
    groups: dict[tuple[int, str, str], list[PageFinding]] = {}
    for page in pages:
        for finding in page.findings:
            if finding.route == "review" and finding.scope != "page":
                rank = list(HEADINGS).index(finding.heading)
                key = rank, finding.kind, finding.letter or ""
                groups.setdefault(key, []).append((page, finding))
    return tuple(
        TileGroup(
            f"{latin_name(letter)}: {defect_words(kind)}" if letter else defect_words(kind),
            tuple(make_tile(page, f) for page, f in sorted(rows, key=lambda row: -(row[1].p or 0))),
            sum(is_disagreement(f) for _, f in rows),
        )
        for (_, kind, letter), rows in sorted(groups.items(), key=lambda item: item[0])
    )


def make_tile(page: SheetPage, finding: Finding) -> Tile:
    """One place as a small picture."""
    across, down = page.extent(finding)
    high, wide = (
        max(TILE_SIZE_Q[1], down + 3),
        max(TILE_SIZE_Q[0], min(MAX_TILE_WIDTH_Q, across + 2)),
    )
    window = page.window(finding, (wide, high), TILE_KULMUS_PX)
    return Tile(
        page.label(finding), page.anchor(finding), window, window.box(finding.box), finding.p,
        finding.line, page.decided.get(finding.number, ()),
        (finding.expected or "") if finding.kind == LETTER_SWAPPED else "",
    )  # fmt: skip


def gather_by_place(
    rows: Sequence[PageFinding],
) -> tuple[list[PageFinding], dict[str, tuple[PageFinding, ...]]]:
    """Findings without those that share a place with one before them, and these by the anchor of
    the one that they stand with.

    Findings under one heading that have a letter in common are of one place, and so are those that
    have one in common with them.
    """
    place_of: dict[object, list[int]] = {}
    for k, (page, finding) in enumerate(rows):
        if finding.scope == "page":
            continue
        letters = [(page.name, finding.heading, glyph) for glyph in finding.glyphs]
        met = {id(place): place for key in letters if (place := place_of.get(key))}
        whole = sorted([k, *(each for place in met.values() for each in place)])
        place_of.update(dict.fromkeys(letters, whole))
        for key, place in place_of.items():
            if id(place) in met:
                place_of[key] = whole
    beside = {}
    for first, *others in {id(place): place for place in place_of.values()}.values():
        kinds = {rows[k][1].kind for k in (first, *others)}
        if 1 + len(others) >= MIN_FINDINGS_OF_PLACE and len(kinds) >= MIN_KINDS_OF_PLACE:
            page, finding = rows[first]
            beside[page.anchor(finding)] = tuple(rows[k] for k in others)
    hidden = {id(finding) for others in beside.values() for _, finding in others}
    return [row for row in rows if id(row[1]) not in hidden], beside


def group_findings(
    rows: Sequence[PageFinding], in_full: Collection[str] = ()
) -> tuple[list[PageFinding], dict[Heading, tuple[FindingGroup, ...]]]:
    """Findings to show in full, in their order, and by heading those to show together.

    A finding with others at its place, or of the whole page, is shown in full, and so are those
    whose anchors are `in_full`; that a letter is unlike those that the networks know does not
    count as another.
    """
    groups: dict[tuple[Heading, str], list[PageFinding]] = {}
    for row in rows:
        page, finding = row
        alike = finding.scope != "page" and {*finding.others} <= {UNFAMILIAR}
        if alike and page.anchor(finding) not in in_full:
            groups.setdefault((finding.heading, finding.kind), []).append(row)
    many = {
        key: group for key, group in groups.items() if len(group) > MAX_SEPARATE_FINDINGS[key[0]]
    }
    grouped = {key: group[FINDINGS_IN_FULL[key[0]] :] for key, group in many.items()}
    hidden = {id(row[1]) for group in grouped.values() for row in group}
    full = [row for row in rows if id(row[1]) not in hidden]
    return full, {
        heading: tuple(
            _make_group(key[1], [*{page.name: page for page, _ in rows}.values()], remaining)
            for key, remaining in grouped.items()
            if key[0] == heading
        )
        for heading in HEADINGS
    }


def _make_group(
    kind: str, pages: Sequence[SheetPage], remaining: Sequence[PageFinding]
) -> FindingGroup:
    in_reading = sorted(
        remaining, key=lambda row: (row[1].letter or "", row[0].mark, row[1].glyphs)
    )
    seen = kind in CATALOGUE and CATALOGUE[kind].how == "learned"
    return FindingGroup(
        defect_words(kind), count_by_letter(kind, pages),
        tuple(make_tile(page, f) for page, f in remaining) if seen else (),
        () if seen else tuple(_list_place(page, f) for page, f in in_reading),
    )  # fmt: skip


def count_by_letter(kind: str, pages: Sequence[SheetPage]) -> str:
    """On how many letters of each name a kind is seen, out of how many that were examined for it.

    All places that are listed for it count, whatever else they are listed for. A statement on the
    hand is no letter.
    """
    seen = [
        f for page in pages for f in page.findings
        if f.scope != "page" and kind in page.seen_claims(f)
    ]  # fmt: skip
    named = Counter(f.letter for f in seen if f.letter)
    if not named:
        return count_of(len(seen), "place")
    judged = Counter[str]()
    for page in pages:
        record = page.veiled.record
        asked = ((g.letter, judgement_of(g, kind, record.unresolved)) for g in record.glyphs)
        judged.update(letter for letter, judgement in asked if judgement in JUDGED)
    each = (
        translate("{letter} {n} of {many}", letter=latin_name(char), n=n, many=max(judged[char], n))
        for char, n in named.most_common()
    )
    return f"{count_of(len(seen), 'letter')}: {', '.join(each)}"


def _list_place(page: SheetPage, finding: Finding) -> ListedPlace:
    decisions = page.decided.get(finding.number, ())
    name = latin_name(finding.letter) if finding.letter else ""
    return ListedPlace(page.label(finding), page.anchor(finding), name, finding.line, decisions)


@dataclass
class ClaimCounts:
    """How many places there are of each kind, and what these counts have beyond those of findings
    and of places to review."""

    seen: Counter[str] = field(default_factory=Counter)
    """Places by kind on which it is seen; one listed for several reasons counts under each, and a
    statement on the hand as the letters that are its evidence."""
    doubted: Counter[str] = field(default_factory=Counter)
    """The same of doubts."""
    stated: Counter[Route] = field(default_factory=Counter)
    """Statements on the whole hand, which are listed and counted under no kind, by route."""
    several: int = 0
    """Places that count under several kinds that are seen, or under several doubts."""
    beside: int = 0
    """Doubts at places that are findings."""
    evidence: int = 0
    """Letters counted as evidence of a statement, and not listed one by one."""

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences by which the counts agree with those of findings and places to review."""
        found, asked = self.stated["finding"], self.stated["review"]
        notes = [
            translate_count(
                "{n} more finding is a statement about the whole hand.",
                "{n} more findings are statements about the whole hand.", found,
            ) if found else "",
            translate_count(
                "{n} more place to review is a question about the whole hand.",
                "{n} more places to review are questions about the whole hand.", asked,
            ) if asked else "",
            translate_count(
                "{n} letter is evidence of such a statement and is not listed by itself.",
                "{n} letters are evidence of such statements and are not listed by themselves.",
                self.evidence,
            ) if self.evidence else "",
            translate_count(
                "{n} place counts under more than one kind.",
                "{n} places count under more than one kind.", self.several,
            ) if self.several else "",
            translate_count(
                "{n} doubt stands at a place that is a finding for another reason.",
                "{n} doubts stand at places that are findings for another reason.", self.beside,
            ) if self.beside else "",
        ]  # fmt: skip
        return tuple(filter(None, notes))


def count_claims(pages: Iterable[SheetPage]) -> ClaimCounts:
    """How many places of each kind are seen, and on how many it is in doubt."""
    counts = ClaimCounts()
    for page in pages:
        stated = {(habit.defect, habit.message) for habit in page.veiled.record.habits}
        by_itself: dict[str, set[int]] = {}
        for finding in page.findings:
            if finding.scope == "page" and (finding.kind, finding.message) in stated:
                counts.stated[finding.route] += 1
                continue
            seen, doubted = page.seen_claims(finding), page.doubted_claims(finding)
            counts.seen.update(seen)
            counts.doubted.update(doubted)
            counts.several += max(len(seen), len(doubted)) > 1
            counts.beside += len(doubted) if seen else 0
            if finding.scope != "page":
                for kind in finding.claims:
                    by_itself.setdefault(kind, set()).update(finding.glyphs)
        for habit in page.veiled.record.habits:
            evidence = {*habit.glyphs} - by_itself.get(habit.defect, set())
            (counts.seen if habit.sure else counts.doubted)[habit.defect] += len(evidence)
            counts.evidence += len(evidence)
    counts.seen, counts.doubted = +counts.seen, +counts.doubted
    return counts
