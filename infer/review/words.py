"""The five decisions as the page shows them: a key, a mark that needs no colour, words.

"Present" speaks of the thing asked after and of nothing else.
"""

from __future__ import annotations

from typing import NamedTuple

from crownlet.datasets.alphabet import BY_CHAR


class Choice(NamedTuple):
    """One decision on the page."""

    name: str
    key: str
    mark: str
    words: str
    """As an answer to the question."""
    short: str
    """As what was said."""
    brief: str = ""
    """As an answer where there is little room; "" if `short` will do."""


CHOICES = (
    Choice("present", "1", "●", "yes: present", "present", "yes"),
    Choice("not_present", "2", "○", "no: not present", "not present", "no"),
    Choice("cannot_tell", "3", "◐", "cannot tell from the picture", "cannot tell"),
    Choice("authority", "4", "?", "question for an authority", "question"),
    Choice("other_letter", "5", "≠", "wrong letter: which?", "wrong letter"),
)
BY_NAME = {choice.name: choice for choice in CHOICES}


def decided(choice: str, right_letter: str | None = None) -> str:
    """A decision in words, such as "wrong letter: resh"."""
    short = BY_NAME[choice].short if choice in BY_NAME else choice.replace("_", " ")
    return f"{short}: {BY_CHAR[right_letter].name}" if right_letter else short
