"""The desk as an ASGI application: its own addresses, those of the review, and the server."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from pathlib import Path

from starlette.applications import Starlette
from starlette.routing import Route

from crownlet.infer.desk.desk import REVIEW_HOME, Desk
from crownlet.infer.desk.web import actions, pages
from crownlet.infer.desk.web.views import ResultRows
from crownlet.infer.review.web.app import (
    EXCEPTION_HANDLERS,
    review_routes,
    run_server,
    serve_file,
)
from crownlet.infer.review.web.security import SecurityMiddleware

STATIC = Path(__file__).resolve().parent / "static"


def serve_desk(
    desk: Desk, listening: socket.socket, reader: str, ready: Callable[[str], None]
) -> None:
    """Serve until stopped; `ready` is called with the address once connections are accepted."""
    token, port = secrets.token_urlsafe(24), listening.getsockname()[1]
    desk.start()
    try:
        run_server(create_desk_app(desk, token, port, reader), token, listening, ready)
    finally:
        desk.close()


def create_desk_app(desk: Desk, token: str, port: int, reader: str = "") -> SecurityMiddleware:
    """The application for one stack, open only to windows that have sent `token` once."""
    app = Starlette(
        routes=[
            Route("/", pages.show_desk),
            Route("/parts", pages.send_parts),
            Route("/small", pages.send_small),
            Route("/sheets/{file}", pages.show_sheet),
            Route(REVIEW_HOME, pages.show_review),
            Route(actions.PICTURES_PATH, actions.add_picture, methods=["POST"]),
            Route("/refresh", actions.refresh, methods=["POST"]),
            Route("/place", actions.name_picture, methods=["POST"]),
            Route("/choices", actions.choose, methods=["POST"]),
            Route("/begin", actions.begin, methods=["POST"]),
            Route("/stop", actions.stop, methods=["POST"]),
            Route("/desk.css", serve_file(STATIC / "desk.css", "text/css")),
            Route("/desk.js", serve_file(STATIC / "desk.js", "text/javascript")),
            *review_routes(),
        ],
        exception_handlers=EXCEPTION_HANDLERS,
    )
    app.state.desk, app.state.results = desk, ResultRows(desk)
    app.state.open_session, app.state.sheet_lock = desk.session, pages.make_sheet_lock()
    app.state.port, app.state.reader, app.state.message = port, reader, {}
    return SecurityMiddleware(app, token, port, (actions.PICTURES_PATH,))
