"""Connections to the review page: closed where a request does not arrive whole in time."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

ARRIVAL_SECONDS = 10.0
"""Time in which a request has to arrive whole; on one machine the largest takes milliseconds."""


class TimedConnection(H11Protocol):
    """A connection of the server with a limit on the time in which a request arrives.

    Without one, every connection that never finishes a request stays open for good, and the server
    runs out of files.
    """

    _arrival: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._await_arrival()

    def data_received(self, data: bytes) -> None:
        """Take what has come, and go on waiting unless the request is whole."""
        super().data_received(data)
        if self.conn.their_state in (h11.IDLE, h11.SEND_BODY):
            self._await_arrival()
        else:
            self.stop_waiting()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the wait."""
        self.stop_waiting()
        super().connection_lost(exc)

    def _await_arrival(self) -> None:
        if self._arrival is None:
            self._arrival = self.loop.call_later(ARRIVAL_SECONDS, self.transport.abort)

    def stop_waiting(self) -> None:
        """Forget the wait for the present request."""
        if self._arrival is not None:
            self._arrival.cancel()
            self._arrival = None
