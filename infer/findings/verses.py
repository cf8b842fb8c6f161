"""White between verses against that between words: wider by one custom, the same by another."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.customs import Customs
from crownlet.datasets.texts import verse_ends
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.paging import page_finding
from crownlet.infer.findings.text import text_of
from crownlet.infer.records import GapRecord, PageRecord

LEAST = 4
"""Verses must end within so many lines, or the hand's habit cannot be told."""
WIDER = 1.3
"""White between verses is called wider from this many times that between words in its line."""


def verse_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for a page whose verses are divided otherwise than the customs have it."""
    text = text_of(record)
    if text is None or customs.verse_gap == "unspecified":
        return []
    gaps = verse_gaps(record, verse_ends(text.name))
    if len(gaps) < LEAST:
        return []
    ratio = float(np.median([share for _, share in gaps]))
    if (ratio >= WIDER) == (customs.verse_gap == "wider"):
        return []
    number = {glyph.glyph: glyph for glyph in record.glyphs}
    glyphs = tuple(number[g] for gap, _ in gaps for g in (gap.right_glyph, gap.left_glyph))
    asked = "a wider one" if customs.verse_gap == "wider" else "the same"
    says = f"Between verses the white is {ratio:.1f} times that between words of the same line; "
    says += f"the custom chosen is {asked}."
    return [page_finding("verse_gap", glyphs, says, customs)]


def verse_gaps(record: PageRecord, ends: frozenset[int]) -> list[tuple[GapRecord, float]]:
    """The whites after the words that end a verse, each with its share of its line's word gaps."""
    word = {glyph.glyph: glyph.word - 1 for glyph in record.glyphs}
    verse, plain = [], {}  # type: ignore[var-annotated]
    for gap in record.gaps:
        if word[gap.right_glyph] == word[gap.left_glyph]:
            continue
        if word[gap.right_glyph] in ends:
            verse.append(gap)
        else:
            plain.setdefault(gap.line, []).append(gap.width_q)
    return [
        (gap, gap.width_q / usual) for gap in verse
        if gap.line in plain and (usual := float(np.median(plain[gap.line]))) > 0
    ]  # fmt: skip
