"""Where the lines of a page begin, compared with the Tur's lists of line beginnings.

Twenty-two lines for the mezuzah (Tur, Yoreh De'ah 288), seven or four for a portion of tefillin
(Tur, Orach Chayim 35). Many hands keep other lines; whether that is listed is a matter of custom.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from crownlet.datasets.scribal.texts import TEFILLIN, load_portion, tefillin_lines
from crownlet.infer.limits import limits_of
from crownlet.infer.records import GlyphRecord, PageRecord

if TYPE_CHECKING:
    from crownlet.datasets.scribal.portion import Lines, Portion
    from crownlet.infer.layout.lines import Layout
    from crownlet.infer.text.match import AlignedText

_LIMITS = limits_of("text.line_starts")

ARM_LINES = 28
"""Lines of the strip of the arm: four columns of seven (Tur, Orach Chayim 35)."""

MIN_LINES_FOR_LIST, MIN_SHARE_OF_LISTED_STARTS = (
    _LIMITS.whole("min_lines_for_list"),
    _LIMITS.number("min_share_of_listed_starts"),
)
"""A page of at least this many lines, with at least this share of them beginning as in the list,
follows the list."""

_TEFILLIN_LINES: dict[int, Literal["arm", "head"]] = {7: "arm", 4: "head"}


@dataclass(frozen=True)
class LineStart:
    """A line that begins with another word than in the list."""

    line: int
    """Line of the page, from 1."""
    expected_word: str
    """First word of the list's nearest line."""
    found_word: str
    """The word of the text in which the line begins."""
    glyph: int
    """The line's first letter that belongs to the text."""


def unlisted_line_starts(record: PageRecord, text: Portion) -> tuple[LineStart, ...]:
    """Lines of the page that begin with another word than in the list, from the top.

    Empty where there is no list for the portion, or the page was not compared with its text.
    """
    lists = listed_lines(text, max((glyph.line for glyph in record.glyphs), default=0))
    if lists is None:
        return ()
    starts = _first_words(lists)
    found = []
    for glyph in _first_glyphs(record):
        word = glyph.word - 1
        if word in starts and glyph.place == 1:
            continue
        nearest = min(starts, key=lambda start: (abs(start - word), start))
        found.append(LineStart(glyph.line, text.words[nearest], text.words[word], glyph.glyph))
    return tuple(found)


def listed_lines(text: Portion, lines: int) -> Lines | None:
    """The words of a portion by the lines of the list for a page of `lines` lines; None without
    one."""
    if text.name == "tefillin" and lines == ARM_LINES:
        return tuple(line for name in TEFILLIN for line in tefillin_lines(name, "arm"))
    if text.name in TEFILLIN and lines in _TEFILLIN_LINES:
        return tefillin_lines(text.name, _TEFILLIN_LINES[lines])
    return text.lines


def has_lines_of_mezuzah(matched: AlignedText, layout: Layout) -> bool:
    """Whether a page that may be part of a mezuzah or of tefillin has the lines of a mezuzah.

    `matched` aligns it to one of the portions that the mezuzah holds.
    """
    mezuzah = load_portion("mezuzah")
    offset = mezuzah.letters.find(matched.text)
    expected = matched.alignment.expected
    rows = np.flatnonzero(expected >= 0)
    if offset < 0 or not len(rows):
        return False
    _, first = np.unique(layout.line[rows], return_index=True)
    lengths = [len("".join(line)) for line in mezuzah.lines or ()]
    listed_starts = np.cumsum([0, *lengths])
    # The page's first letter may begin anywhere: it is no evidence.
    begins = expected[rows[first]][1:] + offset
    return len(begins) + 1 >= MIN_LINES_FOR_LIST and bool(
        np.isin(begins, listed_starts).mean() >= MIN_SHARE_OF_LISTED_STARTS
    )


def _first_words(lines: Lines) -> list[int]:
    """Index of the word with which each line begins."""
    starts, word = [], 0
    for line in lines:
        starts.append(word)
        word += len(line)
    return starts


def _first_glyphs(record: PageRecord) -> list[GlyphRecord]:
    """The first letter of each line that is aligned to a letter of the text."""
    firsts: dict[int, GlyphRecord] = {}
    for glyph in record.glyphs:
        if glyph.expected:
            firsts.setdefault(glyph.line, glyph)
    return list(firsts.values())
