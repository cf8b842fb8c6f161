"""Findings on lines, margins or many letters together, and the portion a page follows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from crownlet.datasets.scribal.customs import Customs
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.findings.columns import Line
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.severity import severity_of
from crownlet.infer.records import Box, GlyphRecord, PageRecord
from crownlet.infer.view.wording import join_words


def page_finding(
    kind: str,
    glyphs: Sequence[GlyphRecord],
    message: str,
    customs: Customs,
    letter: str | None = None,
    expected: str | None = None,
) -> Finding:
    """A finding of scope `page` about these letters, at least one; it is found in the first's
    line."""
    severity = severity_of(kind, letter, customs)
    lines = {glyph.line for glyph in glyphs}
    return Finding(
        number=0, kind=kind, scope="page", glyphs=tuple(g.glyph for g in glyphs),
        line=lines.pop() if len(lines) == 1 else 0, letter=letter, expected=expected,
        box=enclosing_box(glyph.box for glyph in glyphs), route="finding", p=None,
        heading=severity.heading, opinions=severity.opinions, measurements=(),
        in_name=any(glyph.in_name for glyph in glyphs), message=message,
    )  # fmt: skip


def letters_of(lines: Iterable[Line]) -> tuple[GlyphRecord, ...]:
    """The letters of several lines, in the order of reading."""
    return tuple(glyph for line in lines for glyph in line.glyphs)


def enclosing_box(boxes: Iterable[Box]) -> Box:
    """The smallest box around several, of which there is at least one."""
    x0, y0, x1, y1 = zip(*boxes, strict=True)
    return min(x0), min(y0), max(x1), max(y1)


def name_lines(lines: Sequence[int]) -> str:
    """Numbers of lines in words: "line 3", "lines 3, 5 and 8"."""
    return f"{'line' if len(lines) == 1 else 'lines'} {join_words(map(str, lines))}"


def portion_of(record: PageRecord) -> Portion | None:
    """The portion a page was found to follow; None without one, or for a text from the user's
    file."""
    if record.match is None or not any(glyph.expected for glyph in record.glyphs):
        return None
    try:
        return load_portion(record.match.portion)
    except KeyError:
        return None


def letter_at(record: PageRecord, word: int, place: int) -> GlyphRecord | None:
    """The letter of the page at a word and place of the text, both from 0; None if none is."""
    for glyph in record.glyphs:
        if glyph.word == word + 1 and glyph.place == place + 1 and glyph.expected:
            return glyph
    return None


def first_letter_of_word(record: PageRecord, word: int) -> GlyphRecord | None:
    """The first letter of the page in a word of the text, from 0."""
    return letter_at(record, word, 0)
