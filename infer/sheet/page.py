"""One page of a scroll with what its entries and pictures need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from crownlet.datasets.customs import Customs
from crownlet.infer.findings import Finding
from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.sheet.decided import Decided
from crownlet.infer.sheet.pictures import Window, window
from crownlet.infer.sheet.veil import Veiled


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

    def pen(self, letters: Sequence[GlyphRecord]) -> tuple[float, float]:
        """Kulmus in px and rotation in degrees at a place."""
        if letters:
            return letters[0].q, letters[0].body[3]
        return max(self.veiled.page.q, 1.0), float(self.veiled.page.turn)

    def extent(self, finding: Finding) -> tuple[float, float]:
        """Width and height in q of a finding's place, upright."""
        q, rotation = self.pen(self.letters(finding))
        return extent(finding.box, q, rotation)

    def window(
        self, finding: Finding, size_q: tuple[float, float], q_px: tuple[float, float]
    ) -> Window:
        """The place of a finding; of a Name a single letter is shown, never two of them."""
        letters = self.letters(finding)
        q, rotation = self.pen(letters)
        bare: tuple[Box, ...] = ()
        shown: Sequence[GlyphRecord] = letters
        if len(letters) != 1:
            shown = [glyph for glyph in letters if glyph.glyph not in self.veiled.names]
            bare = (finding.box,) if finding.scope == "gap" and self.veiled.names else ()
        return window(self.veiled, finding.box, size_q, q, rotation, shown, bare, q_px)


def extent(box: Box, q: float, rotation: float) -> tuple[float, float]:
    """Width and height in q of a box in px of the page as given, upright for this rotation."""
    across, down = (box[2] - box[0]) / q, (box[3] - box[1]) / q
    return (down, across) if round(rotation / 90) % 2 else (across, down)
