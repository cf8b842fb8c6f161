"""The review page as an ASGI application: its addresses, answers to errors, and the server."""

from __future__ import annotations

import socket
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ExceptionHandler

from crownlet.datasets.files.errors import FileFault
from crownlet.infer.review.models import ChoiceError
from crownlet.infer.review.picture_cache import PictureCache
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.web import actions, habits, pages
from crownlet.infer.review.web.connections import TimedConnection
from crownlet.infer.review.web.locale import LocaleMiddleware, send_style_words, set_locale
from crownlet.infer.review.web.requests import UserFacingError
from crownlet.infer.review.web.security import SecurityMiddleware, new_token
from crownlet.infer.review.web.session import ReviewSession
from crownlet.infer.run.run import Run
from crownlet.infer.view.language import translate
from crownlet.infer.view.sentences import localize

STATIC = Path(__file__).resolve().parent / "static"

ICON_SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><path fill="none" '
    'stroke="#00588f" stroke-width="2" d="M2 6V2H6M10 2H14V6M14 10V14H10M6 14H2V10"/></svg>'
)

SCRIPTS = ("page.js", "translate.js", "server.js", "letter.js", "wall.js", "habit.js", "picker.js")

STATUS_MESSAGES = {
    404: "There is nothing at this address.",
    405: "This address is not used in this way.",
}

OTHER_STATUS_MESSAGE = "This cannot be done."

HOST = "127.0.0.1"


class PortError(FileFault):
    """A port that cannot be taken."""


def serve(
    run: Run, store: ReviewStore, listening: socket.socket, reader: str,
    ready: Callable[[str], None], entered: Callable[[str], None],
) -> None:  # fmt: skip
    """Serve until stopped; `ready` is called with the address once connections are accepted.

    `entered` is called with the next address when a browser has been opened with the one before.
    Every decision is in the store at any time, so the server may be stopped at any time.
    """
    crops = PictureCache(run)
    crops.request(store.all_items(), "wall", first=False)
    session, port = ReviewSession(run, store, crops), listening.getsockname()[1]
    try:
        run_server(
            lambda entered: create_app(session, new_token(), port, reader, entered),
            listening, ready, entered,
        )  # fmt: skip
    finally:
        crops.close()
        store.close()


def run_server(
    make_app: Callable[[Callable[[], None]], SecurityMiddleware], listening: socket.socket,
    ready: Callable[[str], None], entered: Callable[[str], None],
    connection: type[TimedConnection] = TimedConnection,
) -> None:  # fmt: skip
    """Serve an application on a bound socket until stopped; `ready` and `entered` as in `serve`.

    `make_app` makes the application, given what is to be called when a browser has been opened.
    """

    def address() -> str:
        return f"http://{HOST}:{listening.getsockname()[1]}/?token={app.token}"

    app = make_app(lambda: entered(address()))
    config = uvicorn.Config(
        app, http=connection,
        log_level="warning", access_log=False, lifespan="off", server_header=False, ws="none",
        timeout_graceful_shutdown=2, h11_max_incomplete_event_size=65536,
    )  # fmt: skip
    listening.listen(128)
    ready(address())
    uvicorn.Server(config).run(sockets=[listening])


def bind_socket(port: int) -> socket.socket:
    """A socket on this machine alone; port 0 takes any free one. PortError if it is taken."""
    # With the protocol named, asyncio sends answers at once: else each waits 40 ms for the browser.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
    except (OSError, OverflowError) as error:
        listening.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise PortError(f"port {port}", f"cannot be used ({reason}); choose another.") from None
    return listening


def create_app(
    session: ReviewSession, token: str, port: int, reader: str = "",
    entered: Callable[[], None] = lambda: None,
) -> SecurityMiddleware:  # fmt: skip
    """The application for one review, open only to browsers that have sent its token.

    `reader` is the name in windows that have not given another; `token` and `entered` as in
    `SecurityMiddleware`.
    """
    app = Starlette(
        routes=[Route("/", pages.show_start), *review_routes()],
        exception_handlers=EXCEPTION_HANDLERS,
    )
    app.state.open_session = lambda: session
    app.state.port, app.state.reader, app.state.message = port, reader, {}
    localized = LocaleMiddleware(app, lambda: session.run.folder)
    return SecurityMiddleware(localized, token, port, entered)


def review_routes() -> list[Route]:
    """The addresses of the review, but for its start page."""
    return [
        Route("/one", pages.show_one),
        Route("/one/{number}", pages.show_one),
        Route("/step/{number}/{way}", pages.show_step),
        Route("/wall/{kind}/{letter}", pages.show_wall),
        Route("/habit/{number}", habits.show_habit),
        Route("/habit/{number}", habits.answer_habit, methods=["POST"]),
        Route("/differences", pages.show_differences),
        Route("/crop/{number}/{kind}.jpg", pages.send_picture),
        Route("/reader", actions.set_reader, methods=["POST"]),
        Route("/blind", actions.set_blind, methods=["POST"]),
        Route("/decide", actions.decide, methods=["POST"]),
        Route("/undo", actions.undo, methods=["POST"]),
        Route("/export", actions.export, methods=["POST"]),
        Route("/locale", set_locale, methods=["POST"]),
        Route("/words.css", send_style_words),
        Route("/style.css", serve_file(STATIC / "style.css", "text/css")),
        *(Route(f"/{name}", serve_file(STATIC / name, "text/javascript")) for name in SCRIPTS),
        Route("/icon.svg", _serve_icon),
    ]


def serve_file(path: Path, kind: str) -> Callable[[Request], Awaitable[Response]]:
    """A handler that sends one file of this program."""

    async def serve(_: Request) -> Response:
        return FileResponse(path, media_type=kind)

    return serve


async def _serve_icon(_: Request) -> Response:
    return Response(ICON_SVG, media_type="image/svg+xml")


def _message_response(request: Request, text: str, status: int) -> Response:
    """A sentence as the answer: JSON for the page's script, else plain text."""
    asked = request.headers.get("content-type", "").startswith("application/json")
    if asked or "x-part" in request.headers:
        return JSONResponse({"error": text}, status)
    return PlainTextResponse(text + "\n", status)


async def _answer_user_error(request: Request, error: Exception) -> Response:
    return _message_response(request, localize(str(error)), getattr(error, "status", 400))


async def _answer_file_fault(request: Request, error: Exception) -> Response:
    return _message_response(request, str(error), 500)


async def _answer_http_error(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    return _message_response(
        request, translate(STATUS_MESSAGES.get(status, OTHER_STATUS_MESSAGE)), status
    )


EXCEPTION_HANDLERS: Mapping[Any, ExceptionHandler] = {
    UserFacingError: _answer_user_error, ChoiceError: _answer_user_error,
    FileFault: _answer_file_fault, HTTPException: _answer_http_error,
}  # fmt: skip
