"""Findings on the layout of a page: edges, distances of lines, and what customs say of both.

On 200 mezuzot of seeds never used before, rendered without a fault, by held-out hands and scanned
at 34 to 52 px, 31 had such a finding. By the renderer's own boxes so were all twelve uneven
margins, both lines over the margin, nine of twelve near lines (three more were passed over), and
five of seven hands with narrow words (the two within 0.03 yuds of the border, one passed over).
"""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.breaks import break_findings
from crownlet.infer.findings.chets import chet_findings
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.levels import level_findings
from crownlet.infer.findings.lines import blocks
from crownlet.infer.findings.margins import edge_findings
from crownlet.infer.findings.reverse import REVERSE, reverse_findings
from crownlet.infer.findings.sizes import size_findings
from crownlet.infer.findings.starts import start_findings
from crownlet.infer.findings.text import first_of, text_of
from crownlet.infer.findings.verses import verse_findings
from crownlet.infer.findings.words import word_findings
from crownlet.infer.records import PageRecord


def layout_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """Findings of scope `page`, without those that the picture cannot carry."""
    columns = blocks(record)
    found: list[Finding] = []
    for block in () if _is_reverse(record) else columns:
        found += edge_findings(block, record.image, customs, broken_lines(record))
        found += level_findings(block, customs)
    found += word_findings(record, customs)
    found += break_findings(record, columns, customs)
    for look in (start_findings, size_findings, verse_findings, reverse_findings, chet_findings):
        found += look(record, customs)
    return [finding for finding in found if finding.kind not in record.unresolved]


def broken_lines(record: PageRecord) -> frozenset[int]:
    """Lines at which a portion of the text ends or begins, so that they may be short."""
    text = text_of(record)
    firsts = [first_of(record, word) for word in (0, *text.opens)] if text is not None else []
    return frozenset(n for first in firsts if first for n in (first.line - 1, first.line))


def _is_reverse(record: PageRecord) -> bool:
    """Whether the page is the back of a mezuzah, whose two lines are no block."""
    text = text_of(record)
    return text is not None and text.name == REVERSE
