"""The same letter well formed in this scroll: the clearest one, to hold beside a finding."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.infer.records import GapRecord, GlyphRecord
from crownlet.infer.sheet.veil import Veiled

LOOKED_AT = 6
"""Candidates with the lowest odds whose pictures are compared."""


@dataclass(frozen=True)
class Example:
    """A letter, or both sides of a white, on one page of the scroll."""

    page: Veiled
    letters: tuple[GlyphRecord, ...]

    @property
    def box(self) -> tuple[float, float, float, float]:
        """px of the page as given, around all letters."""
        boxes = np.array([glyph.box for glyph in self.letters])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)


class WellFormed:
    """Finds examples in the pages of one scroll, and remembers them."""

    def __init__(self, pages: Sequence[Veiled]) -> None:
        self._pages = pages
        self._known: dict[tuple[str, str], Example | None] = {}

    def letter(self, char: str, kind: str) -> Example | None:
        """A letter of this form without a doubt about `kind`; None if the scroll has none."""
        key = char, kind
        if key not in self._known:
            ranked = sorted(self._letters(char, kind), key=lambda row: row[0])[:LOOKED_AT]
            best = max(ranked, key=lambda row: _sharpness(row[1], row[2]), default=None)
            self._known[key] = best and Example(best[1], (best[2],))
        return self._known[key]

    def white(self, kind: str) -> Example | None:
        """Two neighbours whose white is without a doubt about `kind`."""
        key = "", kind
        if key not in self._known:
            rows = [row for page in self._pages for row in _whites(page, kind)]
            best = min(rows, key=lambda row: row[0], default=None)
            self._known[key] = best and Example(best[1], best[2])
        return self._known[key]

    def _letters(self, char: str, kind: str) -> Iterable[tuple[float, Veiled, GlyphRecord]]:
        for page in self._pages:
            height, width = page.pixels.shape[:2]
            for glyph in page.page.glyphs:
                if glyph.letter != char or not _clear(glyph, kind) or glyph.glyph in page.names:
                    continue
                x0, y0, x1, y1 = glyph.box
                if min(x0, y0) > 2 and x1 < width - 2 and y1 < height - 2:
                    yield _doubt(glyph, kind), page, glyph


def _clear(glyph: GlyphRecord, kind: str) -> bool:
    agrees = glyph.expected in (None, glyph.letter)
    return glyph.route == "clear" and agrees and kind not in glyph.not_examined


def _doubt(glyph: GlyphRecord, kind: str) -> float:
    """How far from faultless: this defect above all, then any other, then the reading."""
    others = [p for p in glyph.p.values() if p is not None]
    own = glyph.p.get(kind) or 0.0
    crowns = abs(glyph.tags_seen - (glyph.tags_expected or glyph.tags_seen))
    return own + 0.3 * max(others, default=0.0) + 0.3 * (1 - glyph.letter_p) + crowns


def _sharpness(page: Veiled, glyph: GlyphRecord) -> float:
    """Steepness of the ink's edges against its contrast: the better the picture the higher."""
    x0, y0, x1, y1 = (round(v) for v in glyph.box)
    part = page.pixels[max(0, y0) : y1, max(0, x0) : x1]
    if part.size == 0:
        return 0.0
    grey = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY)
    low, high = np.percentile(grey, (5, 95))
    steep = np.abs(cv2.Sobel(grey, cv2.CV_32F, 1, 0)).mean()
    return float((high - low) / 255 + steep / 255)


def _whites(
    page: Veiled, kind: str
) -> Iterable[tuple[float, Veiled, tuple[GlyphRecord, GlyphRecord]]]:
    glyphs = page.page.glyphs
    for gap in page.page.gaps:
        right, left = glyphs[gap.right_glyph - 1], glyphs[gap.left_glyph - 1]
        p = _odds(gap, kind)
        clear = gap.route == right.route == left.route == "clear"
        if clear and p is not None and not {right.glyph, left.glyph} & set(page.names):
            yield p, page, (right, left)


def _odds(gap: GapRecord, kind: str) -> float | None:
    return {
        "words_joined": gap.p_words_joined,
        "word_parted": gap.p_word_parted,
        "letters_touch": gap.p_letters_touch,
    }.get(kind)
