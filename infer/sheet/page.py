"""One page of a scroll as its entries need it, and the marks on its picture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.finding import Finding, doubted_claims, rows_of, seen_claims
from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.sheet.decisions import DecisionState, ShownDecision, state_of
from crownlet.infer.sheet.pictures import PictureWindow, cut_window
from crownlet.infer.sheet.upright import QuarterTurn
from crownlet.infer.sheet.veil import VeiledPage

_FIGURE_HEIGHT_Q = {"finding": 1.9, "review": 1.5}
"""Height in q of the numbers."""

_QUIET_FIGURE_HEIGHT_Q = 1.2
"""Height in q of the numbers of places that are one of many alike."""

_FIGURE_ASPECT = 0.58
"""Width over height of a digit."""


@dataclass
class SheetPage:
    """One page as its entries need it: record, pixels, findings, decisions."""

    name: str
    side: str
    """`face` or `reverse`, with a number where there are several."""
    mark: str
    """Prefix of the numbers of this page's findings."""
    veiled: VeiledPage
    findings: Sequence[Finding]
    customs: Customs
    decided: Mapping[int, tuple[ShownDecision, ...]] = field(default_factory=dict)
    """Decisions by number of the finding."""

    def __post_init__(self) -> None:
        glyphs = self.veiled.record.glyphs
        self.rows = rows_of(self.veiled.record)
        self.lines = {k: list(line) for k, line in groupby(glyphs, key=lambda glyph: glyph.line)}

    def letters(self, finding: Finding) -> tuple[GlyphRecord, ...]:
        """The glyphs of a finding."""
        glyphs = self.veiled.record.glyphs
        return tuple(glyphs[n - 1] for n in finding.glyphs if 0 < n <= len(glyphs))

    def seen_claims(self, finding: Finding) -> tuple[str, ...]:
        """The claims on a place that are seen."""
        return seen_claims(finding, self.rows)

    def doubted_claims(self, finding: Finding) -> tuple[str, ...]:
        """The claims on a place that are in doubt."""
        return doubted_claims(finding, self.rows)

    def label(self, finding: Finding) -> str:
        """The finding's number on the sheet."""
        return f"{self.mark}{finding.number}"

    def state(self, finding: Finding) -> DecisionState:
        """What readers made of a finding."""
        return state_of(self.decided.get(finding.number, ()))

    def anchor(self, finding: Finding) -> str:
        """The finding's HTML id."""
        return f"f-{self.label(finding)}"

    def pen(self, letters: Sequence[GlyphRecord]) -> tuple[float, float]:
        """Kulmus in px and rotation in degrees at a place."""
        if letters:
            return letters[0].q, letters[0].rotation
        return max(self.veiled.record.q, 1.0), float(self.veiled.record.turn)

    def extent(self, finding: Finding) -> tuple[float, float]:
        """Width and height in q of a finding's place, upright."""
        q, rotation = self.pen(self.letters(finding))
        return extent_q(finding.box, q, rotation)

    def window(
        self, finding: Finding, size_q: tuple[float, float], q_px: tuple[float, float]
    ) -> PictureWindow:
        """The place of a finding; of a Name a single letter is shown, never two of them."""
        letters = self.letters(finding)
        q, rotation = self.pen(letters)
        uncovered: tuple[Box, ...] = ()
        shown: Sequence[GlyphRecord] = letters
        if len(letters) != 1:
            shown = [glyph for glyph in letters if glyph.glyph not in self.veiled.names]
            uncovered = (finding.box,) if finding.scope == "gap" and self.veiled.names else ()
        return cut_window(self.veiled, finding.box, size_q, q, rotation, shown, uncovered, q_px)


@dataclass(frozen=True)
class PageMark:
    """One mark in px of the upright page."""

    label: str
    anchor: str
    route: str
    x: float
    y: float
    width: float
    height: float
    tab: Box
    """The box of the number."""
    quiet: bool = False
    """Whether it is a thin frame with a small number."""
    state: DecisionState = "open"

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the tab's foot line, for the figures."""
        return (self.tab[0] + self.tab[2]) / 2, self.tab[3] - 0.2 * (self.tab[3] - self.tab[1])


@dataclass(frozen=True)
class PlaceToMark:
    """A place to be marked: a box in px of the page as given."""

    label: str
    anchor: str
    route: str
    box: Box
    quiet: bool = False
    state: DecisionState = "open"


def place_marks(
    places: Iterable[PlaceToMark], turn: QuarterTurn, part: Box, q: float
) -> list[PageMark]:
    """Marks for all places inside `part` of the page; findings get their numbers placed first."""
    marks: list[PageMark] = []
    for place in sorted(places, key=lambda place: (place.quiet, place.route != "finding")):
        x0, y0, x1, y1 = turn.box(place.box)
        x0, x1 = min(x0, (x0 + x1) / 2 - 0.4 * q), max(x1, (x0 + x1) / 2 + 0.4 * q)
        x0, x1 = max(x0, part[0]), min(max(x1, part[0]), part[2])
        y0, y1 = max(y0, part[1]), min(max(y1, part[1]), part[3])
        high = (_QUIET_FIGURE_HEIGHT_Q if place.quiet else _FIGURE_HEIGHT_Q[place.route]) * q
        wide = (len(place.label) * _FIGURE_ASPECT + 0.35) * high
        taken = [m.tab for m in marks]
        tab = _choose_tab(_tab_candidates((x0, y0, x1, y1), wide, high), taken, part)
        marks.append(
            PageMark(
                place.label,
                place.anchor,
                place.route,
                x0,
                y0,
                x1 - x0,
                y1 - y0,
                tab,
                place.quiet,
                place.state,
            )
        )
    return marks


def extent_q(box: Box, q: float, rotation: float) -> tuple[float, float]:
    """Width and height in q of a box in px of the page as given, upright for this rotation."""
    across, down = (box[2] - box[0]) / q, (box[3] - box[1]) / q
    return (down, across) if round(rotation / 90) % 2 else (across, down)


def _tab_candidates(box: Box, wide: float, high: float) -> list[Box]:
    """Places for a number about a box, the best first."""
    x0, y0, x1, y1 = box
    lefts = (x1 - wide, (x0 + x1 - wide) / 2, x0)
    above = [(x, y0 - high, x + wide, y0) for x in lefts]
    below = [(x, y1, x + wide, y1 + high) for x in lefts]
    higher = [(x, y0 - 2 * high, x + wide, y0 - high) for x in lefts]
    return above + below + higher


def _choose_tab(tabs: list[Box], taken: list[Box], part: Box) -> Box:
    """The first tab that overlaps none and lies on the page; else the one that overlaps least."""

    def cost(tab: Box) -> float:
        beyond = [part[0] - tab[0], part[1] - tab[1], tab[2] - part[2], tab[3] - part[3]]
        return 100 * sum(max(0.0, v) for v in beyond) + sum(
            _overlap_area(tab, other) for other in taken
        )

    return min(tabs, key=cost)


def _overlap_area(a: Box, b: Box) -> float:
    wide, high = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return max(0.0, wide) * max(0.0, high)
