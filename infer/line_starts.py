"""Where the lines of a page begin, beside the lists of line beginnings that the Tur hands down.

Twenty-two lines for the mezuzah (Tur, Yoreh De'ah 288), seven or four for a portion of tefillin
(Tur, Orach Chayim 35). Many hands keep other lines; whether that is worth a word is a custom.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from crownlet.datasets.texts import TEFILLIN, tefillin_lines
from crownlet.infer.records import GlyphRecord, PageRecord

if TYPE_CHECKING:
    from crownlet.datasets.texts import Lines, Portion

ARM_LINES = 28
"""Lines of the strip of the arm: four columns of seven (Tur, Orach Chayim 35)."""
_TEFILLIN_LINES: dict[int, Literal["arm", "head"]] = {7: "arm", 4: "head"}


@dataclass(frozen=True)
class LineStart:
    """A line that begins elsewhere than the list has it."""

    line: int
    """Line of the page, from 1."""
    expected_word: str
    """The word with which the list's nearest line begins."""
    found_word: str
    """The word of the text with which the line begins, or within which it does."""
    glyph: int
    """The line's first letter that belongs to the text."""


def line_starts(record: PageRecord, portion: Portion) -> tuple[LineStart, ...]:
    """Lines of the page that begin elsewhere than in the list, from the top.

    Empty where there is no list for the portion, or the page was not compared with its text.
    """
    lists = listed(portion, max((glyph.line for glyph in record.glyphs), default=0))
    if lists is None:
        return ()
    starts = _starts(lists)
    found = []
    for glyph in _firsts(record):
        word = glyph.word - 1
        if word in starts and glyph.place == 1:
            continue
        nearest = min(starts, key=lambda start: (abs(start - word), start))
        found.append(
            LineStart(glyph.line, portion.words[nearest], portion.words[word], glyph.glyph)
        )
    return tuple(found)


def listed(portion: Portion, lines: int) -> Lines | None:
    """The words of a portion by the lines of the list that a page of so many lines may follow."""
    if portion.name == "tefillin" and lines == ARM_LINES:
        return tuple(line for name in TEFILLIN for line in tefillin_lines(name, "arm"))
    if portion.name in TEFILLIN and lines in _TEFILLIN_LINES:
        return tefillin_lines(portion.name, _TEFILLIN_LINES[lines])
    return portion.lines


def _starts(lines: Lines) -> list[int]:
    """Index of the word with which each line begins."""
    starts, word = [], 0
    for line in lines:
        starts.append(word)
        word += len(line)
    return starts


def _firsts(record: PageRecord) -> list[GlyphRecord]:
    """The first letter of each line that answers a letter of the text."""
    firsts: dict[int, GlyphRecord] = {}
    for glyph in record.glyphs:
        if glyph.expected:
            firsts.setdefault(glyph.line, glyph)
    return list(firsts.values())
