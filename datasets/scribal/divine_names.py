"""Words that hold a Divine Name, by their spelling, and where in the word it begins."""

from __future__ import annotations

from collections.abc import Sequence

TETRAGRAMMATON = "יהוה"

NAME_STEMS = (TETRAGRAMMATON, "אלהי", "אלוה")
"""A word in which one of these stands holds a Name."""

WHOLE_NAMES = frozenset({"שדי", "אדני", "צבאות", "אהיה", "יה"})
"""Words that are Names only as a whole."""


def find_name_start(word: str) -> int:
    """Where the Name begins in a word that holds one."""
    starts = [word.index(stem) for stem in NAME_STEMS if stem in word]
    return min(starts, default=0)


def find_name_words(words: Sequence[str]) -> frozenset[int]:
    """Indices of words that hold a Name, by spelling.

    In doubt a word counts as one, which does no harm; the Name of two letters that is spelled like
    the word "to" is left out.
    "Other gods" is spelled with the same stem and is not a Name.
    """
    following = [*words[1:], ""]
    return frozenset(
        i
        for i, (word, after) in enumerate(zip(words, following, strict=True))
        if (word in WHOLE_NAMES or any(stem in word for stem in NAME_STEMS))
        and not ("אלהים" in word and after.startswith("אחרים"))
    )
