"""All findings of a page in the order of the sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.finding import HEADING_RANK, Finding, Heading
from crownlet.infer.findings.layout import layout_findings
from crownlet.infer.findings.letters import (
    gap_findings,
    is_unfamiliar,
    letter_findings,
    unfamiliar_findings,
)
from crownlet.infer.findings.page import page_finding
from crownlet.infer.findings.severity import gravity_rank, opinions_on_habit
from crownlet.infer.findings.text import discrepancy_findings
from crownlet.infer.records import PageRecord


def collect_findings(record: PageRecord, customs: Customs) -> tuple[Finding, ...]:
    """Every place of a page that deserves a look, numbered from 1.

    By heading, within it findings before reviews, the gravest and then the surest first, then as
    one reads.
    """
    every = [
        *letter_findings(record, customs),
        *gap_findings(record, customs),
        *discrepancy_findings(record, customs),
        *_page_findings(record, customs),
        *habit_findings(record, customs),
    ]
    ranked = sorted(every, key=_order)
    return tuple(replace(finding, number=k) for k, finding in enumerate(ranked, start=1))


def _page_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """Findings on the page as a whole; on an unfamiliar one nothing is more than a review."""
    found = [*layout_findings(record, customs), *unfamiliar_findings(record, customs)]
    if not is_unfamiliar(record):
        return found
    return [replace(finding, route="review", sure=False) for finding in found]


def habit_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for each statement on the hand."""
    number = {glyph.glyph: glyph for glyph in record.glyphs}
    return [
        replace(
            page_finding(
                habit.defect, [number[g] for g in habit.glyphs], habit.message, customs,
                letter=habit.letters[0].letter or None if len(habit.letters) == 1 else None,
            ),
            heading=cast(Heading, habit.heading), route="finding" if habit.sure else "review",
            sure=habit.sure, opinions=opinions_on_habit(habit),
        )
        for habit in record.habits
    ]  # fmt: skip


def _order(finding: Finding) -> tuple[int, bool, bool, int, float, int, int]:
    p = 1.0 if finding.p is None else finding.p
    first = finding.glyphs[0] if finding.glyphs else 0
    grave = gravity_rank(finding.opinions)
    heading, marks = HEADING_RANK[finding.heading], finding.of_marks
    return heading, not finding.sure, marks, grave, -p, finding.line, first
