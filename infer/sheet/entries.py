"""One finding as the sheet shows it: pictures at one scale, words, sources, decisions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING

from crownlet.datasets.customs import Customs
from crownlet.infer.findings import Finding
from crownlet.infer.plain import latin
from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.sheet import words
from crownlet.infer.sheet.drawings import Drawing, drawing
from crownlet.infer.sheet.hebrew import Spelled, spelled
from crownlet.infer.sheet.pictures import NARROW, WIDE, Window, window
from crownlet.infer.sheet.rulers import Ruler, rulers
from crownlet.infer.sheet.veil import Veiled
from crownlet.infer.sheet.wellformed import Example, WellFormed

if TYPE_CHECKING:
    from crownlet.infer.sheet.decided import Decided

MARGIN = 0.8
"""q of white kept about a letter in the windows that are compared."""
WIDEST = 24.0
"""q beyond which a stretched letter is not shown whole beside others."""


@dataclass(frozen=True)
class Compared:
    """What was found beside what is well formed, all windows `size_q` (width, height in q)."""

    size_q: tuple[float, float]
    close: Window
    box: Box
    """The place itself in px of `close`."""
    rulers: tuple[Ruler, ...]
    well: Window | None
    well_at: str
    drawn: Drawing | None
    drawn_name: str


@dataclass(frozen=True)
class Entry:
    """Everything about one finding."""

    label: str
    anchor: str
    finding: Finding
    title: str
    where: str
    line: Spelled
    seen: Window | None
    """The place among its neighbours; None for a finding of the whole page."""
    frame: Box | None
    """The place itself in px of `seen`."""
    compared: Compared | None
    network: str
    measured: tuple[str, ...]
    disagree: bool
    decisions: tuple[Decided, ...] = ()


@dataclass
class Page:
    """One page with what its entries need."""

    name: str
    side: str
    """`face` or `reverse`, with a number where there are several."""
    mark: str
    """What stands before the numbers of this page's findings."""
    veiled: Veiled
    findings: Sequence[Finding]
    customs: Customs
    decided: Mapping[int, tuple[Decided, ...]] = field(default_factory=dict)
    """Decisions by number of the finding."""

    def __post_init__(self) -> None:
        glyphs = self.veiled.page.glyphs
        self.lines = {k: list(line) for k, line in groupby(glyphs, key=lambda glyph: glyph.line)}

    def letters(self, finding: Finding) -> tuple[GlyphRecord, ...]:
        """The glyphs of a finding."""
        glyphs = self.veiled.page.glyphs
        return tuple(glyphs[n - 1] for n in finding.glyphs if 0 < n <= len(glyphs))

    def label(self, finding: Finding) -> str:
        """The finding's number on the sheet."""
        return f"{self.mark}{finding.number}"

    def anchor(self, finding: Finding) -> str:
        """The finding's place in the document."""
        return f"f-{self.label(finding)}"


def entry(page: Page, finding: Finding, well: WellFormed) -> Entry:
    """The entry of one finding."""
    letters = page.letters(finding)
    seen = _seen(page, finding, letters)
    line = spelled(page.lines.get(finding.line, []), set(finding.glyphs), page.veiled.names)
    return Entry(
        label=page.label(finding), anchor=page.anchor(finding), finding=finding,
        title=words.title(finding), where=where(page, finding, letters, line), line=line,
        seen=seen, frame=seen.box(finding.box) if seen else None,
        compared=compare(page, finding, well), network=words.network(finding),
        measured=tuple(words.measured(m) for m in finding.measurements),
        disagree=words.disagree(finding), decisions=page.decided.get(finding.number, ()),
    )  # fmt: skip


def where(page: Page, finding: Finding, letters: Sequence[GlyphRecord], line: Spelled) -> str:
    """Where it stands, as an examiner counts: words from the head of the line."""
    if not finding.line:
        return f"{page.side}, whole page"
    place = [page.side, f"line {finding.line}"]
    if line.word:
        place.append(f"word {line.word}")
    if finding.scope == "glyph" and letters:
        place.append(f"letter {letters[0].place}")
    return ", ".join(place)


def _seen(page: Page, finding: Finding, letters: Sequence[GlyphRecord]) -> Window | None:
    if finding.scope == "page":
        return None
    q, rotation = _pen(page, letters)
    wide = max(WIDE[0], (finding.box[2] - finding.box[0]) / q + 4)
    high = max(WIDE[1], (finding.box[3] - finding.box[1]) / q + 2)
    shown, bare = _open(page, finding, letters)
    return window(page.veiled, finding.box, (wide, high), q, rotation, shown, bare)


def _open(
    page: Page, finding: Finding, letters: Sequence[GlyphRecord]
) -> tuple[tuple[GlyphRecord, ...], tuple[Box, ...]]:
    """Letters and boxes that no plate covers: a single letter of a Name, never two of them."""
    if finding.scope == "glyph" and len(letters) == 1:
        return tuple(letters), ()
    apart = tuple(g for g in letters if g.glyph not in page.veiled.names)
    return apart, (finding.box,) if finding.scope == "gap" and page.veiled.names else ()


def _pen(page: Page, letters: Sequence[GlyphRecord]) -> tuple[float, float]:
    """Kulmus in px and rotation in degrees at a place."""
    if letters:
        return letters[0].q, letters[0].body[3]
    return max(page.veiled.page.q, 1.0), float(page.veiled.page.turn)


def compare(
    page: Page, finding: Finding, well: WellFormed, q_px: tuple[float, float] = (28.0, 44.0)
) -> Compared | None:
    """What was found beside what is well formed, a kulmus between `q_px` wide.

    None for a finding of the whole page.
    """
    if finding.scope == "page":
        return None
    letters = page.letters(finding)
    example = _example(finding, well)
    q, rotation = _pen(page, letters)
    size = _size(finding.box, q, rotation, example)
    shown, bare = _open(page, finding, letters)
    close = window(page.veiled, finding.box, size, q, rotation, shown, bare, q_px)
    char = finding.expected or finding.letter
    drawn = drawing(char, page.customs) if char and len(char) == 1 else None
    return Compared(
        size_q=size, close=close, box=close.box(finding.box),
        rulers=rulers(close, finding.measurements),
        well=_well(example, size, q_px) if example else None, well_at=_well_at(example),
        drawn=drawn, drawn_name=latin(char) if char and drawn else "",
    )  # fmt: skip


def _example(finding: Finding, well: WellFormed) -> Example | None:
    if finding.scope == "gap":
        return well.white(finding.kind)
    char = finding.expected or finding.letter
    return well.letter(char, finding.kind) if char and len(char) == 1 else None


def _size(box: Box, q: float, rotation: float, example: Example | None) -> tuple[float, float]:
    """Width and height in q that hold the finding and the example."""
    boxes = [(box, q, rotation)]
    if example:
        first = example.letters[0]
        boxes.append((example.box, first.q, first.body[3]))
    wide, high = NARROW
    for (x0, y0, x1, y1), unit, turn in boxes:
        across, down = (x1 - x0) / unit, (y1 - y0) / unit
        if round(turn / 90) % 2:
            across, down = down, across
        wide, high = max(wide, across + 2 * MARGIN), max(high, down + 2 * MARGIN)
    return min(wide, WIDEST), high


def _well(example: Example, size: tuple[float, float], q_px: tuple[float, float]) -> Window:
    first = example.letters[0]
    return window(
        example.page, example.box, size, first.q, first.body[3], example.letters, (), q_px
    )


def _well_at(example: Example | None) -> str:
    return f"line {example.letters[0].line}" if example else ""
