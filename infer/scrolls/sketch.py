"""A page in brief: the part of its record that comparisons of pages need.

A run of a hundred scrolls has hundreds of thousands of letters; a few numbers of each are kept.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from crownlet.infer.habits.apply import form_of, group_of, is_judged
from crownlet.infer.habits.judge import Count
from crownlet.infer.hand_records import HabitRecord
from crownlet.infer.records import TAG_NONE, UNFAMILIAR, GlyphRecord, PageRecord
from crownlet.infer.routing.judgement import Crown, Judgement, crown_of, judgement_of
from crownlet.infer.scrolls.same_page import Signature, page_signature
from crownlet.infer.text.side import Side, side_by_letters

MIN_READ_P = 0.5
"""A letter read with less probability is not compared."""


HabitKey = tuple[str, int | None, str]
"""A defect, the crowns that its letters ask for (None for other defects), and a form."""


class SketchedLetter(NamedTuple):
    """One letter that was read without doubt; lengths in q."""

    letter: str
    line: int
    q: float
    """Kulmus in px."""
    crown: Crown
    """Whether it has the crown that its form can have."""
    bare: Judgement
    """Whether its tags are plain lines."""
    p_missing: float | None
    p_bare: float | None
    width: float
    height: float
    finding: bool
    """Whether something is seen on it that its customs list."""


def tags_are_counted(letters: Iterable[SketchedLetter]) -> bool:
    """Whether the pictures show how many tags stand on letters that have some."""
    return all(letter.crown != "uncounted" for letter in letters)


def crowned_at_all(letters: Iterable[SketchedLetter]) -> list[SketchedLetter]:
    """The letters with any tag as a full crown: one measure for pictures that do not let anyone
    count tags and those that do."""
    any_tag: frozenset[Crown] = frozenset({"part", "uncounted"})
    return [x._replace(crown="full") if x.crown in any_tag else x for x in letters]


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
    habits: tuple[HabitRecord, ...] = ()
    """Statements on the hand of the page."""
    counts: Mapping[HabitKey, Count] = field(default_factory=dict)
    """Letters that show a defect, and letters judged."""
    sign: Signature | None = field(default=None, compare=False, repr=False)
    """Signature of the page; None where its letters are too few."""


def sketch_page(record: PageRecord, listed: Collection[int] | None = None) -> PageSketch:
    """A page in brief.

    `listed` are the letters with a finding by the page's customs; None where those are not known,
    and what the networks and measures see counts.
    """
    text = "".join(glyph.letter for glyph in record.glyphs)
    return PageSketch(
        name=record.name,
        path=record.image.path,
        sha256=record.image.sha256,
        lines=max((glyph.line for glyph in record.glyphs), default=0),
        letters=tuple(
            _sketch_letter(glyph, record.unresolved, listed)
            for glyph in record.glyphs
            if _is_read_surely(glyph)
        ),
        text=text,
        side=side_by_letters(text),
        notes=top_notes(record),
        unlike=sum(UNFAMILIAR in glyph.reasons for glyph in record.glyphs),
        habits=record.habits,
        counts=count_defects(record.glyphs),
        sign=page_signature(record.glyphs),
    )


def count_defects(glyphs: Iterable[GlyphRecord]) -> dict[HabitKey, Count]:
    """How many letters show each defect: as a finding, or as evidence of a habit."""
    counts: dict[HabitKey, Count] = {}
    for glyph in glyphs:
        for name in glyph.p:
            if name != TAG_NONE and is_judged(glyph, name):
                key = (*group_of(glyph, name), form_of(glyph, name))
                before = counts.get(key, Count(0, 0))
                seen = judgement_of(glyph, name) == "seen"
                counts[key] = Count(before.seen + seen, before.judged + 1)
    return counts


def top_notes(record: PageRecord) -> tuple[str, ...]:
    """The notes of a page and of its text, one sentence each."""
    text_note = record.match.note if record.match is not None else ""
    return (*record.notes, text_note) if text_note else record.notes


def _is_read_surely(glyph: GlyphRecord) -> bool:
    """Whether a letter is surely what it is read as, and of a kind that the networks know."""
    agreed = glyph.expected is None or glyph.expected == glyph.letter
    return agreed and glyph.letter_p >= MIN_READ_P and UNFAMILIAR not in glyph.reasons


def _sketch_letter(
    glyph: GlyphRecord, unresolved: Collection[str], listed: Collection[int] | None
) -> SketchedLetter:
    x0, y0, x1, y1 = glyph.box
    if glyph.quarter_turns % 2:
        x0, y0, x1, y1 = y0, x0, y1, x1  # A picture on its side: widths run down it.
    crown, bare = crown_of(glyph, unresolved), judgement_of(glyph, "tag_bare", unresolved)
    return SketchedLetter(
        letter=glyph.letter,
        line=glyph.line,
        q=glyph.q,
        crown=crown,
        bare=bare,
        p_missing=None if crown in ("not_examined", "uncounted") else glyph.p.get("tag_missing"),
        p_bare=None if bare == "not_examined" else glyph.p.get("tag_bare"),
        width=(x1 - x0) / glyph.q,
        height=(y1 - y0) / glyph.q,
        finding=glyph.route == "finding" if listed is None else glyph.glyph in listed,
    )
