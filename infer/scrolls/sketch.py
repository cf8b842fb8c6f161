"""A page in brief: what comparing pages needs, without the rest of the record.

A run of a hundred scrolls holds hundred thousands of letters; of each only a few numbers are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from crownlet.infer.records import UNFAMILIAR as UNFAMILIAR
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.scrolls.same_page import Signature, page_signature
from crownlet.infer.text.side import Side, side_by_letters

MIN_READ_P = 0.5
"""A letter less sure than this is compared with no other."""

_TAG_COUNT_DEFECTS = frozenset({"tag_missing", "tag_excess"})
"""A picture too poor for these is too poor to count tags."""


class SketchedLetter(NamedTuple):
    """One letter that was read without doubt; lengths in q."""

    letter: str
    line: int
    q: float
    """Kulmus in px."""
    tags: int | None
    """Tags seen; None where the picture is too poor to judge crowns."""
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
    """Side as which the page reads, whatever it was given as; None where that cannot be told."""
    notes: tuple[str, ...]
    unlike: int = 0
    """Letters unlike those that the networks know; they are compared with none."""
    sign: Signature | None = field(default=None, compare=False, repr=False)
    """What tells this page from others; None where its letters are too few."""


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
    """The sentences that belong at the top of a page."""
    said = record.match.note if record.match is not None else ""
    return (*record.notes, said) if said else record.notes


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
