"""A page in brief: the part of its record that comparisons of pages need.

A run of a hundred scrolls has hundreds of thousands of letters; a few numbers of each are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from crownlet.infer.records import UNFAMILIAR, GlyphRecord, PageRecord
from crownlet.infer.scrolls.same_page import Signature, page_signature
from crownlet.infer.text.side import Side, side_by_letters

MIN_READ_P = 0.5
"""A letter read with less probability is not compared."""

_TAG_COUNT_DEFECTS = frozenset({"tag_missing", "tag_excess"})
"""Where a picture is too poor for these, tags are not counted."""


class SketchedLetter(NamedTuple):
    """One letter that was read without doubt; lengths in q."""

    letter: str
    line: int
    q: float
    """Kulmus in px."""
    tags: int | None
    """Tags seen; None where the picture is too poor to count them."""
    p_missing: float | None
    p_bare: float | None
    width: float
    height: float
    finding: bool


@dataclass(frozen=True)
class PageSketch:
    """One page in brief."""

    name: str
    path: str
    sha256: str
    lines: int
    letters: tuple[SketchedLetter, ...]
    text: str
    """All letters as read, in reading order."""
    side: Side | None
    """Side by the page's letters, whatever it was given as; None where that is unknown."""
    notes: tuple[str, ...]
    unlike: int = 0
    """Letters unlike those that the networks know; they are not compared."""
    sign: Signature | None = field(default=None, compare=False, repr=False)
    """Signature of the page; None where its letters are too few."""


def sketch_page(record: PageRecord) -> PageSketch:
    """A page in brief."""
    text = "".join(glyph.letter for glyph in record.glyphs)
    return PageSketch(
        name=record.name,
        path=record.image.path,
        sha256=record.image.sha256,
        lines=max((glyph.line for glyph in record.glyphs), default=0),
        letters=tuple(_sketch_letter(glyph) for glyph in record.glyphs if _is_read_surely(glyph)),
        text=text,
        side=side_by_letters(text),
        notes=top_notes(record),
        unlike=sum(UNFAMILIAR in glyph.reasons for glyph in record.glyphs),
        sign=page_signature(record.glyphs),
    )


def top_notes(record: PageRecord) -> tuple[str, ...]:
    """The notes of a page and of its text, one sentence each."""
    text_note = record.match.note if record.match is not None else ""
    return (*record.notes, text_note) if text_note else record.notes


def _is_read_surely(glyph: GlyphRecord) -> bool:
    """Whether a letter is surely what it is read as, and of a kind that the networks know."""
    agreed = glyph.expected is None or glyph.expected == glyph.letter
    return agreed and glyph.letter_p >= MIN_READ_P and UNFAMILIAR not in glyph.reasons


def _sketch_letter(glyph: GlyphRecord) -> SketchedLetter:
    x0, y0, x1, y1 = glyph.box
    if glyph.quarter_turns % 2:
        x0, y0, x1, y1 = y0, x0, y1, x1  # A picture on its side: widths run down it.
    counted = _TAG_COUNT_DEFECTS.isdisjoint(glyph.not_examined)
    bare = "tag_bare" not in glyph.not_examined
    return SketchedLetter(
        letter=glyph.letter,
        line=glyph.line,
        q=glyph.q,
        tags=glyph.tags_seen if counted else None,
        p_missing=glyph.p.get("tag_missing") if counted else None,
        p_bare=glyph.p.get("tag_bare") if bare else None,
        width=(x1 - x0) / glyph.q,
        height=(y1 - y0) / glyph.q,
        finding=glyph.route == "finding",
    )
