"""The page against a portion: what each glyph should be, and where words divide."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.layout.lines import COLUMN_GAP, Layout
from crownlet.infer.records import Floats, Ints, Located
from crownlet.infer.text.alignment import Alignment, align, normalise_indels

if TYPE_CHECKING:
    from crownlet.datasets.scribal.portion import Portion

MIN_EXTRA_SHARE_OF_FOREIGN_LINE = 0.8
"""A line of which so many letters answer none of the text is of another text."""

MIN_LETTERS_OF_FOREIGN_LINE = 4

MAX_FOREIGN_SHARE_OF_PAGE = 0.5
"""If more of the page's letters were foreign, it is the text that is in doubt."""

Bools_foreign = npt.NDArray[np.bool_]


def foreign_letters(expected: Ints, found: Located, layout: Layout) -> Bools_foreign:
    """(N,) which letters, in reading order, belong to other texts at the edge of this one."""
    extra = expected < 0
    strange = _foreign_lines(extra, layout)
    edge = _lines_at_column_ends(strange, layout)
    mask = edge[layout.line] if len(edge) else np.zeros(0, bool)
    mask = mask | _letters_beside_column(extra, found, layout)
    return mask if mask.mean() <= MAX_FOREIGN_SHARE_OF_PAGE else np.zeros(len(expected), bool)


def _foreign_lines(extra: Bools_foreign, layout: Layout) -> Bools_foreign:
    """(L,) lines that hardly answer the text."""
    letters = np.bincount(layout.line)
    share = np.bincount(layout.line, weights=extra) / np.maximum(letters, 1)
    return np.asarray(
        (share >= MIN_EXTRA_SHARE_OF_FOREIGN_LINE) & (letters >= MIN_LETTERS_OF_FOREIGN_LINE)
    )


def _lines_at_column_ends(strange: Bools_foreign, layout: Layout) -> Bools_foreign:
    """Strange lines from the first of their column on, or up to its last."""
    kept = np.zeros(len(strange), bool)
    column = np.zeros(len(strange), np.int64)
    column[layout.line] = layout.column
    for name in np.unique(column):
        lines = np.flatnonzero(column == name)
        for order in (lines, lines[::-1]):
            for line in order:
                if not strange[line]:
                    break
                kept[line] = True
    return kept


def _letters_beside_column(extra: Bools_foreign, found: Located, layout: Layout) -> Bools_foreign:
    """Extra letters at either end of a line, parted from it by the white between columns."""
    mask = np.zeros(len(extra), bool)
    room = COLUMN_GAP * float(np.median(found.body[:, 2])) if len(found) else 0.0
    for line in np.unique(layout.line):
        rows = np.flatnonzero(layout.line == line)
        right = np.maximum(found.box[rows[:-1], 0], found.box[rows[1:], 0])
        left = np.minimum(found.box[rows[:-1], 2], found.box[rows[1:], 2])
        for k in np.flatnonzero(right - left > room):
            for part in (rows[: k + 1], rows[k + 1 :]):
                if extra[part].all() and not extra[rows].all():
                    mask[part] = True
    return mask


LONG_TEXT_LETTERS, TEXT_LETTERS_PER_PAGE_LETTER = 4000, 4
"""Texts longer than `LONG + PER_LETTER` times the page are narrowed down first."""

MAX_WINDOW_CANDIDATES = 6


def find_window(page: Ints, text: Ints) -> tuple[int, int]:
    """First letter and end of the stretch of `text` (M,) that `page` (N,), classes, may show."""
    most = LONG_TEXT_LETTERS + TEXT_LETTERS_PER_PAGE_LETTER * len(page)
    if len(text) <= most:
        return 0, len(text)
    # Loaded only here: few texts are so long.
    from crownlet.datasets.scribal.pentateuch.chaining import LONG_SEED, Seeds, candidates, chain

    runs = Seeds(text.astype(np.uint8), LONG_SEED).runs(page.astype(np.uint8))
    shifts = candidates(runs, len(page), MAX_WINDOW_CANDIDATES)
    chains = [chain(runs, shift, len(page), (0, len(text))) for shift in shifts]
    best = max((c for c in chains if c is not None), key=lambda c: c.score, default=None)
    if best is None:
        return 0, most
    room = 100 + len(page) // 2
    return max(best.start - room, 0), min(best.stop + room, len(text))


MIN_TEXT_AGREEMENT = 0.6
"""A page and a portion of which fewer letters agree than this share do not belong together."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class AlignedText:
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

    def without(self, foreign: Bools) -> AlignedText:
        """The same with glyphs of other texts marked, which answer no letter of this one."""
        expected = np.where(foreign, -1, self.alignment.expected)
        rows = frozenset(int(i) for i in np.flatnonzero(foreign))
        return replace(self, alignment=replace(self.alignment, expected=expected), foreign=rows)

    def part(self, portion: Portion, before: int) -> AlignedText:
        """The same against whole words of the portion, `before` letters of which come before."""
        word_of, place_of = _words_and_places(portion)
        expected = self.alignment.expected
        expected = np.where(expected >= before, expected - before, -1)
        alignment = replace(self.alignment, expected=expected, length=len(word_of))
        return replace(
            self, portion=portion, alignment=alignment, starts=place_of == 0, word_of=word_of,
            place_of=place_of, text=portion.letters, names=portion.name_letters,
        )  # fmt: skip


def align_to_portion(
    letters: Floats, opens: Floats, portion: Portion, cut: Bools | None = None
) -> AlignedText:
    """Align letters (N, 27) in reading order to a portion.

    `opens` (N,) says how likely a word begins at each, `cut` (N,) after which of them the frame of
    the picture may hide text.
    """
    classes = np.array([index_of(char) for char in portion.letters], dtype=np.int64)
    word_of, place_of = _words_and_places(portion)
    starts = place_of == 0
    read = letters.argmax(axis=1) if len(letters) else np.zeros(0, np.int64)
    low, high = find_window(read, classes)
    near = align(letters, classes[low:high], starts[low:high], opens, cut)
    expected = np.where(near.expected >= 0, near.expected + low, -1)
    alignment = Alignment(
        normalise_indels(expected, read, classes, starts), len(classes), near.cost
    )
    return AlignedText(
        portion, alignment, starts, word_of, place_of,
        portion.letters, portion.name_letters,
    )  # fmt: skip


def _words_and_places(portion: Portion) -> tuple[Ints, Ints]:
    """Word, and place in it, of each letter of a portion, from 0."""
    lengths = [len(word) for word in portion.words]
    word_of = np.repeat(np.arange(len(lengths)), lengths)
    place_of = np.concatenate([np.arange(n) for n in lengths]) if lengths else word_of
    return word_of, place_of


def share_agreeing(matched: AlignedText, letters: str) -> float:
    """Share of the page's letters that are those the text asks for, those of other texts apart."""
    same = sum(matched.expected(i) == letter for i, letter in enumerate(letters))
    return same / max(len(letters) - len(matched.foreign), 1)


def words_by_text(matched: AlignedText) -> tuple[Ints, Ints]:
    """Word and place, from 0, of each glyph as the text divides it; extra glyphs join the word
    before them."""
    expected = matched.alignment.expected
    words = np.zeros(len(expected), np.int64)
    word = int(matched.word_of[expected[expected >= 0][0]]) if (expected >= 0).any() else 0
    for i, index in enumerate(expected):
        word = int(matched.word_of[index]) if index >= 0 else word
        words[i] = word
    return words, places_in_words(words)


def words_by_gaps(opens: Floats) -> tuple[Ints, Ints]:
    """Word and place, from 0, of each glyph by the whites alone."""
    begins = opens >= 0.5
    if len(begins):
        begins[0] = True
    words = np.cumsum(begins) - 1
    return words, places_in_words(words)


def places_in_words(words: Ints) -> Ints:
    """Place of each glyph in its word, from 0."""
    result = np.zeros(len(words), np.int64)
    for i in range(1, len(words)):
        result[i] = result[i - 1] + 1 if words[i] == words[i - 1] else 0
    return result
