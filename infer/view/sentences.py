"""Sentences of a run's tables, translated into the page's language.

A table keeps its sentences in English, with letters and numbers filled in. The catalogue of a
language holds them with names in those places, under a context of their own: what stands there is
found by its form, and translated in its turn. What is not known stays English.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache, lru_cache
from typing import NamedTuple

from crownlet.datasets.scribal.pentateuch.text import BOOKS
from crownlet.infer.view.language import (
    SENTENCE_CONTEXT,
    Language,
    catalogue,
    current_locale,
    is_english,
    isolate,
    isolate_values,
)

FREE_NAMES = ("name", "words")
"""Beginnings of the names of what is put in as it stands; all else must be translated too."""

MAX_CACHED_SENTENCES = 20_000
"""Sentences kept; a run of a hundred pages has fewer different ones."""

_NUMBER = re.compile(r"[-−]?\d[\d.,:½¼¾]*%?")

_KINDS = ((r"n\d*", _NUMBER.pattern), (r"letter\d*|side\d*", "[^,;:.]+?"),
          (r"name\d*", r"(?:(?!\. |; ).)+?"))  # fmt: skip
"""What stands in the place of some names: a number, one letter or side and no list of them, and
the name of a file or scroll, which is no sentence."""

_BOOK = re.compile("|".join(BOOKS))

_PASSAGE = re.compile(rf"({_BOOK.pattern}) [\d:-]+( to ({_BOOK.pattern}) [\d:-]+)?")

_ONE_SENTENCE = r"(?:(?!\. [A-Z]).)+?"

_FIELD = re.compile(r"\\\{(\w+)\\\}")

_CONTEXT_END = "\x04"


class SentenceForm(NamedTuple):
    """One message of the tables, and what it is in the language."""

    message: str
    begins: str
    """Its text before the first name."""
    form: re.Pattern[str]
    translation: str


def localize(text: str) -> str:
    """A sentence of the program, or a name that it has for something, in the page's language."""
    if is_english() or not text:
        return text
    found = translate_sentence(current_locale().language, text)
    return isolate(text) if found is None else found


@lru_cache(maxsize=MAX_CACHED_SENTENCES)
def translate_sentence(language: Language, text: str) -> str | None:
    """The text in a language; None where it is not known."""
    passage = translate_passage(language, text)
    if passage is not None:
        return passage
    known = catalogue(language).gettext(text) if text else text
    if known != text or _NUMBER.fullmatch(text):
        return known
    for form in sentence_forms(language):
        if text.startswith(form.begins) and (found := form.form.fullmatch(text)):
            values = _translate_values(language, found.groupdict())
            if values is not None:
                return form.translation.format(**isolate_values(values))
    return _translate_parts(language, text)


def translate_passage(language: Language, text: str) -> str | None:
    """A passage such as `Exodus 13:1-16` with its books in a language; None for any other text."""
    if not _PASSAGE.fullmatch(text):
        return None
    return _BOOK.sub(lambda found: catalogue(language).gettext(found[0]), text).replace(" to ", "–")


def _translate_values(language: Language, given: dict[str, str]) -> dict[str, object] | None:
    values: dict[str, object] = {}
    for name, value in given.items():
        translated = (
            translate_passage(language, value) or value
            if name.startswith(FREE_NAMES)
            else translate_sentence(language, value)
        )
        if translated is None:
            return None
        values[name] = translated
    return values


def _translate_parts(language: Language, text: str) -> str | None:
    """Several sentences, a list, or the same words with a small first letter."""
    for parts, join in _divisions(text):
        translated = [translate_sentence(language, part) for part in parts]
        if all(translated):
            return join.join(each or "" for each in translated)
    for joint in re.finditer(" and ", text):
        translated = [
            translate_sentence(language, part)
            for part in (text[: joint.start()], text[joint.end() :])
        ]
        if all(translated):
            both = "ו־" if (translated[1] or "")[:1].isdigit() else "ו"
            return f"{translated[0]} {both}{translated[1]}"
    small = text[:1].lower() + text[1:]
    return translate_sentence(language, small) if small != text else None


def _divisions(text: str) -> Iterator[tuple[list[str], str]]:
    for division, join in ((r"(?<=[.?!]) (?=[^a-z])", " "), ("; ", "; "), (", ", ", ")):
        parts = re.split(division, text)
        if len(parts) > 1:
            yield parts, join


@cache
def sentence_forms(language: Language) -> tuple[SentenceForm, ...]:
    """The sentences of the tables, those with most words of their own first."""
    # gettext keeps its messages in a table without a public name, and offers no other way to them.
    table: dict[object, str] = catalogue(language)._catalog  # type: ignore[attr-defined]
    begin = SENTENCE_CONTEXT + _CONTEXT_END
    found = [
        _sentence_form(key.removeprefix(begin), translated)
        for key, translated in table.items()
        if isinstance(key, str) and key.startswith(begin)
    ]
    return tuple(sorted(found, key=lambda each: -len(re.sub(r"{\w+}", "", each.message))))


def _sentence_form(message: str, translated: str) -> SentenceForm:
    def field(found: re.Match[str]) -> str:
        name = found[1]
        kind = next((each for begins, each in _KINDS if re.fullmatch(begins, name)), _ONE_SENTENCE)
        return f"(?P<{name}>{kind})"

    pattern = _FIELD.sub(field, re.escape(message))
    return SentenceForm(message, message.partition("{")[0], re.compile(pattern), translated)
