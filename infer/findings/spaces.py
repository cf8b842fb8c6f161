"""Findings on the whites between letters."""

from __future__ import annotations

from collections.abc import Sequence

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.gravity import weigh
from crownlet.infer.findings.letters import Said, places
from crownlet.infer.findings.sentences import gap_says
from crownlet.infer.records import Box, GapRecord, GlyphRecord, PageRecord

_ABSENT = "letter_absent"


def gap_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each white at which two letters or words come too near, or a word parts."""
    number = {glyph.glyph: glyph for glyph in record.glyphs}
    found = []
    for gap in record.gaps:
        said = _said(gap, customs)
        if gap.route == "clear" or not said:
            continue
        ends = number[gap.right_glyph], number[gap.left_glyph]
        found += [_finding(gap, *ends, rows) for rows in places(said)]
    return found


def _finding(
    gap: GapRecord, right: GlyphRecord, left: GlyphRecord, said: Sequence[Said]
) -> Finding:
    first = said[0]
    return Finding(
        number=0, kind=first.kind, scope="gap", glyphs=(right.glyph, left.glyph),
        line=gap.line, letter=None, expected=gap.expected, box=between(right.box, left.box),
        route="finding" if any(row.sure for row in said) else "review", p=first.p,
        heading=first.weight.heading, code=first.weight.code,
        opinions=first.weight.opinions, measurements=(), in_name=right.in_name or left.in_name,
        says=gap_says(first.kind, gap, right.letter, left.letter, first.sure),
        others=tuple(row.kind for row in said[1:]), sure=first.sure,
    )  # fmt: skip


def _said(gap: GapRecord, customs: Customs) -> list[Said]:
    """What is said of a white; an absent letter beside it is a finding of its own."""
    p = {"words_joined": gap.p_words_joined, "word_parted": gap.p_word_parted,
         "letters_touch": gap.p_letters_touch}  # fmt: skip
    kinds = [kind for kind in gap.reasons if kind != _ABSENT]
    surely = (gap.sure or kinds[:1]) if gap.route == "finding" else ()
    rows = [Said(kind, weigh(kind, None, customs), kind in surely, p.get(kind)) for kind in kinds]
    return sorted(rows, key=lambda row: row.order)


def between(right: Box, left: Box) -> Box:
    """The white between two letters, at least a few px wide, with the height of both."""
    x = sorted((left[2], right[0]))
    middle, half = (x[0] + x[1]) / 2, max(4.0, (x[1] - x[0]) / 2)
    return middle - half, min(left[1], right[1]), middle + half, max(left[3], right[3])
