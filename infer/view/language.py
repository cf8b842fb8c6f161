"""In which language the pages speak, and whether headings show the trade's terms.

English text is the message itself, as gettext has it; the translations of a language stand in one
PO catalogue beside this file, read only when that language is asked for. Code inside `use_locale`
makes pages in that language; outside it, and so in every table, the language is English.
"""

from __future__ import annotations

import gettext
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import resources
from io import BytesIO
from typing import Literal, NamedTuple, get_args

Language = Literal["en", "he"]

Terms = Literal["plain", "trade"]

LANGUAGES: tuple[Language, ...] = get_args(Language)

TERMS: tuple[Terms, ...] = get_args(Terms)

LANGUAGE_NAMES: dict[Language, str] = {"en": "English", "he": "עברית"}
"""Each language by its own name."""

SENTENCE_CONTEXT = "sentence"
"""Context of messages that stand in a run's tables with their values filled in."""

_ISOLATE, _END_OF_ISOLATE = "\u2068", "\u2069"

_ISOLATED = re.compile(r"[A-Za-z]|^[-+−<>≈]")
"""Values that would not keep their order among Hebrew words."""


class Locale(NamedTuple):
    """The language of pages, and whether headings bear the terms of the trade."""

    language: Language = "en"
    terms: Terms = "plain"


ENGLISH = Locale()

_locale: ContextVar[Locale] = ContextVar("locale", default=ENGLISH)


@contextmanager
def use_locale(locale: Locale) -> Iterator[None]:
    """Make pages in `locale` within the block, in this thread and in what it hands to others."""
    token = _locale.set(locale)
    try:
        yield
    finally:
        _locale.reset(token)


def current_locale() -> Locale:
    """The locale of the pages that are made now."""
    return _locale.get()


def direction() -> str:
    """The direction of the page's language, as HTML names it."""
    return "rtl" if _locale.get().language == "he" else "ltr"


def is_english() -> bool:
    """Whether messages stand as the code has them."""
    return _locale.get().language == "en"


def translate(message: str, /, **values: object) -> str:
    """A message in the page's language, its `{names}` replaced by the values."""
    found = message
    if message and not is_english():
        found = catalogue(_locale.get().language).gettext(message)
    return found.format(**isolate_values(values)) if values else found


def translate_count(one: str, many: str, number: int, /, **values: object) -> str:
    """One of two messages by a number, which is `{n}` in them."""
    given = isolate_values({"n": f"{number:,}", **values})
    return choose_message(one, many, number).format(**given)


def choose_message(one: str, many: str, number: int) -> str:
    """One of two messages by a number, in the page's language, its `{names}` as they are."""
    if is_english():
        return one if number == 1 else many
    return catalogue(_locale.get().language).ngettext(one, many, number)


def isolate(value: str) -> str:
    """A name, a number with its sign, or foreign words, so set that they keep their own direction
    among Hebrew words (Unicode's isolates, UAX 9)."""
    if is_english() or not _ISOLATED.search(value) or value.startswith(_ISOLATE):
        return value
    return f"{_ISOLATE}{value}{_END_OF_ISOLATE}"


def isolate_values(values: dict[str, object]) -> dict[str, object]:
    """Values to be put into a message, those that are texts isolated."""
    if is_english():
        return values
    return {name: isolate(value) if type(value) is str else value for name, value in values.items()}


@cache
def catalogue(language: Language) -> gettext.GNUTranslations:
    """The translations of a language other than English."""
    # Whoever reads English pages does not wait for it.
    import polib

    source = resources.files("crownlet.infer.view") / f"{language}.po"
    entries = polib.pofile(source.read_text(encoding="utf-8"))
    return gettext.GNUTranslations(BytesIO(entries.to_binary()))
