"""Where a text comes from that is not the one a page was compared with."""

from __future__ import annotations

from dataclasses import replace

from crownlet.infer.records import PageRecord


def strange(record: PageRecord) -> bool:
    """Whether a page was compared with a text and does not hold it."""
    return record.match is not None and all(glyph.expected is None for glyph in record.glyphs)


def traced(record: PageRecord) -> PageRecord:
    """The record; where a page does not hold its text, with what it seems to hold instead."""
    match = record.match
    if match is None or not strange(record):
        return record
    # Loaded only here: a page that holds its text has no need of the Pentateuch.
    from crownlet.datasets.pentateuch.finding import find_passage

    found = find_passage("".join(glyph.letter for glyph in record.glyphs))
    if found is None or found.portion.name == match.portion:
        return record
    said = f"{match.note} It seems to be {found.portion.name!r}."
    return replace(record, match=replace(match, note=said))
