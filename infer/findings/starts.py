"""Lines that begin elsewhere than the Tur's lists have it, where the customs ask for the lists."""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.datasets.texts import TEFILLIN
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.paging import counted, page_finding
from crownlet.infer.findings.text import text_of
from crownlet.infer.line_starts import line_starts
from crownlet.infer.records import PageRecord


def start_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for all lines of a page that begin with another word than the list's."""
    text = text_of(record)
    setting = None
    if text is not None and text.name == "mezuzah":
        setting = customs.mezuzah_lines
    elif text is not None and text.name in (*TEFILLIN, "tefillin"):
        setting = customs.tefillin_lines
    if text is None or setting != "tur":
        return []
    starts = line_starts(record, text)
    if not starts:
        return []
    numbers = {start.glyph for start in starts}
    glyphs = tuple(glyph for glyph in record.glyphs if glyph.glyph in numbers)
    where = counted([start.line for start in starts]).capitalize()
    verb = "begins with another word" if len(starts) == 1 else "begin with other words"
    says = f"{where} {verb} than in the list of the Tur."
    return [page_finding("line_start", glyphs, says, customs)]
