"""The page against a portion: what each glyph should be, and where words divide."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from crownlet.datasets.alphabet import index_of
from crownlet.infer.align import Alignment, align
from crownlet.infer.records import Floats, Ints
from crownlet.infer.settling import settled
from crownlet.infer.window import window

if TYPE_CHECKING:
    from crownlet.datasets.texts import Portion

BELONGS = 0.6
"""A page and a portion of which fewer letters agree than this share do not belong together."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Matched:
    """A portion laid against a page; arrays by glyph in reading order."""

    portion: Portion
    alignment: Alignment
    starts: Bools
    """(M,) where words begin in the text."""
    word_of: Ints
    """(M,) word of each letter of the text, from 0."""
    place_of: Ints
    """(M,) place of each letter of the text in its word, from 0."""
    text: str
    names: frozenset[int]
    """Indices of the text's letters that stand in a Divine Name."""
    foreign: frozenset[int] = frozenset()
    """Glyphs that belong to other texts at the edge of the page."""

    def expected(self, glyph: int) -> str | None:
        """The letter the text asks for at a glyph, "" for an extra one, None for a foreign one."""
        index = int(self.alignment.expected[glyph])
        if index >= 0:
            return self.text[index]
        return None if glyph in self.foreign else ""

    def in_name(self, glyph: int) -> bool:
        """Whether a glyph stands in a Divine Name."""
        return int(self.alignment.expected[glyph]) in self.names

    def spelled_otherwise(self, glyph: int) -> bool:
        """Whether scrolls spell the word of a glyph, or the one it follows, otherwise."""
        if not self.portion.otherwise:
            return False
        before = self.alignment.expected[: glyph + 1]
        answered = before[before >= 0]
        return len(answered) > 0 and int(self.word_of[answered[-1]]) in self.portion.otherwise

    def without(self, foreign: Bools) -> Matched:
        """The same with glyphs of other texts marked, which answer no letter of this one."""
        expected = np.where(foreign, -1, self.alignment.expected)
        rows = frozenset(int(i) for i in np.flatnonzero(foreign))
        return replace(self, alignment=replace(self.alignment, expected=expected), foreign=rows)

    def part(self, portion: Portion, before: int) -> Matched:
        """The same against whole words of the portion, `before` letters of which come before."""
        word_of, place_of = _divided(portion)
        expected = self.alignment.expected
        expected = np.where(expected >= before, expected - before, -1)
        alignment = replace(self.alignment, expected=expected, length=len(word_of))
        return replace(
            self, portion=portion, alignment=alignment, starts=place_of == 0, word_of=word_of,
            place_of=place_of, text=portion.letters, names=portion.name_letters,
        )  # fmt: skip


def match(letters: Floats, opens: Floats, portion: Portion, cut: Bools | None = None) -> Matched:
    """Align letters (N, 27) in reading order to a portion.

    `opens` (N,) says how likely a word begins at each, `cut` (N,) after which of them the frame of
    the picture may hide text.
    """
    classes = np.array([index_of(char) for char in portion.letters], dtype=np.int64)
    word_of, place_of = _divided(portion)
    starts = place_of == 0
    read = letters.argmax(axis=1) if len(letters) else np.zeros(0, np.int64)
    low, high = window(read, classes)
    near = align(letters, classes[low:high], starts[low:high], opens, cut)
    expected = np.where(near.expected >= 0, near.expected + low, -1)
    alignment = Alignment(settled(expected, read, classes, starts), len(classes), near.cost)
    return Matched(
        portion, alignment, starts, word_of, place_of,
        portion.letters, portion.name_letters,
    )  # fmt: skip


def _divided(portion: Portion) -> tuple[Ints, Ints]:
    """Word, and place in it, of each letter of a portion, from 0."""
    lengths = [len(word) for word in portion.words]
    word_of = np.repeat(np.arange(len(lengths)), lengths)
    place_of = np.concatenate([np.arange(n) for n in lengths]) if lengths else word_of
    return word_of, place_of


def agreement(matched: Matched, letters: str) -> float:
    """Share of the page's letters that are those the text asks for, those of other texts apart."""
    same = sum(matched.expected(i) == letter for i, letter in enumerate(letters))
    return same / max(len(letters) - len(matched.foreign), 1)


def words_by_text(matched: Matched) -> tuple[Ints, Ints]:
    """Word and place, from 0, of each glyph as the text divides it; extra glyphs join the word
    before them."""
    expected = matched.alignment.expected
    words = np.zeros(len(expected), np.int64)
    word = int(matched.word_of[expected[expected >= 0][0]]) if (expected >= 0).any() else 0
    for i, index in enumerate(expected):
        word = int(matched.word_of[index]) if index >= 0 else word
        words[i] = word
    return words, places(words)


def words_by_gaps(opens: Floats) -> tuple[Ints, Ints]:
    """Word and place, from 0, of each glyph by the whites alone."""
    begins = opens >= 0.5
    if len(begins):
        begins[0] = True
    words = np.cumsum(begins) - 1
    return words, places(words)


def places(words: Ints) -> Ints:
    """Place of each glyph in its word, from 0."""
    result = np.zeros(len(words), np.int64)
    for i in range(1, len(words)):
        result[i] = result[i - 1] + 1 if words[i] == words[i - 1] else 0
    return result
