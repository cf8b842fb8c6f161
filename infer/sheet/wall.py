"""Places to review as a wall of small pictures, by kind and letter, to sweep at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crownlet.infer.findings import HEADINGS, Finding
from crownlet.infer.plain import latin, said
from crownlet.infer.sheet.decided import Decided
from crownlet.infer.sheet.page import Page
from crownlet.infer.sheet.pictures import Window
from crownlet.infer.sheet.words import disagree

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
