"""HTTP connections bounded for each address and in time.

A device that opens many and says nothing, or one byte now and then, holds its own share and nobody else's.
"""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_EACH = 24  # a browser opens six at once
REQUEST_S = 15.0


class BoundedConnection(H11Protocol):
    """One connection; the guard bounds the time of a body, this the time in which nothing is being answered.

    uvicorn's own time for idle connections begins after the first answer and is called off by a single byte.
    """

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it, unless its address has its share."""
        super().connection_made(transport)
        if self.client is not None and self._of_this_address() > MOST_EACH:
            transport.abort()
            return
        self._begin_deadline()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is gone."""
        self._end_deadline()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Hear more; a request that has begun to be answered ends the waiting for it."""
        super().data_received(data)
        if self._answering():
            self._end_deadline()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        if not self._answering() and not self.transport.is_closing():
            self._begin_deadline()

    def _of_this_address(self) -> int:
        others = (c.client for c in self.connections if isinstance(c, BoundedConnection))
        return sum(client is not None and self.client is not None and client[0] == self.client[0] for client in others)

    def _answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _begin_deadline(self) -> None:
        self._end_deadline()
        self._deadline = self.loop.call_later(REQUEST_S, self.transport.abort)

    def _end_deadline(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
