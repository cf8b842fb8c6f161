"""Access to the review page: this machine only, windows with the token, small bodies, no caching.

The address printed by `crownlet review` carries a random token. The first visit exchanges it for a
cookie (HttpOnly, SameSite=Strict, named by the port, since browsers share cookies between ports)
and leads to the address without it; a request with neither is refused. A token opens one browser:
then it is worth nothing, and another takes its place. A Host other than this machine's means a
foreign name bound to 127.0.0.1 (DNS rebinding); a foreign Origin, another site.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 1_000_000
"""Bytes; the decisions of a wall of ten thousand letters fit."""

NO_TOKEN_MESSAGE = (
    "This page opens only from the address that `crownlet open` or `crownlet review` printed last. "
    "Copy it from the terminal: an address opens one browser, then the terminal shows the next "
    "one, and a server that is started again has a new one. If this browser keeps no cookies for "
    "127.0.0.1, allow them.\n"
)

FOREIGN_SITE_MESSAGE = "Requests that come from another site are refused.\n"

TOO_LARGE_MESSAGE = "The request is too large.\n"

ENTRANCE_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>Review</title>'
    '<meta http-equiv="refresh" content="0; url=/"><p><a href="/">To the review</a></p></html>'
)
"""Answer to a token. A redirect would not do: a browser that another program has opened sends no
SameSite=Strict cookie along one."""

CLOSING = {"connection": "close"}
"""Header of refusals: what the client still sends is not read."""

SECURITY_HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": "default-src 'none'; img-src 'self'; style-src 'self'; "
    "script-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    # Not "no-referrer": it makes browsers send "Origin: null" with forms.
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}


class SecurityMiddleware:
    """ASGI middleware that lets through only the windows opened with a printed address.

    `token` opens the first browser; `entered` is called whenever one has been opened, and `token`
    is another one from then on. `streamed` are the paths whose bodies the application reads and
    limits itself.
    """

    def __init__(
        self, app: ASGIApp, token: str, port: int, entered: Callable[[], None] = lambda: None,
        streamed: Collection[str] = (),
    ) -> None:  # fmt: skip
        self.app = app
        self._streamed = frozenset(streamed)
        self.cookie = f"crownlet_{port}"
        self.token = token
        self._entered = entered
        self._ticket = secrets.token_urlsafe(32)
        self._hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on to the application (the ASGI signature)."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            await self._http(scope, receive, send)
        # No other kind of connection is answered: the server closes it.

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        refusal = self._refusal(scope)
        answer = refusal or self._entrance(scope)
        with_headers = _HeaderAddingSend(send)
        if answer is not None:
            await answer(scope, receive, with_headers)
            return
        if scope["path"] in self._streamed:
            await self.app(scope, receive, with_headers)
            return
        body = await _read_body(Headers(scope=scope), receive)
        if body is None:
            refused = PlainTextResponse(TOO_LARGE_MESSAGE, 413, CLOSING)
            await refused(scope, receive, with_headers)
            return
        await self.app(scope, _BodyReplay(body, receive), with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        """The refusal of a request with a wrong Host or Origin; None for any other."""
        headers = Headers(scope=scope)
        if headers.getlist("host") not in [[host] for host in self._hosts]:
            return _refuse(NO_TOKEN_MESSAGE)
        origin = headers.get("origin")
        ours = {f"http://{host}" for host in self._hosts}
        if origin is not None and origin not in ours:
            return _refuse(FOREIGN_SITE_MESSAGE)
        if scope["method"] not in ("GET", "HEAD") and origin is None:
            return _refuse(FOREIGN_SITE_MESSAGE)
        return None

    def _entrance(self, scope: Scope) -> Response | None:
        """Exchange the address's token for a cookie, or refuse; None for a window that is known."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        opens = scope["path"] == "/" and scope["method"] == "GET"
        if opens and _are_equal_secrets(given, self.token):
            self.token = new_token()
            self._entered()
            answer: Response = HTMLResponse(ENTRANCE_PAGE)
            answer.set_cookie(self.cookie, self._ticket, httponly=True, samesite="strict", path="/")
            return answer
        if _are_equal_secrets(_cookie_value(scope, self.cookie), self._ticket):
            # A browser that is open already has asked for a used address again.
            return RedirectResponse("/", 303) if opens and given else None
        return _refuse(NO_TOKEN_MESSAGE)


def new_token() -> str:
    """A secret that nobody can guess, for an address."""
    return secrets.token_urlsafe(24)


def _refuse(message: str) -> Response:
    return PlainTextResponse(message, 403, CLOSING)


def _are_equal_secrets(given: str, secret: str) -> bool:
    return secrets.compare_digest(given.encode(), secret.encode())


def _cookie_value(scope: Scope, name: str) -> str:
    """One cookie of a request. Others on this host are of other programs and may be malformed."""
    return cookie_parser("; ".join(Headers(scope=scope).getlist("cookie"))).get(name, "")


class _HeaderAddingSend:
    """`send` that adds to every answer those `SECURITY_HEADERS` that it does not set itself."""

    def __init__(self, send: Send) -> None:
        self._send = send

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            given = list(message.get("headers", []))
            own = {name.lower() for name, _ in given}
            every = ((name.encode(), value.encode()) for name, value in SECURITY_HEADERS.items())
            message = {**message, "headers": [*given, *(h for h in every if h[0] not in own)]}
        await self._send(message)


async def _read_body(headers: Headers, receive: Receive) -> bytes | None:
    """The body of a request; None if it is larger than `MAX_BODY_BYTES`, whatever it declares."""
    declared = headers.get("content-length", "0")
    if not declared.isdecimal() or int(declared[:20]) > MAX_BODY_BYTES:
        return None
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > MAX_BODY_BYTES:
            return None
        if not message.get("more_body", False):
            return bytes(body)


class _BodyReplay:
    """`receive` that first returns a body already read, then the messages of the connection."""

    def __init__(self, body: bytes, receive: Receive) -> None:
        self._body: bytes | None = body
        self._receive = receive

    async def __call__(self) -> Message:
        if self._body is None:
            return await self._receive()
        body, self._body = self._body, None
        return {"type": "http.request", "body": body, "more_body": False}
