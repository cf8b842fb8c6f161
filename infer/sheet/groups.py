"""Findings of one kind that come many times: a few in full, the others together.

Each of them stays on the sheet with its number, its line and its mark on the page. What a hand does
everywhere takes one place on the sheet, so that what it does once is not lost below it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.findings.finding import HEADINGS, Finding, Heading
from crownlet.infer.records import REASON as UNFAMILIAR
from crownlet.infer.sheet.decisions import Decided
from crownlet.infer.sheet.page import Page
from crownlet.infer.sheet.pictures import Window
from crownlet.infer.sheet.wording import disagree
from crownlet.infer.view.wording import latin, said

SIZE = (6.0, 6.5)
"""Width and height in q of a small picture."""

WIDEST = 14.0

Q_PX = (14.0, 18.0)


@dataclass(frozen=True)
class Tile:
    """One place."""

    label: str
    anchor: str
    window: Window
    p: float | None
    line: int
    decisions: tuple[Decided, ...]


@dataclass(frozen=True)
class Brick:
    """All places of one kind on one letter, the likeliest first."""

    title: str
    tiles: tuple[Tile, ...]
    against: int
    """Places of which the network and the measure say opposite things."""


def page_doubts(pages: Sequence[Page]) -> tuple[str, ...]:
    """What is to review about whole pages, a sentence each."""
    return tuple(
        f"{page.side.capitalize()}, whole page: {finding.says}"
        for page in pages for finding in page.findings
        if finding.route == "review" and finding.scope == "page"
    )  # fmt: skip


def wall(pages: Sequence[Page]) -> tuple[Brick, ...]:
    """All places to review of some pages, kinds in the order of their headings."""
    groups: dict[tuple[int, str, str], list[tuple[Page, Finding]]] = {}
    for page in pages:
        for finding in page.findings:
            if finding.route == "review" and finding.scope != "page":
                rank = list(HEADINGS).index(finding.heading)
                key = rank, finding.kind, finding.letter or ""
                groups.setdefault(key, []).append((page, finding))
    return tuple(
        Brick(
            f"{latin(letter)}: {said(kind)}" if letter else said(kind),
            tuple(tile(page, f) for page, f in sorted(rows, key=lambda row: -(row[1].p or 0))),
            sum(disagree(f) for _, f in rows),
        )
        for (_, kind, letter), rows in sorted(groups.items(), key=lambda item: item[0])
    )


def tile(page: Page, finding: Finding) -> Tile:
    """One place as a small picture."""
    across, down = page.extent(finding)
    high, wide = max(SIZE[1], down + 1), max(SIZE[0], min(WIDEST, across + 2))
    return Tile(
        page.label(finding), page.anchor(finding), page.window(finding, (wide, high), Q_PX),
        finding.p, finding.line, page.decided.get(finding.number, ()),
    )  # fmt: skip


Row = tuple[Page, Finding]

MANY: dict[Heading, int] = {"question": 6, "outset": 4, "custom": 3, "information": 3}
"""More findings of one kind than this are gathered."""

SHOWN: dict[Heading, int] = {"question": 3, "outset": 1, "custom": 1, "information": 1}
"""How many of them are shown in full, the surest."""


@dataclass(frozen=True)
class Listed:
    """A place that is named without a picture."""

    label: str
    anchor: str
    letter: str
    line: int
    decisions: tuple[Decided, ...]


@dataclass(frozen=True)
class Gathered:
    """What is left of one kind after those shown in full."""

    title: str
    of: str
    """How many there are in all, and of how many such letters."""
    tiles: tuple[Tile, ...]
    listed: tuple[Listed, ...]
    """Places that were measured or counted, so that a small picture tells no more; by letter."""

    @property
    def anchors(self) -> frozenset[str]:
        """The places without a picture."""
        return frozenset(each.anchor for each in self.listed)


def gather(rows: Sequence[Row]) -> tuple[list[Row], dict[Heading, tuple[Gathered, ...]]]:
    """Findings to show in full, in their order, and by heading those to show together.

    What has other matters beside it, or is of the whole page, is shown in full. That a letter with
    a fault is unlike those the networks know is no other matter.
    """
    groups: dict[tuple[Heading, str], list[Row]] = {}
    for row in rows:
        finding = row[1]
        if finding.scope != "page" and {*finding.others} <= {UNFAMILIAR}:
            groups.setdefault((finding.heading, finding.kind), []).append(row)
    many = {key: group for key, group in groups.items() if len(group) > MANY[key[0]]}
    left = {key: group[SHOWN[key[0]] :] for key, group in many.items()}
    hidden = {id(row[1]) for group in left.values() for row in group}
    full = [row for row in rows if id(row[1]) not in hidden]
    return full, {
        heading: tuple(
            _gathered(key[1], many[key], rest) for key, rest in left.items() if key[0] == heading
        )
        for heading in HEADINGS
    }


def _gathered(kind: str, every: Sequence[Row], rest: Sequence[Row]) -> Gathered:
    in_reading = sorted(rest, key=lambda row: (row[1].letter or "", row[0].mark, row[1].glyphs))
    seen = kind in CATALOGUE and CATALOGUE[kind].how == "learned"
    return Gathered(
        said(kind), _of(every), tuple(tile(page, f) for page, f in rest) if seen else (),
        () if seen else tuple(_listed(page, f) for page, f in in_reading),
    )  # fmt: skip


def _of(every: Sequence[Row]) -> str:
    """How many letters of each name, and out of how many on the same pages."""
    named = Counter(f.letter for _, f in every if f.letter)
    if not named:
        return f"{len(every)} places"
    pages = {page.name: page for page, _ in every}.values()
    written = Counter(glyph.letter for page in pages for glyph in page.veiled.page.glyphs)
    each = (f"{latin(char)} {n} of {written[char]}" for char, n in named.most_common())
    return f"{len(every)} letters: {', '.join(each)}"


def _listed(page: Page, finding: Finding) -> Listed:
    decisions = page.decided.get(finding.number, ())
    name = latin(finding.letter) if finding.letter else ""
    return Listed(page.label(finding), page.anchor(finding), name, finding.line, decisions)


def kinds_of(rows: Iterable[Row]) -> Counter[str]:
    """How many findings of each kind there are."""
    return Counter(finding.kind for _, finding in rows)
