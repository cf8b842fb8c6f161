"""Mishaps of the text as places to look at: a run of letters is one place, not a row of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Mishap = Literal[
    "letter_absent",
    "letters_absent",
    "words_absent",
    "letter_extra",
    "letters_extra",
    "words_extra",
    "lines_extra",
    "letter_doubled",
    "words_doubled",
    "letters_exchanged",
    "words_exchanged",
]
"""What happened, as seen from the text; `doubled` is an extra run that stands beside its like."""


@dataclass(frozen=True)
class TextPlace:
    """One place where the page and the text part company; glyphs, lines and words from 1."""

    mishap: Mishap
    defect: str
    """The catalogue's name: `letter_absent`, `letter_extra` or `letter_swapped`."""
    letters: str
    """The letters concerned, words divided by spaces; as the text has them if absent, else as
    the page has them. They may hold a Divine Name."""
    glyphs: tuple[int, ...]
    """The glyphs concerned; empty where letters are absent."""
    after: int
    """The glyph before the place; 0: none."""
    line: int
    word: int
    """The word of the text, from 1, at which the place begins."""
    at: tuple[float, float]
    """Where to look, px of the picture as given."""
    in_name: bool
    """Whether a Divine Name is concerned."""
    sure: bool
    """Whether it is a finding; otherwise the networks cannot tell."""
    says: str
    """One plain sentence, Divine Names veiled."""
