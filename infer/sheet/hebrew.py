"""The words about a finding in Hebrew, its letter marked, Names written as they may be printed."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import groupby

from crownlet.infer.records import GlyphRecord
from crownlet.infer.sheet.names import masked

AROUND = 2
"""Words shown on either side."""


@dataclass(frozen=True)
class Word:
    """A word in three pieces; the middle one is marked, and empty where nothing is."""

    before: str
    marked: str
    after: str


@dataclass(frozen=True)
class Spelled:
    """Words about a place in the order of reading, and where on its line the place stands."""

    words: tuple[Word, ...]
    word: int
    """Number of the word in its line, from 1."""


def spelled(
    line: Sequence[GlyphRecord], marked: Collection[int], names: Collection[int]
) -> Spelled:
    """The words of a line about the marked glyphs, as they are read on the page.

    `line` holds the line's glyphs in reading order, `names` the numbers of those in a Name.
    """
    words = [list(word) for _, word in groupby(line, key=lambda glyph: glyph.word)]
    hit = [k for k, word in enumerate(words) if any(glyph.glyph in marked for glyph in word)]
    if not hit:
        return Spelled((), 0)
    near = words[max(0, hit[0] - AROUND) : hit[-1] + AROUND + 1]
    return Spelled(tuple(_word(word, marked, names) for word in near), hit[0] + 1)


def _word(word: Sequence[GlyphRecord], marked: Collection[int], names: Collection[int]) -> Word:
    letters = "".join(glyph.letter for glyph in word)
    holy = next((k for k, glyph in enumerate(word) if glyph.glyph in names), None)
    inside = [k for k, glyph in enumerate(word) if glyph.glyph in marked]
    if holy is not None:
        return _masked(letters, holy, inside)
    if not inside:
        return Word(letters, "", "")
    first, last = inside[0], inside[-1] + 1
    return Word(letters[:first], letters[first:last], letters[last:])


def _masked(letters: str, holy: int, inside: Sequence[int]) -> Word:
    """A word with a Name; a letter inside the Name has no place in what is printed of it."""
    text = masked(letters, holy)
    if not inside:
        return Word(text, "", "")
    if inside[-1] < holy:
        return Word(text[: inside[0]], text[inside[0] : inside[-1] + 1], text[inside[-1] + 1 :])
    return Word(text[:holy], text[holy:], "")
