"""Chets whose roof is not the one of two accepted forms that the customs name."""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.paging import page_finding
from crownlet.infer.records import PageRecord

CHET, MEASURE = "ח", "roof_end"


def chet_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for all chets of a page that were measured to have the other form."""
    if customs.chet_top == "unspecified":
        return []
    other, form = ("not_there", "flat") if customs.chet_top == "hump" else ("there", "with a hump")
    seen = {m.glyph: m.says for m in record.measurements if m.name == MEASURE}
    glyphs = tuple(glyph for glyph in record.glyphs if seen.get(glyph.glyph) == other)
    if not glyphs:
        return []
    many = f"{len(glyphs)} of {len(seen)} chets"
    says = f"{many} {'is' if len(glyphs) == 1 else 'are'} {form}; the custom chosen is "
    says += f"{'a hump' if customs.chet_top == 'hump' else 'a flat roof'}."
    return [page_finding("custom_form", glyphs, says, customs, CHET)]
