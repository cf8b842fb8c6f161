"""A page of which most letters are unlike those that the networks know: said once, not letter by
letter."""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.paging import page_finding
from crownlet.infer.records import PageRecord

UNFAMILIAR = "unfamiliar"
MOST = 0.5
"""From this share of unfamiliar letters on it is the page that is unfamiliar."""


def strange(record: PageRecord) -> bool:
    """Whether a page is unfamiliar as a whole."""
    count = sum(UNFAMILIAR in glyph.reasons for glyph in record.glyphs)
    return count > 1 and count >= MOST * len(record.glyphs)


def stranger_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for an unfamiliar page; none for pages with some unfamiliar letters."""
    if not strange(record):
        return []
    glyphs = tuple(glyph for glyph in record.glyphs if UNFAMILIAR in glyph.reasons)
    says = (
        f"{len(glyphs)} of {len(record.glyphs)} letters are unlike those that the networks know: "
    )
    says += "nothing said of them can be relied on."
    return [page_finding(UNFAMILIAR, glyphs, says, customs)]
