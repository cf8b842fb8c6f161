"""The text that a rendered page should have held, as a portion to compare it with."""

from __future__ import annotations

from crownlet.datasets.page.truth import PageTruth
from crownlet.datasets.texts import Portion


def text_of(page: PageTruth) -> Portion:
    """The expected letters of a page in its own words, absent ones put back.

    A letter left out at the beginning of a word is given to the word before it.
    """
    absent: dict[int, list[str]] = {}
    for after, char in page.missing:
        absent.setdefault(after, []).append(char)
    words: dict[int, str] = {}
    for i, letter in enumerate(page.letters):
        # What is missing before the first letter of the page belongs to its first word.
        before = absent.get(-1, []) if i == 0 else []
        here = [*before, letter.expected or "", *absent.get(i, [])]
        words[letter.word] = words.get(letter.word, "") + "".join(here)
    return Portion(
        "its own text", tuple(word for word in words.values() if word), None, frozenset()
    )
