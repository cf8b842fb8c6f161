"""One finding as the sheet shows it: pictures at one scale, words, sources, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crownlet.infer.findings import Finding
from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.sheet import words
from crownlet.infer.sheet.comparing import Compared, compare
from crownlet.infer.sheet.decided import Decided
from crownlet.infer.sheet.hebrew import Spelled, spelled
from crownlet.infer.sheet.page import Page
from crownlet.infer.sheet.pictures import Q_PX, Window
from crownlet.infer.sheet.wellformed import WellFormed

HIGH = 7.6
"""Least height in q of the window that shows a place among its neighbours."""
ROW = 5.5
"""Width over height of a row of pictures: on A4 it is 32 mm high."""
SHAPES = (2.0, 4.0)
"""Width over height of the picture of a place among its neighbours."""
FLAT = 1.6
"""Width over height from which a closer picture shows no more than the one among neighbours."""


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

    @property
    def closer(self) -> bool:
        """Whether a closer picture is worth its room."""
        return self.compared is not None and _closer(self.compared)


def entry(page: Page, finding: Finding, well: WellFormed) -> Entry:
    """The entry of one finding."""
    letters = page.letters(finding)
    compared = compare(page, finding, well)
    seen = _seen(page, finding, compared)
    line = spelled(page.lines.get(finding.line, []), set(finding.glyphs), page.veiled.names)
    return Entry(
        label=page.label(finding), anchor=page.anchor(finding), finding=finding,
        title=words.title(finding), where=where(page, finding, letters, line), line=line,
        seen=seen, frame=seen.box(finding.box) if seen else None,
        compared=compared, network=words.network(finding),
        measured=words.measured(finding.measurements),
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


def _closer(compared: Compared) -> bool:
    return compared.shape < FLAT or bool(compared.rulers)


def _seen(page: Page, finding: Finding, compared: Compared | None) -> Window | None:
    """The place among its neighbours, as wide as makes the row of pictures neither high nor low."""
    if compared is None:
        return None
    across, down = page.extent(finding)
    beside = _closer(compared) + bool(compared.well) + bool(compared.drawn)
    high = max(HIGH, down + 2)
    shape = min(max(ROW - beside * compared.shape, SHAPES[0]), SHAPES[1])
    wide = max(high * shape, across + 4)
    return page.window(finding, (wide, high), Q_PX)
