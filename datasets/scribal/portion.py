"""A text to be written, and the reading of one from a UTF-8 file whose lines are its lines."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from crownlet.datasets.files.documents import read_small_file
from crownlet.datasets.files.errors import plain
from crownlet.datasets.files.names import is_unicode
from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.divine_names import find_name_start

Lines = tuple[tuple[str, ...], ...]

MAX_PORTION_BYTES = 8 * 1024 * 1024
"""Largest text file read: the whole Torah, 304,805 letters, is about 700 kB."""


@dataclass(frozen=True)
class Portion:
    """A text to be written, in the order of reading."""

    name: str
    words: tuple[str, ...]
    lines: Lines | None
    """The words by written line; None where the custom leaves lines free."""
    name_words: frozenset[int]
    """Indices of words that are, or hold, a Divine Name."""
    opens: frozenset[int] = frozenset()
    """Indices of words, after the first, with which a new portion (parsha) opens."""
    large_letters: frozenset[tuple[int, int]] = frozenset()
    """(word, place) of letters written large by tradition (Mishneh Torah, Tefillin 2:6)."""
    variant_words: frozenset[int] = frozenset()
    """Indices of words that scrolls spell otherwise than the text we have."""
    excerpt: bool = False
    """Whether a page may begin and end anywhere in it: a passage cut out of a longer text."""

    @cached_property
    def letters(self) -> str:
        """All letters, without spaces."""
        return "".join(self.words)

    @cached_property
    def name_letters(self) -> frozenset[int]:
        """Indices into `letters` of the letters of Names, endings included, prefixes not.

        What follows a Name in its word shares its holiness, what precedes does not (Keset HaSofer
        11:7).
        """
        found: set[int] = set()
        start = 0
        for i, word in enumerate(self.words):
            if i in self.name_words:
                found.update(range(start + find_name_start(word), start + len(word)))
            start += len(word)
        return frozenset(found)


def read_lines(path: Path) -> Lines:
    """The words of a file by line; ValueError, in one sentence, if it holds more than letters."""
    if not is_unicode(path):
        raise ValueError(f"{plain(path)}: its name is not in UTF-8; give it another")
    rows = _read_text(path).splitlines()
    for number, row in enumerate(rows, start=1):
        _check_row(path, number, row)
    lines = tuple(tuple(row.split()) for row in rows)
    if not any(lines):
        raise ValueError(f"{path} holds no letters")
    return lines


def _read_text(path: Path) -> str:
    try:
        return read_small_file(path, MAX_PORTION_BYTES).decode("utf-8-sig")
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.EFBIG):
            raise
        large = ", too large for a portion" if error.errno == errno.EFBIG else ""
        raise ValueError(f"{path} {error.strerror}{large}") from None
    except UnicodeDecodeError as error:
        raise ValueError(f"{path} is not UTF-8 text (byte {error.start})") from None


def _check_row(path: Path, number: int, row: str) -> None:
    for column, char in enumerate(row, start=1):
        if char not in BY_CHAR and char not in " \t":
            raise ValueError(
                f"{path}, line {number}, column {column}: U+{ord(char):04X} is not one of the 27 "
                "letters (points, accents and signs must be taken out)"
            )
