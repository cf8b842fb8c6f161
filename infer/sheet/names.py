"""Which letters stand in a Divine Name, and how a word that holds one is written instead.

Marked letters come from the comparison with the text. Where there was none, words are taken for a
Name by their spelling; in doubt a word counts as one, which does no harm (`datasets/texts.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from crownlet.infer.plain import veiled
from crownlet.infer.records import GlyphRecord, PageRecord

FOUR = "יהוה"
_SPELLED = (FOUR, "אלהי", "אלוה")
_WHOLE = frozenset({"שדי", "אדני", "צבאות"})
_UNREAD = "ה׳"
"""What stands for a Name that is not spelled as one, a letter being absent or misread."""


def in_names(page: PageRecord) -> frozenset[int]:
    """Numbers of the glyphs that stand in a Divine Name."""
    known = {glyph.glyph for glyph in page.glyphs if glyph.in_name}
    for _, line in groupby(page.glyphs, key=lambda glyph: glyph.line):
        words = [list(word) for _, word in groupby(line, key=lambda glyph: glyph.word)]
        for word, after in zip(words, [*words[1:], []], strict=True):
            known.update(_spelled(word, after))
        # Word gaps may have been misread: the four letters are veiled wherever they stand.
        known.update(_four([glyph for word in words for glyph in word]))
    return frozenset(known)


def _spelled(word: Sequence[GlyphRecord], after: Sequence[GlyphRecord]) -> set[int]:
    """Glyphs of a word that spell a Name, and what follows it in the word."""
    found: set[int] = set()
    for letters, following in ((_read(word), _read(after)), (_expected(word), _expected(after))):
        if "אלהים" in letters and following.startswith("אחרים"):
            continue  # "Other gods" is no Name.
        starts = [letters.index(stem) for stem in _SPELLED if stem in letters]
        starts += [0] if letters in _WHOLE else []
        found.update(glyph.glyph for glyph in word[min(starts, default=len(word)) :])
    return found


def _four(line: Sequence[GlyphRecord]) -> set[int]:
    found: set[int] = set()
    for letters in (_read(line), _expected(line)):
        start = letters.find(FOUR)
        while start >= 0:
            found.update(glyph.glyph for glyph in line[start : start + len(FOUR)])
            start = letters.find(FOUR, start + 1)
    return found


def _read(line: Iterable[GlyphRecord]) -> str:
    return "".join(glyph.letter for glyph in line)


def _expected(line: Iterable[GlyphRecord]) -> str:
    """The text's letters, one a glyph, so that places agree with the glyphs'."""
    return "".join(glyph.expected or glyph.letter for glyph in line)


def masked(letters: str, start: int) -> str:
    """A word whose letters from `start` on are a Name and its ending, as it may be printed."""
    name = letters[start:]
    written = veiled(name)
    return letters[:start] + (_UNREAD if written == name else written)
