"""What is known of the text of a page: the portion it was compared with, where it has a name."""

from __future__ import annotations

from crownlet.datasets.texts import Portion, portion
from crownlet.infer.records import GlyphRecord, PageRecord


def text_of(record: PageRecord) -> Portion | None:
    """The portion a page was found to follow; None without one, or for a text of the user's."""
    if record.match is None or not any(glyph.expected for glyph in record.glyphs):
        return None
    try:
        return portion(record.match.portion)
    except KeyError:
        return None


def letter_at(record: PageRecord, word: int, place: int) -> GlyphRecord | None:
    """The letter of the page at a word and place of the text, both from 0; None if none is."""
    for glyph in record.glyphs:
        if glyph.word == word + 1 and glyph.place == place + 1 and glyph.expected:
            return glyph
    return None


def first_of(record: PageRecord, word: int) -> GlyphRecord | None:
    """The first letter of the page in a word of the text, from 0."""
    return letter_at(record, word, 0)
