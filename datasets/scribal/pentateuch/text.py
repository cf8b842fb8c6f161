"""The Pentateuch in memory, and passages of it as portions, by name such as `Exodus 13:1-16`.

Letters are class numbers, with words, verses and sections. The letters, their source and where they
differ from other texts stand beside this file. They hold the Divine Name in full: what is printed
of them goes to genizah.
"""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import ALEF_CODE_POINT
from crownlet.datasets.scribal.divine_names import find_name_words
from crownlet.datasets.scribal.portion import Portion

Ints = npt.NDArray[np.int64]

Codes = npt.NDArray[np.uint8]

OPEN_MARK, CLOSED_MARK = "{p}", "{s}"
"""Marks in the file after which a new section (parsha) opens: petucha and setuma."""

_ALEF_ISO_8859_8 = 0xE0
"""Alef in ISO 8859-8, whose 27 letters stand in the order of our classes."""


_PASSAGE_PATTERN = re.compile(
    r"(?P<book>[A-Za-z]{2,}) +(?P<start>\d+(:\d+)?)"
    r"( *(-|to) *((?P<other>[A-Za-z]{2,}) +)?(?P<end>\d+(:\d+)?))?"
)

BOOKS = ("Genesis", "Exodus", "Leviticus", "Numbers", "Deuteronomy")

EXAMPLE_PASSAGE = "'Exodus 13:1-16'"


@dataclass(frozen=True)
class Pentateuch:
    """304,850 letters in 79,982 words and 5,853 verses."""

    codes: Codes
    """(N,) class of each letter, 0 to 26."""
    words: tuple[str, ...]
    word_starts: Ints
    """(W + 1,) index of each word's first letter, and N."""
    verses: tuple[str, ...]
    """Names such as `Exodus 13:1`."""
    verse_starts: Ints
    """(V + 1,) index of each verse's first word, and W."""
    opens: frozenset[int]
    """Indices of words with which a section opens."""

    def word_at(self, letter: int) -> int:
        """Index of the word in which a letter stands."""
        return int(np.searchsorted(self.word_starts, letter, side="right")) - 1

    def verse_at(self, word: int) -> int:
        """Index of the verse in which a word stands."""
        return int(np.searchsorted(self.verse_starts, word, side="right")) - 1

    def verse_of_letter(self, letter: int) -> int:
        """Index of the verse in which a letter stands."""
        return self.verse_at(self.word_at(letter))

    def reference(self, first: int, last: int) -> str:
        """The name of verses `first` to `last`: `Exodus 13:1-16`, `Exodus 13:20-14:2`."""
        (book, start), (other, end) = (
            _split_verse_name(self.verses[first]),
            _split_verse_name(self.verses[last]),
        )
        if first == last:
            return f"{book} {start}"
        if book != other:
            return f"{book} {start} to {other} {end}"
        chapter, _, number = end.partition(":")
        return f"{book} {start}-{number if start.startswith(f'{chapter}:') else end}"


def _split_verse_name(name: str) -> tuple[str, str]:
    book, _, rest = name.partition(" ")
    return book, rest


@cache
def load_pentateuch() -> Pentateuch:
    """The text, read once; about 50 ms."""
    packed = (_folder() / "pentateuch.txt.gz").read_bytes()
    rows = [row.partition("\t") for row in gzip.decompress(packed).decode("utf-8").splitlines()]
    words: list[str] = []
    starts: list[int] = []
    opens: set[int] = set()
    for _, _, row in rows:
        starts.append(len(words))
        for token in row.split(" "):
            if token[0] == "{":
                opens.add(len(words))
            else:
                words.append(token)
    letters = np.frombuffer("".join(words).encode("iso8859_8"), np.uint8) - np.uint8(
        _ALEF_ISO_8859_8
    )
    lengths = np.fromiter(map(len, words), np.int64, len(words))
    return Pentateuch(
        codes=letters,
        words=tuple(words),
        word_starts=np.concatenate([[0], np.cumsum(lengths)]),
        verses=tuple(name for name, _, _ in rows),
        verse_starts=np.array([*starts, len(words)], np.int64),
        opens=frozenset(opens),
    )


@cache
def load_provenance() -> dict[str, Any]:
    """Where the text comes from, its counts, and where other texts spell otherwise."""
    text = (_folder() / "provenance.json").read_text(encoding="utf-8")
    facts: dict[str, Any] = json.loads(text)
    return facts


def encode_letters(letters: str) -> Codes:
    """Class numbers of Hebrew letters. ValueError if there is anything else."""
    codes = np.frombuffer(letters.encode("utf-32-le"), np.uint32).astype(np.int64) - ALEF_CODE_POINT
    if len(codes) and (codes.min() < 0 or codes.max() > 26):
        raise ValueError("only the 27 letters U+05D0 to U+05EA can be looked for")
    return codes.astype(np.uint8)


def _folder() -> Any:
    return resources.files("crownlet.datasets.scribal.pentateuch")


def looks_like_passage(name: str) -> bool:
    """Whether a name has the form of a passage: a book and numbers."""
    return _PASSAGE_PATTERN.fullmatch(name.strip()) is not None


def read_passage(name: str) -> Portion:
    """The passage called `name`: `Exodus 13:1-16`, `Gen 1`, `Exodus 40:38 to Leviticus 1:3`.

    Whole verses, numbered as in the source; books may be cut short. ValueError, in one
    sentence, where there is no such passage.
    """
    found = _PASSAGE_PATTERN.fullmatch(name.strip())
    if found is None:
        raise ValueError(f"{name!r} is no passage such as {EXAMPLE_PASSAGE}")
    book = _find_book(found["book"])
    chapter = found["start"].partition(":")[0]
    first, last = _find_verses(book, found["start"], name)
    if found["end"]:
        inside = found["other"] is None and ":" in found["start"] and ":" not in found["end"]
        end = f"{chapter}:{found['end']}" if inside else found["end"]
        _, last = _find_verses(_find_book(found["other"] or book), end, name)
    if last < first:
        raise ValueError(f"{name!r} ends before it begins")
    return cut_verses(first, last)


def cut_verses(first: int, last: int) -> Portion:
    """Verses `first` to `last`, by index, as a portion whose name is their reference."""
    text = load_pentateuch()
    start, stop = int(text.verse_starts[first]), int(text.verse_starts[last + 1])
    words = text.words[start:stop]
    return Portion(
        text.reference(first, last), words, None, find_name_words(words),
        opens=frozenset(w - start for w in text.opens if start < w < stop),
        large_letters=frozenset(
            (w - start, p) for w, p in _large_letter_places() if start <= w < stop
        ),
        variant_words=frozenset(w - start for w in _variant_words() if start <= w < stop),
        excerpt=True,
    )  # fmt: skip


def _find_book(name: str) -> str:
    for book in BOOKS:
        if book.casefold().startswith(name.casefold()):
            return book
    raise ValueError(f"{name!r} is none of the five books: {', '.join(BOOKS)}")


def _find_verses(book: str, place: str, name: str) -> tuple[int, int]:
    """First and last verse of `13:1` or of the chapter `13`."""
    text = load_pentateuch()
    wanted = f"{book} {place}"
    rows = [
        i for i, verse in enumerate(text.verses)
        if verse == wanted or (":" not in place and verse.startswith(f"{wanted}:"))
    ]  # fmt: skip
    if not rows:
        raise ValueError(f"{name!r}: there is no {wanted}")
    return rows[0], rows[-1]


def _word_index(text: Pentateuch, verse: str, word: int) -> int:
    return int(text.verse_starts[text.verses.index(verse)]) + word


@cache
def _large_letter_places() -> tuple[tuple[int, int], ...]:
    """(word, place) of the letters that the codex writes large."""
    text = load_pentateuch()
    marks = load_provenance()["large_letters"]
    return tuple((_word_index(text, mark["verse"], mark["word"]), mark["letter"]) for mark in marks)


@cache
def _variant_words() -> frozenset[int]:
    """Words that scrolls spell otherwise than the codex."""
    text = load_pentateuch()
    places = load_provenance()["differences"]
    starts = [(_word_index(text, p["verse"], p["word"]), p["words"]) for p in places]
    return frozenset(word + k for word, count in starts for k in range(count))
