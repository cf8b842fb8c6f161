"""The desk as an ASGI application: its own addresses, those of the review, and the server."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import h11
from starlette.applications import Starlette
from starlette.routing import Route

from crownlet.datasets.files.locks import hold_folder
from crownlet.infer.desk.desk import REVIEW_HOME, Desk
from crownlet.infer.desk.web import actions, pages
from crownlet.infer.desk.web.views import ResultRows
from crownlet.infer.review.web.app import (
    EXCEPTION_HANDLERS,
    review_routes,
    run_server,
    serve_file,
)
from crownlet.infer.review.web.connections import TimedConnection
from crownlet.infer.review.web.locale import LocaleMiddleware
from crownlet.infer.review.web.security import SecurityMiddleware, new_token

STACK_PART = "stack"
"""Part of a stack's folder that one desk holds while it is open."""

STATIC = Path(__file__).resolve().parent / "static"


class UploadConnection(TimedConnection):
    """A connection on which a picture may take its time, as long as it goes on arriving."""

    def data_received(self, data: bytes) -> None:
        """Take what has come; a part of a picture begins the wait again."""
        body = self.conn.their_state is h11.SEND_BODY
        if body and self.scope and self.scope["path"] == actions.PICTURES_PATH:
            self.stop_waiting()
        super().data_received(data)


def serve_desk(
    desk: Desk, listening: socket.socket, reader: str, ready: Callable[[str], None],
    entered: Callable[[str], None],
) -> None:  # fmt: skip
    """Serve until stopped; `ready` and `entered` as in the review's `serve`.

    FolderBusyError where another process has the stack open.
    """
    port = listening.getsockname()[1]
    with hold_folder(desk.stack.desk, "crownlet open", STACK_PART):
        desk.stack.reload()
        desk.start()
        try:
            run_server(
                lambda entered: create_desk_app(desk, new_token(), port, reader, entered),
                listening, ready, entered, UploadConnection,
            )  # fmt: skip
        finally:
            desk.close()


def create_desk_app(
    desk: Desk, token: str, port: int, reader: str = "",
    entered: Callable[[], None] = lambda: None,
) -> SecurityMiddleware:  # fmt: skip
    """The application for one stack; arguments as in the review's `create_app`."""
    app = Starlette(
        routes=[
            Route("/", pages.show_desk),
            Route("/parts", pages.send_parts),
            Route("/small", pages.send_small),
            Route("/sheets/{file}", pages.show_sheet),
            Route("/sheets/{folder}/{file}", pages.show_sheet),
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
    localized = LocaleMiddleware(app, lambda: desk.stack.run)
    return SecurityMiddleware(localized, token, port, entered, (actions.PICTURES_PATH,))
