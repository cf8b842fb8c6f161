"""Where a text comes from that is not the one a page was compared with."""

from __future__ import annotations

from dataclasses import replace

from crownlet.infer.matching import BELONGS
from crownlet.infer.records import PageRecord, TextMatch


def belongs(match: TextMatch, letters: int) -> bool:
    """Whether a page of so many letters holds the text with which it was compared."""
    return match.matched - match.swapped >= BELONGS * letters


def traced(record: PageRecord) -> PageRecord:
    """The record; where a page does not hold its text, with what it seems to hold instead."""
    match = record.match
    if match is None or belongs(match, len(record.glyphs)):
        return record
    from crownlet.datasets.pentateuch.finding import find_passage

    found = find_passage("".join(glyph.letter for glyph in record.glyphs))
    if found is None or found.portion.name == match.portion:
        return record
    said = f"{match.note} It seems to be {found.portion.name!r}."
    return replace(record, match=replace(match, note=said))
