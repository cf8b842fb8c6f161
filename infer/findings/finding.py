"""One place that deserves a look, as every list, sheet and page of the tool shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from crownlet.datasets.scribal.catalogue import GRAVITIES, Opinion
from crownlet.infer.records import LETTER_EXTRA, Box, GapRecord, GlyphRecord, Route
from crownlet.infer.routing.judgement import judgement_of

if TYPE_CHECKING:
    from crownlet.infer.records import Measurement, PageRecord

Heading = Literal["question", "outset", "custom", "information"]

Scope = Literal["glyph", "gap", "text", "page"]

HEADINGS: Mapping[Heading, str] = MappingProxyType(
    {
        "question": GRAVITIES["P"].heading,
        "outset": GRAVITIES["L"].heading,
        "custom": GRAVITIES["C"].heading,
        "information": GRAVITIES["I"].heading,
    }
)
"""Headings in the order of a sheet, with their words."""

HEADING_RANK: Mapping[Heading, int] = MappingProxyType({name: k for k, name in enumerate(HEADINGS)})


@dataclass(frozen=True)
class Finding:
    """A place to look at: a letter, a gap, a place in the text, or the layout of the page."""

    number: int
    """From 1 in the order of the sheet: by heading, certainty and gravity, then as one reads."""
    kind: str
    """The gravest claim on the place: a name of the catalogue, or `unfamiliar`."""
    scope: Scope
    glyphs: tuple[int, ...]
    """Numbers of the letters concerned: one, both sides of a gap, or those of a line."""
    line: int
    """Line of the page, from 1; 0 for the whole page."""
    letter: str | None
    """The letter as read; None where the finding is of no single letter."""
    expected: str | None
    """The letter of the text, several where a run is absent; "" for an extra letter."""
    box: Box
    """px of the picture as given."""
    route: Route
    """`finding` or `review`, the surest of all claims on the place, as in glyphs.csv."""
    p: float | None
    """Probability of `kind`; None where it follows from counting or measuring."""
    heading: Heading
    opinions: tuple[Opinion, ...]
    """Opinions of the sources on this kind on this letter, disagreements included."""
    measurements: tuple[Measurement, ...]
    """Measurements on the letter that are evidence of `kind`."""
    in_name: bool
    """Whether a letter of it stands in a Divine Name."""
    message: str
    """One plain sentence."""
    others: tuple[str, ...] = ()
    """The other claims on the place, gravest first."""
    sure: bool = True
    """Whether `kind` itself, and not only another claim on the place, is a finding."""

    @property
    def claims(self) -> tuple[str, ...]:
        """All claims on the place, the gravest first."""
        return (self.kind, *self.others)

    @property
    def of_marks(self) -> bool:
        """Whether it is about the marks and fillers of a whole page, at which nobody looks first,
        and about no letter."""
        return self.scope == "page" and self.kind == LETTER_EXTRA


Rows = Mapping[tuple[int, ...], GlyphRecord | GapRecord]
"""Letters and gaps of a page by the numbers of their letters."""


def rows_of(record: PageRecord) -> Rows:
    """The letters and gaps of a page, by the numbers of their letters."""
    letters: dict[tuple[int, ...], GlyphRecord | GapRecord] = {(g.glyph,): g for g in record.glyphs}
    return letters | {(gap.right_glyph, gap.left_glyph): gap for gap in record.gaps}


def seen_claims(finding: Finding, rows: Rows) -> tuple[str, ...]:
    """The claims on a place that are seen; the others are in doubt."""
    row = rows.get(finding.glyphs) if finding.scope in ("glyph", "gap") else None
    if row is None:
        return finding.claims if finding.sure else ()
    return tuple(kind for kind in finding.claims if judgement_of(row, kind) == "seen")


def doubted_claims(finding: Finding, rows: Rows) -> tuple[str, ...]:
    """The claims on a place that are in doubt."""
    seen = seen_claims(finding, rows)
    return tuple(kind for kind in finding.claims if kind not in seen)
