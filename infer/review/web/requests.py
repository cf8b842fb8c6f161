"""The parts of a request, read and checked: reader, blind or not, which letters."""

from __future__ import annotations

import unicodedata
from typing import NamedTuple
from urllib.parse import unquote, urlencode

from starlette.requests import Request

from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.scribal.alphabet import BY_CHAR, BY_SLUG
from crownlet.infer.review.reader_order import MAX_READER_NAME_CHARACTERS
from crownlet.infer.view.language import translate

NO_LETTER_SLUG = "none"
"""In an address, in place of a letter: doubts of no single letter."""


class UserFacingError(CrownletError):
    """A request that cannot be met: the sentence for the reader, and the status of the answer."""

    def __init__(self, text: str, status: int = 400) -> None:
        super().__init__(text)
        self.status = status


class BrowserWindow(NamedTuple):
    """The reader of a browser window, and whether they decide blind."""

    reader: str
    blind: bool


class QueueFilter(NamedTuple):
    """The items that a window goes through; None means any."""

    kind: str | None = None
    letter: str | None = None
    scroll: str | None = None

    @property
    def query(self) -> str:
        """The filter as the query of an address, with its question mark; "" without any."""
        letter = None if self.letter is None else letter_slug(self.letter)
        parts = {"kind": self.kind, "letter": letter, "scroll": self.scroll}
        given = {name: value for name, value in parts.items() if value is not None}
        return f"?{urlencode(given)}" if given else ""


def letter_slug(letter: str) -> str:
    """The name of a letter in an address."""
    return BY_CHAR[letter].slug if letter in BY_CHAR else NO_LETTER_SLUG


def letter_from_slug(name: str) -> str:
    """The letter of a slug, "" for none; UserFacingError if there is no such letter."""
    if name == NO_LETTER_SLUG:
        return ""
    if name not in BY_SLUG:
        raise UserFacingError("There is no such letter.", 404)
    return BY_SLUG[name].char


def read_filter(request: Request) -> QueueFilter:
    """The filter in a request's query; UserFacingError for an unknown letter."""
    kind, letter, scroll = (request.query_params.get(k) for k in ("kind", "letter", "scroll"))
    return QueueFilter(
        kind or None, None if not letter else letter_from_slug(letter), scroll or None
    )


def parse_reader_name(given: object) -> str:
    """A reader's name as kept; UserFacingError if it is none."""
    if not isinstance(given, str):
        raise UserFacingError("The reader's name is missing; choose one at the beginning.")
    name = " ".join(unicodedata.normalize("NFC", given).split())
    if not name or len(name) > MAX_READER_NAME_CHARACTERS or not name.isprintable():
        raise UserFacingError(
            translate("Give a name of 1 to {most} letters.", most=MAX_READER_NAME_CHARACTERS)
        )
    return name


def page_of_this_server(given: object) -> str | None:
    """The address of a page to go back to; None where it is none of this server's."""
    # "//elsewhere" would be another host.
    inside = isinstance(given, str) and given.startswith("/")
    return str(given) if inside and not str(given).startswith(("//", "/\\")) else None


def cookie_name(request: Request, name: str) -> str:
    """The name of one of this server's cookies: a browser shares its cookies between ports."""
    return f"crownlet_{name}_{request.app.state.port}"


def read_window(request: Request) -> BrowserWindow:
    """Reader and blindness by the window's cookies; the reader else by the command line, or ""."""
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
