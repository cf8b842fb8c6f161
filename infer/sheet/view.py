"""What a triage sheet shows, as plain records for its template."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from crownlet.infer.findings import Heading
from crownlet.infer.records import Box
from crownlet.infer.run import StoredScroll
from crownlet.infer.sheet import words
from crownlet.infer.sheet.entries import Entry
from crownlet.infer.sheet.gathering import Gathered
from crownlet.infer.sheet.marks import Mark
from crownlet.infer.sheet.pictures import Picture
from crownlet.infer.sheet.wall import Brick

MM = 1.55
"""mm of paper for one q of a page's picture; less where the page is too wide for that."""
CROWDED = 0.2
"""Where more than this share of the letters is marked the picture is twice as large."""


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
    accepted: tuple[str, ...]
    """Forms that were seen and, by the customs, are not listed."""

    @property
    def view(self) -> str:
        """The SVG viewBox of the part."""
        x0, y0, x1, y1 = (round(v) for v in self.part)
        return f"{x0} {y0} {x1 - x0} {y1 - y0}"

    def wide(self, high: float) -> float:
        """Width in mm on paper: letters as large as they need be, the picture at most `high`."""
        width, height = self.part[2] - self.part[0], self.part[3] - self.part[1]
        grown = 2.0 if len(self.marks) > CROWDED * self.letters else 1.0
        return min(grown * MM * width / self.q, high * width / max(height, 1.0))


@dataclass(frozen=True)
class Group:
    """The findings under one heading."""

    key: Heading
    heading: str
    entries: tuple[Entry, ...]
    """Those shown in full."""
    gathered: tuple[Gathered, ...] = ()
    """Those that come many times, together."""

    @property
    def total(self) -> int:
        """Findings under this heading."""
        return len(self.entries) + sum(len(g.tiles) + len(g.listed) for g in self.gathered)

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
    doubts: tuple[str, ...]
    """What is in doubt about whole pages, which no small picture shows."""
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
