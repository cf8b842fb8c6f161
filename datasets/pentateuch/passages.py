"""Passages of the Pentateuch as portions, by their names or by their place."""

from __future__ import annotations

import re
from functools import cache

from crownlet.datasets.names import holy_words
from crownlet.datasets.pentateuch.text import Pentateuch, pentateuch, provenance
from crownlet.datasets.texts import Portion

_NAME = re.compile(
    r"(?P<book>[A-Za-z]{2,}) +(?P<start>\d+(:\d+)?)"
    r"( *(-|to) *((?P<other>[A-Za-z]{2,}) +)?(?P<end>\d+(:\d+)?))?"
)
BOOKS = ("Genesis", "Exodus", "Leviticus", "Numbers", "Deuteronomy")
EXAMPLE = "'Exodus 13:1-16'"


def looks_like_passage(name: str) -> bool:
    """Whether a name has the form of a passage: a book and numbers."""
    return _NAME.fullmatch(name.strip()) is not None


def passage(name: str) -> Portion:
    """The passage called `name`: `Exodus 13:1-16`, `Gen 1`, `Exodus 40:38 to Leviticus 1:3`.

    Whole verses, numbered as in the source; books may be cut short. ValueError, in one
    sentence, where there is no such passage.
    """
    found = _NAME.fullmatch(name.strip())
    if found is None:
        raise ValueError(f"{name!r} is no passage such as {EXAMPLE}")
    book = _book(found["book"])
    chapter = found["start"].partition(":")[0]
    first, last = _verses(book, found["start"], name)
    if found["end"]:
        inside = found["other"] is None and ":" in found["start"] and ":" not in found["end"]
        end = f"{chapter}:{found['end']}" if inside else found["end"]
        _, last = _verses(_book(found["other"] or book), end, name)
    if last < first:
        raise ValueError(f"{name!r} ends before it begins")
    return verses(first, last)


def verses(first: int, last: int) -> Portion:
    """Verses `first` to `last`, by index, as a portion whose name is their reference."""
    text = pentateuch()
    start, stop = int(text.verse_starts[first]), int(text.verse_starts[last + 1])
    words = text.words[start:stop]
    return Portion(
        text.reference(first, last), words, None, holy_words(words),
        opens=frozenset(w - start for w in text.opens if start < w < stop),
        large_letters=frozenset((w - start, p) for w, p in _large() if start <= w < stop),
        otherwise=frozenset(w - start for w in _otherwise() if start <= w < stop),
        excerpt=True,
    )  # fmt: skip


def _book(name: str) -> str:
    for book in BOOKS:
        if book.casefold().startswith(name.casefold()):
            return book
    raise ValueError(f"{name!r} is none of the five books: {', '.join(BOOKS)}")


def _verses(book: str, place: str, name: str) -> tuple[int, int]:
    """First and last verse of `13:1` or of the chapter `13`."""
    text = pentateuch()
    wanted = f"{book} {place}"
    rows = [
        i for i, verse in enumerate(text.verses)
        if verse == wanted or (":" not in place and verse.startswith(f"{wanted}:"))
    ]  # fmt: skip
    if not rows:
        raise ValueError(f"{name!r}: there is no {wanted}")
    return rows[0], rows[-1]


def _word(text: Pentateuch, verse: str, word: int) -> int:
    return int(text.verse_starts[text.verses.index(verse)]) + word


@cache
def _large() -> tuple[tuple[int, int], ...]:
    """(word, place) of the letters that the codex writes large."""
    text = pentateuch()
    marks = provenance()["large_letters"]
    return tuple((_word(text, mark["verse"], mark["word"]), mark["letter"]) for mark in marks)


@cache
def _otherwise() -> frozenset[int]:
    """Words that scrolls spell otherwise than the codex."""
    text = pentateuch()
    places = provenance()["differences"]
    starts = [(_word(text, p["verse"], p["word"]), p["words"]) for p in places]
    return frozenset(word + k for word, count in starts for k in range(count))
