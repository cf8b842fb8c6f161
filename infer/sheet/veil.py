"""A page whose Divine Names are covered by plain plates: in its pixels, so that no copy holds them.

A line of text that holds a Name is spelled as is common in print (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import cv2
import numpy as np

from crownlet.infer.records import Box, GlyphRecord, PageRecord
from crownlet.infer.sheet.drawings import draw_word
from crownlet.infer.sheet.upright import Pixels, QuarterTurn
from crownlet.infer.view.language import is_english
from crownlet.infer.view.wording import veil_divine_names

FOUR_LETTER_NAME = "יהוה"

_NAME_STEMS = (FOUR_LETTER_NAME, "אלהי", "אלוה")

_WHOLE_WORD_NAMES = frozenset({"שדי", "אדני", "צבאות"})

_UNSPELLED_NAME = "ה׳"
"""Printed in place of a Name of which a letter is absent or misread."""

PLATE_RGB = (226, 222, 214)
"""Colour of a plate, RGB: lighter than ink, darker than paper."""

PLATE_WORD, HEBREW_PLATE_WORD = "Name", "השם"

_PLATE_WORD_RGB = (118, 112, 104)

_Q_PER_FONT_SCALE = 16.0
"""q in px divided by OpenCV's font scale of the word on a plate."""

_BODY_OF_PLATE_Q = 1.4
"""Height in q of the letters of the Hebrew word on a plate."""

_PLATE_MARGIN_Q = 0.22
"""q by which a plate is larger than the box of its letter, as boxes are off by a few px."""

CONTEXT_WORDS = 2
"""Words shown on either side of a place."""


PixelWork = Callable[[Pixels, Pixels], None]
"""What is done with the pixels of a page as given, and with those whose Names are covered."""


class VeiledPage:
    """One page whose Names are covered wherever it is shown.

    `read` gives its pixels, (H, W, 3) RGB, as given. They are not held here, since the pages of a
    scroll need not fit in memory together: what is cut from them waits until one of its pictures is
    needed, and is then cut at one reading. `names` holds the numbers of the glyphs in a Name; it is
    empty with `show_names`. `read_apart` says that the reader will not hold this page until it is
    needed again.
    """

    def __init__(
        self,
        record: PageRecord,
        read: Callable[[], Pixels],
        show_names: bool = False,
        read_apart: bool = False,
    ) -> None:
        self.record = record
        self.read, self.read_apart = read, read_apart
        self.names: Collection[int] = frozenset() if show_names else find_name_glyphs(record)
        self.sharpness: dict[int, float] = {}
        """Of letters by their numbers, as far as it was measured; see `wellformed`."""
        self._waiting: list[PixelWork] = []

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.record.image.width, self.record.image.height

    def when_read(self, work: PixelWork) -> None:
        """Do this with the pixels at their next reading."""
        self._waiting.append(work)

    def do_waiting(self) -> None:
        """Read the pixels and do all that waits for them; PageError if the picture has moved."""
        pixels = self.read()
        covered = self.cover(pixels)
        for work in self._waiting:
            work(pixels, covered)
        self._waiting.clear()

    def uncovered_boxes(self, letters: Iterable[GlyphRecord], box: Box) -> tuple[Box, ...]:
        """Boxes to show without plates: those of `letters`, if a plate overlaps `box`."""
        if not any(_boxes_meet(_plate_box(glyph), box) for glyph in self._hidden()):
            return ()
        return tuple(glyph.box for glyph in letters)

    def plate_boxes(self, letters: Iterable[GlyphRecord]) -> tuple[Box, ...]:
        """The plates of the Names to which any of `letters` belongs."""
        shown = {glyph.glyph for glyph in letters}
        runs = _group_adjacent(self._hidden())
        return tuple(_plate_box(g) for run in runs if shown & {g.glyph for g in run} for g in run)

    def _hidden(self) -> list[GlyphRecord]:
        return [g for g in self.record.glyphs if g.glyph in self.names]

    def cover(self, pixels: Pixels) -> Pixels:
        """The pixels with a plate on each Name: a copy, or those given where there is none."""
        if not self.names:
            return pixels
        page = pixels.copy()
        for run in _group_adjacent(self._hidden()):
            for glyph in run:
                x0, y0, x1, y1 = _clip_box(_plate_box(glyph), page)
                page[y0:y1, x0:x1] = PLATE_RGB
            _draw_word(page, run)
        return page


@dataclass(frozen=True)
class MarkedWord:
    """A word in three pieces; the middle one is marked, and empty where nothing is."""

    before: str
    marked: str
    after: str


@dataclass(frozen=True)
class SpelledPlace:
    """Words about a place in the order of reading, and where on its line the place stands."""

    words: tuple[MarkedWord, ...]
    word: int
    """Number of the word in its line, from 1."""


def find_name_glyphs(page: PageRecord) -> frozenset[int]:
    """Numbers of the glyphs that stand in a Divine Name."""
    known = {glyph.glyph for glyph in page.glyphs if glyph.in_name}
    for _, line in groupby(page.glyphs, key=lambda glyph: glyph.line):
        words = [list(word) for _, word in groupby(line, key=lambda glyph: glyph.word)]
        for word, after in zip(words, [*words[1:], []], strict=True):
            known.update(_find_in_word(word, after))
        # Gaps between words may be misread: the four letters are veiled wherever they stand.
        known.update(_find_four_letters([glyph for word in words for glyph in word]))
    return frozenset(known)


def _find_in_word(word: Sequence[GlyphRecord], after: Sequence[GlyphRecord]) -> set[int]:
    """Glyphs of a word that spell a Name, and those after it in the word."""
    found: set[int] = set()
    for letters, following in (
        (_read_letters(word), _read_letters(after)),
        (_expected_letters(word), _expected_letters(after)),
    ):
        if "אלהים" in letters and following.startswith("אחרים"):
            continue  # "Other gods" is no Name.
        starts = [letters.index(stem) for stem in _NAME_STEMS if stem in letters]
        starts += [0] if letters in _WHOLE_WORD_NAMES else []
        found.update(glyph.glyph for glyph in word[min(starts, default=len(word)) :])
    return found


def _find_four_letters(line: Sequence[GlyphRecord]) -> set[int]:
    found: set[int] = set()
    for letters in (_read_letters(line), _expected_letters(line)):
        start = letters.find(FOUR_LETTER_NAME)
        while start >= 0:
            found.update(glyph.glyph for glyph in line[start : start + len(FOUR_LETTER_NAME)])
            start = letters.find(FOUR_LETTER_NAME, start + 1)
    return found


def _read_letters(line: Iterable[GlyphRecord]) -> str:
    return "".join(glyph.letter for glyph in line)


def _expected_letters(line: Iterable[GlyphRecord]) -> str:
    """The text's letters, one for each glyph, so that indices agree with those of the glyphs."""
    return "".join(glyph.expected or glyph.letter for glyph in line)


def veil_word(letters: str, start: int) -> str:
    """A word whose letters from `start` on are a Name and its ending, as it may be printed."""
    name = letters[start:]
    written = veil_divine_names(name)
    return letters[:start] + (_UNSPELLED_NAME if written == name else written)


def _group_adjacent(letters: Iterable[GlyphRecord]) -> list[list[GlyphRecord]]:
    """Letters that follow each other in one word."""
    ordered = sorted(letters, key=lambda g: g.glyph)
    runs = [[ordered[0]]] if ordered else []
    for before, after in pairwise(ordered):
        if after.glyph == before.glyph + 1 and after.word == before.word:
            runs[-1].append(after)
        else:
            runs.append([after])
    return runs


def _plate_box(glyph: GlyphRecord) -> Box:
    x0, y0, x1, y1 = glyph.box
    m = _PLATE_MARGIN_Q * glyph.q
    return x0 - m, y0 - m, x1 + m, y1 + m


def _draw_word(page: Pixels, run: list[GlyphRecord]) -> None:
    """The word on the plate, upright for the letters; none where it does not fit."""
    q, angle = run[0].q, np.deg2rad(run[0].rotation)
    word = _plate_word(q)
    if word.shape[1] > sum(glyph.box[2] - glyph.box[0] for glyph in run):
        return
    word = np.rot90(word, -QuarterTurn.upright(run[0].rotation, page.shape[1::-1]).quarters)
    x = (min(g.box[0] for g in run) + max(g.box[2] for g in run)) / 2 - 1.5 * q * np.sin(angle)
    y = float(np.median([g.body[1] for g in run])) + 1.5 * q * np.cos(angle)
    _paste(page, word, round(x - word.shape[1] / 2), round(y - word.shape[0] / 2))


def _plate_word(q: float) -> Pixels:
    """The word of a plate in the page's language, for letters of this kulmus in px."""
    if not is_english():
        return draw_word(HEBREW_PLATE_WORD, _BODY_OF_PLATE_Q * q, _PLATE_WORD_RGB, PLATE_RGB)
    weight = max(1, round(q / 9))
    (wide, high), _ = cv2.getTextSize(
        PLATE_WORD, cv2.FONT_HERSHEY_SIMPLEX, q / _Q_PER_FONT_SCALE, weight
    )
    word = np.full((high + 2 * weight, wide, 3), PLATE_RGB, np.uint8)
    cv2.putText(
        word,
        PLATE_WORD,
        (0, high + weight),
        cv2.FONT_HERSHEY_SIMPLEX,
        q / _Q_PER_FONT_SCALE,
        _PLATE_WORD_RGB,
        weight,
        cv2.LINE_AA,
    )
    return word


def _paste(page: Pixels, piece: Pixels, x: int, y: int) -> None:
    x, y = max(0, x), max(0, y)
    part = page[y : y + piece.shape[0], x : x + piece.shape[1]]
    part[:] = piece[: part.shape[0], : part.shape[1]]


def _clip_box(box: Box, page: Pixels) -> tuple[int, int, int, int]:
    height, width = page.shape[:2]
    return (
        max(0, int(box[0])), max(0, int(box[1])),
        min(width, int(np.ceil(box[2]))), min(height, int(np.ceil(box[3]))),
    )  # fmt: skip


def _boxes_meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def spell_place(
    line: Sequence[GlyphRecord], marked: Collection[int], names: Collection[int]
) -> SpelledPlace:
    """The words of a line about the marked glyphs, as they are read on the page.

    `line` holds the line's glyphs in reading order, `names` the numbers of those in a Name.
    """
    words = [list(word) for _, word in groupby(line, key=lambda glyph: glyph.word)]
    hit = [k for k, word in enumerate(words) if any(glyph.glyph in marked for glyph in word)]
    if not hit:
        return SpelledPlace((), 0)
    near = words[max(0, hit[0] - CONTEXT_WORDS) : hit[-1] + CONTEXT_WORDS + 1]
    return SpelledPlace(tuple(_mark_word(word, marked, names) for word in near), hit[0] + 1)


def _mark_word(
    word: Sequence[GlyphRecord], marked: Collection[int], names: Collection[int]
) -> MarkedWord:
    letters = "".join(glyph.letter for glyph in word)
    holy = next((k for k, glyph in enumerate(word) if glyph.glyph in names), None)
    inside = [k for k, glyph in enumerate(word) if glyph.glyph in marked]
    if holy is not None:
        return _mark_veiled_word(letters, holy, inside)
    if not inside:
        return MarkedWord(letters, "", "")
    first, last = inside[0], inside[-1] + 1
    return MarkedWord(letters[:first], letters[first:last], letters[last:])


def _mark_veiled_word(letters: str, holy: int, inside: Sequence[int]) -> MarkedWord:
    """A word with a Name; a letter inside the Name has no place in what is printed of it."""
    text = veil_word(letters, holy)
    if not inside:
        return MarkedWord(text, "", "")
    if inside[-1] < holy:
        return MarkedWord(
            text[: inside[0]], text[inside[0] : inside[-1] + 1], text[inside[-1] + 1 :]
        )
    return MarkedWord(text[:holy], text[holy:], "")
