"""Language and terms on the pages of a server: their switch, and words of scripts and styles."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from crownlet.infer.review.web.requests import UserFacingError, page_of_this_server
from crownlet.infer.view.choice import keep_locale, locale_of, read_locale
from crownlet.infer.view.language import (
    LANGUAGE_NAMES,
    LANGUAGES,
    choose_message,
    current_locale,
    translate,
    use_locale,
)

SCRIPT_MESSAGES = (
    "Nothing is open here.", "Nothing open has been on your screen yet.",
    "No letter has been on your screen yet.", "not present", "present", "The rest: {words}",
    "The server does not answer.", "This was not saved.", "What was confirmed before is kept.",
    "Start the program again and open the address it prints.",
    "The program does not answer.", "Start `crownlet open` again and use the address it prints.",
    "{name} is not read: {cause}.", "{n} of {total}: {name}", "it did not arrive",
)  # fmt: skip
"""What the scripts of review and desk say; tests compare it with them."""

SCRIPT_COUNTS = (
    ("{n} file done.", "{n} files done."),
    (
        "{n} open crop has been on your screen. Set it to “{words}”?",
        "{n} open crops have been on your screen. Set them all to “{words}”?",
    ),
    ("{n} more was not shown yet and stays open.", "{n} more were not shown yet and stay open."),
)
"""The same of messages for one thing and for several."""

STYLE_MESSAGES = {
    "name": "Name", "as-stated": "as stated", "not-so": "not so", "otherwise": "otherwise",
    "for-screen": "This page is for the screen; the triage sheet is made for paper.",
}  # fmt: skip
"""What the style sheet says, by the name of its property; tests compare it with the sheet."""


class LocaleMiddleware:
    """ASGI middleware in which every request is answered in the language kept in a folder."""

    def __init__(self, app: ASGIApp, folder: Callable[[], Path]) -> None:
        self.app = app
        self._folder = folder

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on (the ASGI signature)."""
        scope["locale_folder"] = self._folder
        with use_locale(read_locale(self._folder())):
            await self.app(scope, receive, send)


class LocaleChoice(NamedTuple):
    """One button of the switch."""

    language: str
    terms: str
    words: str
    lang: str
    """The language of the words, where it is not that of the page."""


def locale_choices() -> list[LocaleChoice]:
    """What can be chosen in place of what is: the other languages, and the other terms."""
    now = current_locale()
    plain = now.terms == "plain"
    terms = translate("With the trade's terms" if plain else "Without the trade's terms")
    return [
        *(
            LocaleChoice(each, now.terms, LANGUAGE_NAMES[each], each)
            for each in LANGUAGES if each != now.language
        ),
        LocaleChoice(now.language, "trade" if plain else "plain", terms, ""),
    ]  # fmt: skip


async def set_locale(request: Request) -> Response:
    """Keep language and terms with the run, and go back to the page from which it was sent."""
    form = await request.form()
    try:
        chosen = locale_of(str(form.get("language")), str(form.get("terms")))
        keep_locale(request.scope["locale_folder"](), chosen)
    except ValueError:
        raise UserFacingError("There is no such language.") from None
    except OSError as error:
        reason = error.strerror or str(error)
        message = translate("The choice cannot be written ({why}).", why=reason)
        raise UserFacingError(message, 500) from None
    return RedirectResponse(page_of_this_server(form.get("back")) or "/", 303)


def script_words() -> dict[str, str]:
    """The messages of the scripts in the page's language."""
    words = {message: translate(message) for message in SCRIPT_MESSAGES}
    for one, many in SCRIPT_COUNTS:
        words |= {one: choose_message(one, many, 1), many: choose_message(one, many, 2)}
    return words


async def send_style_words(_: Request) -> Response:
    """The words of the style sheet in the page's language, as properties of it."""
    words = ((name, translate(message)) for name, message in STYLE_MESSAGES.items())
    rules = "".join(f'--text-{name}:"{text}"; ' for name, text in words)
    return Response(f":root {{ {rules}}}\n", media_type="text/css")
