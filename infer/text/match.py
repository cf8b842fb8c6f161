"""The page aligned to a portion: which letter each glyph should be, and where words divide.

Letters of another text at the edge of the page, as a neighbouring column shows them, are marked as
foreign and not compared. Texts far longer than the page are narrowed first to the stretch that the
page may show.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.layout.lines import MIN_COLUMN_GAP_BODIES, Layout
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Bools, Floats, Ints, Located
from crownlet.infer.text.alignment import Alignment, align, normalise_indels

if TYPE_CHECKING:
    from crownlet.datasets.scribal.portion import Portion

_LIMITS = limits_of("text.match")

MIN_WORD_START_P = _LIMITS.number("min_word_start_p")
"""Probability from which a word begins at a letter."""

MIN_EXTRA_SHARE_OF_FOREIGN_LINE = _LIMITS.number("min_extra_share_of_foreign_line")
"""A line with this share of extra letters, and at least `MIN_LETTERS_OF_FOREIGN_LINE`, is of
another text."""

MIN_LETTERS_OF_FOREIGN_LINE = _LIMITS.whole("min_letters_of_foreign_line")

MAX_FOREIGN_SHARE_OF_PAGE = _LIMITS.number("max_foreign_share_of_page")
"""With a larger share of foreign letters the text itself is in doubt, and none is marked."""

LONG_TEXT_LETTERS, TEXT_LETTERS_PER_PAGE_LETTER = (
    _LIMITS.whole("long_text_letters"),
    _LIMITS.whole("text_letters_per_page_letter"),
)
"""Texts longer than `LONG + PER_LETTER` times the page are narrowed down first."""

MAX_WINDOW_CANDIDATES = _LIMITS.whole("max_window_candidates")

WINDOW_MARGIN_LETTERS = _LIMITS.whole("window_margin_letters")
"""Letters, beside half the page's, kept on either side of the stretch that was found."""

MIN_TEXT_AGREEMENT = _LIMITS.number("min_text_agreement")
"""With a smaller share of agreeing letters a page and a portion do not belong together."""


@dataclass(frozen=True)
class AlignedText:
    """A page aligned to a portion; N glyphs in reading order, M letters of the text."""

    portion: Portion
    alignment: Alignment
    word_starts: Bools
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
        """The letter that the text has at a glyph, "" for an extra one, None for a foreign one."""
        index = int(self.alignment.expected[glyph])
        if index >= 0:
            return self.text[index]
        return None if glyph in self.foreign else ""

    def in_name(self, glyph: int) -> bool:
        """Whether a glyph stands in a Divine Name."""
        return int(self.alignment.expected[glyph]) in self.names

    def spelled_otherwise(self, glyph: int) -> bool:
        """Whether scrolls differ in the spelling of a glyph's word, or of the one before it."""
        if not self.portion.variant_words:
            return False
        before = self.alignment.expected[: glyph + 1]
        aligned = before[before >= 0]
        return len(aligned) > 0 and int(self.word_of[aligned[-1]]) in self.portion.variant_words

    def without_foreign(self, foreign: Bools) -> AlignedText:
        """The same with `foreign` (N,) glyphs of other texts marked and aligned to no letter."""
        expected = np.where(foreign, -1, self.alignment.expected)
        rows = frozenset(int(i) for i in np.flatnonzero(foreign))
        return replace(self, alignment=replace(self.alignment, expected=expected), foreign=rows)

    def restricted_to(self, portion: Portion, before: int) -> AlignedText:
        """The same against `portion`, whole words of this one that `before` letters precede."""
        word_of, place_of = _words_and_places(portion)
        expected = self.alignment.expected
        expected = np.where(expected >= before, expected - before, -1)
        alignment = replace(self.alignment, expected=expected, length=len(word_of))
        return replace(
            self, portion=portion, alignment=alignment, word_starts=place_of == 0, word_of=word_of,
            place_of=place_of, text=portion.letters, names=portion.name_letters,
        )  # fmt: skip


def align_to_portion(
    letters: Floats,
    word_start_p: Floats,
    portion: Portion,
    cut: Bools | None = None,
    thin: Bools | None = None,
) -> AlignedText:
    """Align letters (N, 27) in reading order to a portion.

    `word_start_p` (N,) is the probability that a word begins at each; `cut` (N,) marks those after
    which the frame of the picture may hide text, `thin` (N,) thin strokes.
    """
    classes = np.array([index_of(char) for char in portion.letters], dtype=np.int64)
    word_of, place_of = _words_and_places(portion)
    word_starts = place_of == 0
    read = letters.argmax(axis=1) if len(letters) else np.zeros(0, np.int64)
    low, high = find_window(read, classes)
    near = align(letters, classes[low:high], word_starts[low:high], word_start_p, cut, thin=thin)
    expected = np.where(near.expected >= 0, near.expected + low, -1)
    alignment = Alignment(
        normalise_indels(expected, read, classes, word_starts), len(classes), near.cost
    )
    return AlignedText(
        portion, alignment, word_starts, word_of, place_of,
        portion.letters, portion.name_letters,
    )  # fmt: skip


def share_agreeing(matched: AlignedText, letters: str) -> float:
    """Share of the page's letters that equal the text's, without those of other texts; 0 to 1."""
    same = sum(matched.expected(i) == letter for i, letter in enumerate(letters))
    return same / max(len(letters) - len(matched.foreign), 1)


def words_by_text(matched: AlignedText) -> tuple[Ints, Ints]:
    """(N,) word and (N,) place, from 0, of each glyph as the text divides it; extra glyphs belong
    to the word before them."""
    expected = matched.alignment.expected
    words = np.zeros(len(expected), np.int64)
    word = int(matched.word_of[expected[expected >= 0][0]]) if (expected >= 0).any() else 0
    for i, index in enumerate(expected):
        word = int(matched.word_of[index]) if index >= 0 else word
        words[i] = word
    return words, places_in_words(words)


def words_by_gaps(word_start_p: Floats) -> tuple[Ints, Ints]:
    """(N,) word and (N,) place, from 0, of each glyph by the gaps alone."""
    begins = word_start_p >= MIN_WORD_START_P
    if len(begins):
        begins[0] = True
    words = np.cumsum(begins) - 1
    return words, places_in_words(words)


def places_in_words(words: Ints) -> Ints:
    """(N,) place of each glyph in its word, from 0."""
    result = np.zeros(len(words), np.int64)
    for i in range(1, len(words)):
        result[i] = result[i - 1] + 1 if words[i] == words[i - 1] else 0
    return result


def foreign_letters(expected: Ints, found: Located, layout: Layout) -> Bools:
    """(N,) which letters, in reading order, belong to other texts at the edge of this one."""
    extra = expected < 0
    foreign = _foreign_lines(extra, layout)
    edge = _lines_at_column_ends(foreign, layout)
    mask = edge[layout.line] if len(edge) else np.zeros(0, bool)
    mask = mask | _letters_beside_column(extra, found, layout)
    return mask if mask.mean() <= MAX_FOREIGN_SHARE_OF_PAGE else np.zeros(len(expected), bool)


def _foreign_lines(extra: Bools, layout: Layout) -> Bools:
    """(L,) lines hardly any letter of which is in the text."""
    letters = np.bincount(layout.line)
    share = np.bincount(layout.line, weights=extra) / np.maximum(letters, 1)
    return np.asarray(
        (share >= MIN_EXTRA_SHARE_OF_FOREIGN_LINE) & (letters >= MIN_LETTERS_OF_FOREIGN_LINE)
    )


def _lines_at_column_ends(foreign: Bools, layout: Layout) -> Bools:
    """Foreign lines in an unbroken run from the first of their column on, or up to its last."""
    kept = np.zeros(len(foreign), bool)
    column = np.zeros(len(foreign), np.int64)
    column[layout.line] = layout.column
    for name in np.unique(column):
        lines = np.flatnonzero(column == name)
        for order in (lines, lines[::-1]):
            for line in order:
                if not foreign[line]:
                    break
                kept[line] = True
    return kept


def _letters_beside_column(extra: Bools, found: Located, layout: Layout) -> Bools:
    """Extra letters at either end of a line, separated from it by a gap between columns."""
    mask = np.zeros(len(extra), bool)
    min_gap = MIN_COLUMN_GAP_BODIES * float(np.median(found.height)) if len(found) else 0.0
    for line in np.unique(layout.line):
        rows = np.flatnonzero(layout.line == line)
        right = np.maximum(found.box[rows[:-1], 0], found.box[rows[1:], 0])
        left = np.minimum(found.box[rows[:-1], 2], found.box[rows[1:], 2])
        for k in np.flatnonzero(right - left > min_gap):
            for part in (rows[: k + 1], rows[k + 1 :]):
                if extra[part].all() and not extra[rows].all():
                    mask[part] = True
    return mask


def find_window(page: Ints, text: Ints) -> tuple[int, int]:
    """First letter and end of the stretch of `text` (M,) that `page` (N,), classes, may show."""
    max_letters = LONG_TEXT_LETTERS + TEXT_LETTERS_PER_PAGE_LETTER * len(page)
    if len(text) <= max_letters:
        return 0, len(text)
    # Loaded only here: few texts are so long.
    from crownlet.datasets.scribal.pentateuch.chaining import (
        LONG_SEED_LETTERS,
        SeedIndex,
        candidate_shifts,
        find_best_chain,
    )

    runs = SeedIndex(text.astype(np.uint8), LONG_SEED_LETTERS).runs(page.astype(np.uint8))
    shifts = candidate_shifts(runs, len(page), MAX_WINDOW_CANDIDATES)
    chains = [find_best_chain(runs, shift, len(page), (0, len(text))) for shift in shifts]
    best = max((c for c in chains if c is not None), key=lambda c: c.score, default=None)
    if best is None:
        return 0, max_letters
    margin = WINDOW_MARGIN_LETTERS + len(page) // 2
    return max(best.start - margin, 0), min(best.stop + margin, len(text))


def _words_and_places(portion: Portion) -> tuple[Ints, Ints]:
    """(M,) word of each letter of a portion, and (M,) its place in the word, from 0."""
    lengths = [len(word) for word in portion.words]
    word_of = np.repeat(np.arange(len(lengths)), lengths)
    place_of = np.concatenate([np.arange(n) for n in lengths]) if lengths else word_of
    return word_of, place_of
