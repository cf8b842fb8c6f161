"""Plain words and Latin names for people who do not read the script or the column names."""

from __future__ import annotations

from crownlet.datasets.alphabet import BY_CHAR


def said(name: str) -> str:
    """A defect's name as words: `tag_missing` is "tag missing"."""
    return name.replace("_", " ")


def latin(letter: str) -> str:
    """A letter's name in Latin script, such as "final kaf"."""
    return BY_CHAR[letter].name


_NAMES = {"יהוה": "ה׳", "אלהי": "אלקי", "אלוה": "אלוק"}
_WHOLE_NAMES = {"שדי": "ש־די", "אדני": "אד־ני", "צבאות": "צב־אות", "אהיה": "אק־יה", "יה": "י־ה"}


def veiled(word: str) -> str:
    """A word as it is written where the Divine Name is not to be (common practice)."""
    word = _WHOLE_NAMES.get(word, word)
    for name, written in _NAMES.items():
        word = word.replace(name, written)
    return word
