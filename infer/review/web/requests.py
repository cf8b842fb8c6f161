"""What a window asks with: who reads, blind or not, which letters; read and checked."""

from __future__ import annotations

import unicodedata
from typing import NamedTuple
from urllib.parse import unquote, urlencode

from starlette.requests import Request

from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.scribal.alphabet import BY_CHAR, BY_SLUG

LONGEST_NAME = 60

NO_LETTER_SLUG = "none"
"""Stands in addresses for doubts of no single letter."""


class UserFacingError(CrownletError):
    """A request that cannot be met: the sentence for the reader, and the status of the answer."""

    def __init__(self, text: str, status: int = 400) -> None:
        super().__init__(text)
        self.status = status


class BrowserWindow(NamedTuple):
    """Who looks, and whether blind."""

    reader: str
    blind: bool


class QueueFilter(NamedTuple):
    """The letters that one goes through; None means any."""

    kind: str | None = None
    letter: str | None = None
    scroll: str | None = None

    @property
    def query(self) -> str:
        """As the end of an address."""
        letter = None if self.letter is None else letter_slug(self.letter)
        parts = {"kind": self.kind, "letter": letter, "scroll": self.scroll}
        told = {name: value for name, value in parts.items() if value is not None}
        return f"?{urlencode(told)}" if told else ""


def letter_slug(letter: str) -> str:
    """A letter in an address."""
    return BY_CHAR[letter].slug if letter in BY_CHAR else NO_LETTER_SLUG


def letter_from_slug(name: str) -> str:
    """The letter of a slug, "" for none; UserFacingError if there is no such letter."""
    if name == NO_LETTER_SLUG:
        return ""
    if name not in BY_SLUG:
        raise UserFacingError("There is no such letter.", 404)
    return BY_SLUG[name].char


def read_filter(request: Request) -> QueueFilter:
    """The choice in a request's query."""
    kind, letter, scroll = (request.query_params.get(k) for k in ("kind", "letter", "scroll"))
    return QueueFilter(
        kind or None, None if not letter else letter_from_slug(letter), scroll or None
    )


def parse_reader_name(given: object) -> str:
    """A reader's name as kept; UserFacingError if it is none."""
    if not isinstance(given, str):
        raise UserFacingError("The reader's name is missing; choose one at the beginning.")
    name = " ".join(unicodedata.normalize("NFC", given).split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise UserFacingError(f"Give a name of 1 to {LONGEST_NAME} letters.")
    return name


def cookie_name(request: Request, name: str) -> str:
    """The name of one of this server's own cookies; ports share a browser's jar."""
    return f"crownlet_{name}_{request.app.state.port}"


def read_window(request: Request) -> BrowserWindow:
    """Who looks, by the window's cookies, else by the command line; "" before a name is given."""
    given = unquote(request.cookies.get(cookie_name(request, "reader"), ""))
    try:
        reader = parse_reader_name(given or request.app.state.reader)
    except UserFacingError:
        reader = ""
    return BrowserWindow(reader, request.cookies.get(cookie_name(request, "blind"), "1") != "0")


def parse_item_number(text: object) -> int:
    """An item's number; UserFacingError if it is none."""
    if isinstance(text, str) and text.isascii() and text.isdigit() and len(text) < 16:
        return int(text)
    raise UserFacingError("There is no such letter in this review.", 404)
