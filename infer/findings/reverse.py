"""The fourteen letters on the back of the mezuzah, where the customs say whether they are due."""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.paging import page_finding
from crownlet.infer.findings.text import text_of
from crownlet.infer.records import PageRecord

REVERSE = "mezuzah_reverse"


def reverse_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding on a back that has the fourteen letters, or lacks them, against the customs."""
    text = text_of(record)
    if text is None or text.name != REVERSE or customs.reverse_text == "unspecified":
        return []
    name = max(text.name_words)
    fourteen = tuple(g for g in record.glyphs if g.expected and g.word - 1 < name)
    there = 2 * len(fourteen) >= sum(len(word) for word in text.words[:name])
    if there == (customs.reverse_text == "both"):
        return []
    if there:
        says = "The fourteen letters are on the back; the custom chosen is the Name alone."
        return [page_finding("reverse_text", fourteen, says, customs)]
    says = "The fourteen letters are not seen on the back; the custom chosen has them."
    return [page_finding("reverse_text", record.glyphs, says, customs)]


def accepted_absence(record: PageRecord, customs: Customs) -> bool:
    """Whether letters of the fourteen may be absent without a word: unless customs ask for both."""
    text = text_of(record)
    return text is not None and text.name == REVERSE and customs.reverse_text != "both"
