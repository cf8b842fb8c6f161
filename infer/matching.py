"""The page against a portion: what each glyph should be, what is absent, and where words divide."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from crownlet.datasets.alphabet import index_of
from crownlet.infer.align import Alignment, align
from crownlet.infer.layout import Layout
from crownlet.infer.records import AbsentLetter, Floats, Ints, Located, TextMatch

if TYPE_CHECKING:
    from crownlet.datasets.texts import Portion

BELONGS = 0.6
"""A page and a portion of which fewer letters agree than this share do not belong together."""
OUTSIDE = 12
"""A longer run of the text before the page's first or after its last letter is not on the page."""


@dataclass(frozen=True)
class Matched:
    """A portion laid against a page; arrays by glyph in reading order."""

    portion: Portion
    alignment: Alignment
    starts: npt.NDArray[np.bool_]
    """(M,) where words begin in the text."""
    word_of: Ints
    """(M,) word of each letter of the text, from 0."""
    place_of: Ints
    """(M,) place of each letter of the text in its word, from 0."""
    text: str
    names: frozenset[int]
    """Indices of the text's letters that stand in a Divine Name."""

    def expected(self, glyph: int) -> str:
        """The letter the text asks for at a glyph, "" for an extra one."""
        index = int(self.alignment.expected[glyph])
        return self.text[index] if index >= 0 else ""

    def in_name(self, glyph: int) -> bool:
        """Whether a glyph stands in a Divine Name."""
        return int(self.alignment.expected[glyph]) in self.names


def match(letters: Floats, opens: Floats, portion: Portion) -> Matched:
    """Align letters (N, 27) in reading order to a portion."""
    classes = np.array([index_of(char) for char in portion.letters], dtype=np.int64)
    lengths = [len(word) for word in portion.words]
    word_of = np.repeat(np.arange(len(lengths)), lengths)
    place_of = np.concatenate([np.arange(n) for n in lengths]) if lengths else word_of
    starts = place_of == 0
    alignment = align(letters, classes, starts, opens)
    return Matched(
        portion, alignment, starts, word_of, place_of, portion.letters, portion.name_letters
    )


def agreement(matched: Matched, letters: str) -> float:
    """Share of the page's letters that are those the text asks for."""
    same = sum(matched.expected(i) == letter for i, letter in enumerate(letters))
    return same / max(len(letters), 1)


def summary(matched: Matched, letters: str, found: Located, layout: Layout) -> TextMatch:
    """Counts, and every absent letter with the place to look at."""
    portion, alignment = matched.portion, matched.alignment
    share = agreement(matched, letters)
    pairs = [(matched.expected(i), letter) for i, letter in enumerate(letters)]
    extra = sum(expected == "" for expected, _ in pairs)
    swapped = sum(expected not in ("", letter) for expected, letter in pairs)
    length = alignment.length
    if share < BELONGS:
        note = (
            f"The writing and the portion {portion.name!r} do not belong together: "
            f"{share:.0%} of the letters agree; it was not compared further."
        )
        return TextMatch(portion.name, length, len(letters) - extra, swapped, extra, note=note)
    first, last = _span(alignment)
    absent = tuple(
        _absent(matched, j, found, layout) for j in alignment.absent if first <= j <= last
    )
    note = ""
    if first > 0 or last < length - 1:
        note = (
            f"The page shows letters {first + 1} to {last + 1} of the {length} of {portion.name!r}."
        )
    return TextMatch(portion.name, length, len(letters) - extra, swapped, extra, absent, note)


def _span(alignment: Alignment) -> tuple[int, int]:
    """First and last letter of the text that belong on the page."""
    answered = alignment.expected[alignment.expected >= 0]
    last = alignment.length - 1
    if not len(answered):
        return 0, last
    first_seen, last_seen = int(answered.min()), int(answered.max())
    first = first_seen if first_seen > OUTSIDE else 0
    return first, last_seen if last - last_seen > OUTSIDE else last


def _absent(matched: Matched, j: int, found: Located, layout: Layout) -> AbsentLetter:
    expected = matched.alignment.expected
    before = np.flatnonzero((expected >= 0) & (expected < j))
    after = np.flatnonzero(expected > j)
    anchors = found.anchors[layout.order]
    around = [int(rows[k]) for rows, k in ((before, -1), (after, 0)) if len(rows)]
    same_line = len({int(layout.line[i]) for i in around}) == 1
    at = anchors[around if same_line else around[:1]].mean(axis=0)
    return AbsentLetter(
        letter=matched.text[j],
        line=int(layout.line[around[0]]) + 1,
        word=int(matched.word_of[j]) + 1,
        place=int(matched.place_of[j]) + 1,
        after=int(before[-1]) + 1 if len(before) else 0,
        at=(float(at[0]), float(at[1])),
        in_name=j in matched.names,
    )


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
