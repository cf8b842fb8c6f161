"""The server of one review: a port of this machine only, an address with a token, a clean end."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable

import uvicorn

from crownlet.infer.errors import FileFault
from crownlet.infer.review.app import create_app
from crownlet.infer.review.crops import Crops
from crownlet.infer.review.desk import Desk
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run import Run

HOST = "127.0.0.1"


class PortError(FileFault):
    """A port that cannot be taken."""


def bind(port: int) -> socket.socket:
    """A socket on this machine alone; port 0 takes any free one. PortError if it is taken."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
    except (OSError, OverflowError) as error:
        listening.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise PortError(f"port {port}", f"cannot be used ({reason}); choose another.") from None
    return listening


def serve(
    run: Run, store: ReviewStore, listening: socket.socket, reader: str,
    ready: Callable[[str], None],
) -> None:  # fmt: skip
    """Serve until stopped; `ready` is called with the address once the server is about to listen.

    Everything decided is in the store at any time, so any end is a clean one.
    """
    token, port = secrets.token_urlsafe(24), listening.getsockname()[1]
    crops = Crops(run)
    crops.want(store.asked(), "wall", first=False)
    desk = Desk(run, store, crops)
    config = uvicorn.Config(
        create_app(desk, token, port, reader),
        log_level="warning", access_log=False, lifespan="off", server_header=False, ws="none",
        timeout_graceful_shutdown=2, h11_max_incomplete_event_size=65536,
    )  # fmt: skip
    listening.listen(128)
    ready(f"http://{HOST}:{port}/?token={token}")
    try:
        uvicorn.Server(config).run(sockets=[listening])
    finally:
        crops.close()
        store.close()
