"""Clean examples beside a finding: the same letter, or gap, elsewhere in the scroll.

An example is a letter, or a gap, that the inspection left clear and on which the doubt in question
is least.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.records import GapRecord, GlyphRecord
from crownlet.infer.sheet.upright import Pixels
from crownlet.infer.sheet.veil import VeiledPage

MAX_COMPARED_CANDIDATES = 6
"""Candidates with the lowest odds whose pictures are compared."""

SIMILAR_DOUBT = 0.05
"""Doubts that differ by less count as alike."""

DRAWN_LAMED_TAGS = 2


@dataclass(frozen=True)
class ExampleLetters:
    """A letter, or the letters on both sides of a gap, on one page of the scroll."""

    page: VeiledPage
    letters: tuple[GlyphRecord, ...]

    @property
    def box(self) -> tuple[float, float, float, float]:
        """px of the page as given, around all letters."""
        boxes = np.array([glyph.box for glyph in self.letters])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)


class CleanLetterFinder:
    """Finds examples in the pages of one scroll, and keeps those it found."""

    def __init__(self, pages: Sequence[VeiledPage]) -> None:
        self._pages = pages
        self._known: dict[tuple[str, str, str], ExampleLetters | None] = {}

    def find_letter(self, char: str, kind: str, near: VeiledPage) -> ExampleLetters | None:
        """A letter of this form without a doubt about `kind`; None if the scroll has none.

        From the page `near` if it has one: it was written and pictured alike.
        """
        key = char, kind, near.record.name
        if key not in self._known:
            pages = self._nearest_first(near)
            self._known[key] = next(
                filter(None, (_find_letter(p, char, kind) for p in pages)), None
            )
        return self._known[key]

    def find_gap(self, pair: str, kind: str, near: VeiledPage) -> ExampleLetters | None:
        """Two neighbours whose gap is without a doubt about `kind`; the same letters, if any.

        `pair` are the letters in question, the right one first.
        """
        key = pair, kind, near.record.name
        if key not in self._known:
            pages = self._nearest_first(near)
            self._known[key] = next(filter(None, (_find_gap(p, pair, kind) for p in pages)), None)
        return self._known[key]

    def _nearest_first(self, near: VeiledPage) -> list[VeiledPage]:
        return sorted(self._pages, key=lambda page: page is not near)


def _find_letter(page: VeiledPage, char: str, kind: str) -> ExampleLetters | None:
    """Of the letters with the lowest odds the one with the best picture."""
    fair = [
        glyph
        for glyph in _fair_letters(page)
        if glyph.letter == char and kind not in glyph.not_examined
    ]
    if not fair:
        return None
    fair.sort(key=lambda glyph: _doubt(glyph, kind))
    least = _doubt(fair[0], kind)
    alike = [
        glyph
        for glyph in fair[:MAX_COMPARED_CANDIDATES]
        if _doubt(glyph, kind) <= least + SIMILAR_DOUBT
    ]
    _measure_sharpness(page, alike)
    return ExampleLetters(page, (max(alike, key=lambda glyph: page.sharpness[glyph.glyph]),))


def _fair_letters(page: VeiledPage) -> list[GlyphRecord]:
    """Clear letters that are read as expected, whole, and in no Name."""
    width, height = page.size
    return [
        glyph
        for glyph in page.record.glyphs
        if _is_clear(glyph) and glyph.expected in (None, glyph.letter)
        and glyph.glyph not in page.names
        and min(glyph.box[:2]) > 2 and glyph.box[2] < width - 2 and glyph.box[3] < height - 2
    ]  # fmt: skip


def _is_clear(glyph: GlyphRecord) -> bool:
    """Whether nothing of a letter is doubted, whether anybody is asked or not."""
    return glyph.route == "clear" and not glyph.unrouted_doubts


def _doubt(glyph: GlyphRecord, kind: str) -> float:
    """How far from faultless: this defect above all, then any other, then the reading."""
    others = [p for p in glyph.p.values() if p is not None]
    own = glyph.p.get(kind) or 0.0
    expected = glyph.tags_seen if glyph.tags_expected is None else glyph.tags_expected
    crowns = abs(glyph.tags_seen - expected)
    return own + 0.3 * max(others, default=0.0) + 0.3 * (1 - glyph.letter_p) + crowns


def _measure_sharpness(page: VeiledPage, letters: Sequence[GlyphRecord]) -> None:
    """Of letters of which it is not known; with them of all that may be asked for later, where the
    page would have to be read again."""
    unknown = [glyph for glyph in letters if glyph.glyph not in page.sharpness]
    if unknown:
        pixels = page.read()
        for glyph in _fair_letters(page) if page.read_apart else unknown:
            page.sharpness[glyph.glyph] = _sharpness(pixels, glyph)


def _sharpness(pixels: Pixels, glyph: GlyphRecord) -> float:
    """Contrast of the letter plus mean gradient: the better the picture, the higher."""
    x0, y0, x1, y1 = (round(v) for v in glyph.box)
    part = pixels[max(0, y0) : y1, max(0, x0) : x1]
    if part.size == 0:
        return 0.0
    grey = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY)
    low, high = np.percentile(grey, (5, 95))
    steep = np.abs(cv2.Sobel(grey, cv2.CV_32F, 1, 0)).mean()
    return float((high - low) / 255 + steep / 255)


def _find_gap(page: VeiledPage, pair: str, kind: str) -> ExampleLetters | None:
    """The gap with the lowest odds, of those with most letters of the pair on their sides."""
    glyphs = page.record.glyphs
    fair: list[tuple[int, float, tuple[GlyphRecord, GlyphRecord]]] = []
    for gap in page.record.gaps:
        right, left = glyphs[gap.right_glyph - 1], glyphs[gap.left_glyph - 1]
        p = _gap_probability(gap, kind)
        clear = gap.route == "clear" and _is_clear(right) and _is_clear(left)
        if clear and p is not None and not {right.glyph, left.glyph} & set(page.names):
            other = sum(a != b for a, b in zip(right.letter + left.letter, pair, strict=False))
            fair.append((other, p, (right, left)))
    return ExampleLetters(page, min(fair, key=lambda row: row[:2])[2]) if fair else None


def _gap_probability(gap: GapRecord, kind: str) -> float | None:
    """Chance of the defect; None for gaps of another kind (between words, inside a word)."""
    return {
        "words_joined": gap.p_words_joined,
        "word_parted": gap.p_word_parted,
        "letters_touch": None if gap.p_word_parted is None else gap.p_letters_touch,
    }.get(kind)


def has_crowns_of_drawing(letter: GlyphRecord, customs: Customs) -> bool:
    """Whether a letter has as many tags as its drawing under these customs.

    The drawings have the tags of each letter's class, and two on lamed (Mishnat Sofrim; Keset
    HaSofer 5:2); where customs expect none, their count is right and the drawing's is not held
    against the letter.
    """
    expected = customs.tags_expected(letter.letter)
    drawn = DRAWN_LAMED_TAGS if letter.letter == "ל" else BY_CHAR[letter.letter].crown
    return letter.tags_seen == (drawn if expected is None else expected)
