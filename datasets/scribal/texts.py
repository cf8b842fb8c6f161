"""The portions of mezuzot and tefillin, letter by letter, and a reader for the user's own text.

Letters, lines and their provenance stand in `portions/texts.json`. They contain the Divine Name in
full: what is printed of them goes to genizah.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from crownlet.datasets.files.errors import quoted
from crownlet.datasets.files.names import is_file
from crownlet.datasets.scribal.divine_names import find_name_words
from crownlet.datasets.scribal.portion import Lines, Portion, read_lines

TEFILLIN = ("kadesh", "vehaya_ki_yeviacha", "shema", "vehaya_im_shamoa")
"""The four portions of tefillin, in the order of the Torah (Keset HaSofer 20:1)."""

PORTIONS = ("mezuzah", *TEFILLIN, "mezuzah_reverse")

KNOWN_PORTIONS = (*PORTIONS, "tefillin")
"""All names, with the four portions on one strip."""


@cache
def load_portion(name: str) -> Portion:
    """The portion called `name`, one of `KNOWN`; KeyError for any other name.

    `mezuzah_reverse` is the back as one sees it, from the top: the fourteen letters behind line 1
    (Ashkenazi custom, written upside down), then the Name of three letters behind the gap.
    """
    if name == "mezuzah":
        return _mezuzah()
    if name == "tefillin":
        return _tefillin_strip()
    if name == "mezuzah_reverse":
        reverse = _load_texts()["mezuzah_reverse"]
        return _portion_from_lines(name, lines=_lines([reverse["kuzu"], [reverse["shaddai"]]]))
    if name in TEFILLIN:
        words = tuple(_load_texts()["tefillin"][name])
        large = _large_letters() if name == "shema" else frozenset()
        return Portion(name, words, None, find_name_words(words), large_letters=large)
    raise KeyError(f"no portion is called {name!r}; there are {', '.join(KNOWN_PORTIONS)}")


def tefillin_lines(name: str, layout: Literal["arm", "head"]) -> Lines:
    """A tefillin portion by the line beginnings of the Tur (Orach Chayim 35): 7 lines or 4.

    A tradition on which scribes do not insist (Mishnah Berurah 35:2); two spots are uncertain, see
    the JSON. KeyError for a portion that is not of tefillin.
    """
    key = {"arm": "hand", "head": "head"}[layout]
    return _lines(_load_texts()["tefillin_lines_tur_oc35"][key][name])


@cache
def verse_ends(name: str) -> frozenset[int]:
    """Indices of the words, in the portion called `name`, with which a verse ends.

    Empty for the back of the mezuzah; KeyError for a name that is none of `PORTIONS`.
    """
    together = {"mezuzah": TEFILLIN[2:], "mezuzah_reverse": (), "tefillin": TEFILLIN}
    parts = together.get(name, (name,))
    verses = [words for part in parts for words in _load_texts()["tefillin_verses"][part].values()]
    ends, last = set(), -1
    for words in verses:
        last += len(words)
        ends.add(last)
    return frozenset(ends)


def read_portion(name_or_path: str | Path) -> Portion:
    """A portion by its name, or read from a UTF-8 text file whose lines are the written lines.

    A file holds the 27 letters and spaces only; an empty line opens a new portion. A passage of
    the Pentateuch, such as `Exodus 13:1-16`, is read too. ValueError, in one sentence, for an
    unknown name and for a file that is not such a text.
    """
    if isinstance(name_or_path, str) and name_or_path in KNOWN_PORTIONS:
        return load_portion(name_or_path)
    path = Path(name_or_path)
    if not is_file(path):
        return _read_passage(str(name_or_path))
    return _portion_from_lines(path.stem, read_lines(path))


def _read_passage(name: str) -> Portion:
    from crownlet.datasets.scribal.pentateuch.text import (
        EXAMPLE_PASSAGE,
        looks_like_passage,
        read_passage,
    )

    if looks_like_passage(name):
        return read_passage(name)
    if near := difflib.get_close_matches(name.casefold(), KNOWN_PORTIONS, n=1):
        raise ValueError(f"there is no portion {quoted(name)}; did you mean {near[0]!r}?")
    known = ", ".join(KNOWN_PORTIONS)
    raise ValueError(
        f"{quoted(name)} is neither a portion ({known}) nor a passage such as {EXAMPLE_PASSAGE} "
        "nor a text file"
    )


def _portion_from_lines(name: str, lines: Lines) -> Portion:
    """A portion from its lines, an empty line before a word that opens a new one."""
    words: list[str] = []
    opens: set[int] = set()
    for line in lines:
        if not line and words:
            opens.add(len(words))
        words.extend(line)
    kept = tuple(line for line in lines if line)
    opens.discard(len(words))
    return Portion(name, tuple(words), kept, find_name_words(words), frozenset(opens))


def _mezuzah() -> Portion:
    data = _load_texts()["mezuzah"]
    lines = _lines(data["lines"])
    words = tuple(word for line in lines for word in line)
    opens = sum(len(line) for line in lines[: data["portion_break_after_line"]])
    return Portion(
        "mezuzah",
        words,
        lines,
        find_name_words(words),
        frozenset({opens}),
        large_letters=_large_letters(),
    )


def _tefillin_strip() -> Portion:
    """The four portions of tefillin one after the other, as on the strip of the arm."""
    parts = [load_portion(name) for name in TEFILLIN]
    words = tuple(word for part in parts for word in part.words)
    starts = [sum(len(part.words) for part in parts[:k]) for k in range(len(parts))]
    large = {(starts[2] + word, place) for word, place in parts[2].large_letters}
    return Portion(
        "tefillin", words, None, find_name_words(words), frozenset(starts[1:]), frozenset(large)
    )


def _large_letters() -> frozenset[tuple[int, int]]:
    return frozenset(
        (mark["word"], mark["letter"]) for mark in _load_texts()["meta"]["large_letters"]
    )


def _lines(lines: Sequence[Sequence[str]]) -> Lines:
    return tuple(tuple(line) for line in lines)


@cache
def _load_texts() -> dict[str, Any]:
    source = resources.files("crownlet.datasets.scribal.portions") / "texts.json"
    data: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    return data
