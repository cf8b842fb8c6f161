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
from crownlet.infer.sheet.pictures import Q_PX, WIDE, Window
from crownlet.infer.sheet.wellformed import WellFormed

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
        return self.compared is not None and (
            self.compared.shape < FLAT or bool(self.compared.rulers)
        )


def entry(page: Page, finding: Finding, well: WellFormed) -> Entry:
    """The entry of one finding."""
    letters = page.letters(finding)
    seen = _seen(page, finding)
    line = spelled(page.lines.get(finding.line, []), set(finding.glyphs), page.veiled.names)
    return Entry(
        label=page.label(finding), anchor=page.anchor(finding), finding=finding,
        title=words.title(finding), where=where(page, finding, letters, line), line=line,
        seen=seen, frame=seen.box(finding.box) if seen else None,
        compared=compare(page, finding, well), network=words.network(finding),
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


def _seen(page: Page, finding: Finding) -> Window | None:
    if finding.scope == "page":
        return None
    q, _ = page.pen(page.letters(finding))
    wide = max(WIDE[0], (finding.box[2] - finding.box[0]) / q + 4)
    high = max(WIDE[1], (finding.box[3] - finding.box[1]) / q + 2)
    return page.window(finding, (wide, high), Q_PX)
