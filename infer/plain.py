"""Plain words and Latin names for people who do not read the script or the column names."""

from __future__ import annotations

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.infer.records import AbsentLetter, GapRecord, GlyphRecord


def said(name: str) -> str:
    """A defect's name as words: `tag_missing` is "tag missing"."""
    return name.replace("_", " ")


def latin(letter: str) -> str:
    """A letter's name in Latin script, such as "final kaf"."""
    return BY_CHAR[letter].name


def where(glyph: GlyphRecord) -> str:
    """Where a letter stands, as an examiner counts."""
    return f"line {glyph.line}, word {glyph.word}, letter {glyph.place}"


def glyph_words(glyph: GlyphRecord) -> str:
    """One line on a letter: its name and the reasons to look at it."""
    words = ", ".join(said(reason) for reason in glyph.reasons)
    if "letter_swapped" in glyph.reasons and glyph.expected:
        words += f" (the text has {latin(glyph.expected)})"
    return f"{latin(glyph.letter)}: {words}"


def gap_words(gap: GapRecord) -> str:
    """One line on a white between two letters."""
    words = ", ".join(said(reason) for reason in gap.reasons)
    return f"white of {gap.width_yud:.1f} yud: {words}"


def absent_words(letter: AbsentLetter) -> str:
    """One line on a letter of the text that is not on the page."""
    return f"{latin(letter.letter)}: letter absent (word {letter.word}, letter {letter.place})"


_NAMES = {"יהוה": "ה׳", "אלהי": "אלקי", "אלוה": "אלוק"}
_WHOLE_NAMES = {"שדי": "ש־די", "אדני": "אד־ני", "צבאות": "צב־אות", "אהיה": "אק־יה", "יה": "י־ה"}


def veiled(word: str) -> str:
    """A word as it is written where the Divine Name is not to be (common practice)."""
    word = _WHOLE_NAMES.get(word, word)
    for name, written in _NAMES.items():
        word = word.replace(name, written)
    return word
