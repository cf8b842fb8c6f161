"""A page in brief: the part of its record that comparisons of pages need.

A run of a hundred scrolls has hundreds of thousands of letters; a few numbers of each are kept.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from crownlet.infer.findings.finding import HEADING_RANK, Finding, Heading
from crownlet.infer.habits.apply import form_of, group_of, is_judged, probability_by_hand
from crownlet.infer.habits.judge import HALF
from crownlet.infer.hand_records import HabitRecord
from crownlet.infer.records import TAG_NONE, UNFAMILIAR, GlyphRecord, PageRecord
from crownlet.infer.routing.judgement import Crown, Judgement, crown_of, judgement_of
from crownlet.infer.scrolls.same_page import Signature, page_signature
from crownlet.infer.text.side import Side, side_by_letters

MIN_READ_P = 0.5
"""A letter read with less probability is not compared."""


HabitKey = tuple[str, int | None, str]
"""A defect, the crowns that its letters ask for (None for other defects), and a form."""


class DefectCount(NamedTuple):
    """How many letters of one form show a defect."""

    seen: tuple[int, ...]
    """Numbers of the letters that show it as surely as a finding, or as evidence of a habit."""
    likely: int
    """Letters that are likelier than not to show it, those seen among them."""
    clear: int
    judged: int


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
    counts: Mapping[HabitKey, DefectCount] = field(default_factory=dict)
    headings: Mapping[str, str] = field(default_factory=dict)
    """The gravest heading of the findings on letters, by defect; empty where findings are not
    known."""
    sign: Signature | None = field(default=None, compare=False, repr=False)
    """Signature of the page; None where its letters are too few."""


def sketch_page(record: PageRecord, findings: Sequence[Finding] | None = None) -> PageSketch:
    """A page in brief.

    `findings` are those by the page's customs; None where they are not known, and what the networks
    and measures see counts.
    """
    listed = None if findings is None else listed_letters(findings)
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
        headings=_gravest_headings(findings or ()),
        sign=page_signature(record.glyphs),
    )


def listed_letters(findings: Iterable[Finding]) -> frozenset[int]:
    """Letters with a finding by the page's customs."""
    return frozenset(glyph for finding in _letter_findings(findings) for glyph in finding.glyphs)


def _letter_findings(findings: Iterable[Finding]) -> Iterator[Finding]:
    return (x for x in findings if x.route == "finding" and x.scope == "glyph")


def _gravest_headings(findings: Iterable[Finding]) -> dict[str, str]:
    """The gravest heading of the findings on letters, by defect."""
    by_kind: dict[str, list[Heading]] = {}
    for finding in _letter_findings(findings):
        by_kind.setdefault(finding.kind, []).append(finding.heading)
    return {kind: min(found, key=HEADING_RANK.__getitem__) for kind, found in by_kind.items()}


def count_defects(glyphs: Iterable[GlyphRecord]) -> dict[HabitKey, DefectCount]:
    """How many letters show each defect."""
    found: dict[HabitKey, list[tuple[GlyphRecord, str]]] = {}
    for glyph in glyphs:
        for name in glyph.p:
            if name != TAG_NONE and is_judged(glyph, name):
                key = (*group_of(glyph, name), form_of(glyph, name))
                found.setdefault(key, []).append((glyph, name))
    return {key: _count_letters(rows) for key, rows in found.items()}


def _count_letters(rows: Sequence[tuple[GlyphRecord, str]]) -> DefectCount:
    seen, likely, clear = [], 0, 0
    for glyph, name in rows:
        judged = judgement_of(glyph, name)
        if judged == "seen":
            seen.append(glyph.glyph)
        likely += judged == "seen" or probability_by_hand(glyph, name) > HALF
        clear += judged == "clear"
    return DefectCount(tuple(seen), likely, clear, len(rows))


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
