"""Plain words and Latin names for people who do not read the script or the column names."""

from __future__ import annotations

from crownlet.datasets.alphabet import BY_CHAR


def said(name: str) -> str:
    """A defect's name as words: `tag_missing` is "tag missing"."""
    return name.replace("_", " ")


def latin(letter: str) -> str:
    """A letter's name in Latin script, such as "final kaf"."""
    return BY_CHAR[letter].name
