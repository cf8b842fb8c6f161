"""White between words as a habit of the hand: in its own yuds, and against that between letters.

Single whites that may join words or part them are findings of their own (`spaces.py`). Where a hand
leaves little everywhere, the habit is said once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.paging import page_finding
from crownlet.infer.records import GapRecord, PageRecord

NARROW = 0.75
"""Usual white between words, in yuds, below which it is far from the yud that is asked for
(Orach Chayim 32:32 gloss). Twenty held-out hands measured: the ten of a usual kind 1.1 to 2.0, the
ten drawn with close words 0.5 to 1.1."""
LEAST = 15
"""With fewer whites between words nothing is said of a habit."""


def word_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for a page whose words stand, as a rule, too near each other."""
    words, letters = (between(record.gaps, kind) for kind in ("word", "letter"))
    if len(words) < LEAST or not letters:
        return []
    usual = float(np.median([gap.width_yud for gap in words]))
    if usual >= NARROW:
        return []
    within = float(np.median([gap.width_yud for gap in letters]))
    narrow = {g for gap in words if gap.width_yud < NARROW
              for g in (gap.right_glyph, gap.left_glyph)}  # fmt: skip
    glyphs = tuple(glyph for glyph in record.glyphs if glyph.glyph in narrow)
    says = f"Between words the white is as a rule {usual:.1f} of this hand's yud, where that "
    says += f"between letters is {max(within, 0.0):.1f}."
    return [page_finding("words_near", glyphs, says, customs)]


def between(gaps: Sequence[GapRecord], kind: str) -> list[GapRecord]:
    """The whites between words or letters by the text, or, where it does not say, by their odds."""
    odds = "p_words_joined" if kind == "word" else "p_word_parted"
    return [
        gap for gap in gaps
        if gap.expected == kind or (gap.expected is None and getattr(gap, odds) is not None)
    ]  # fmt: skip
