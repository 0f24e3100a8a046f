"""HTTP connections bounded for each address and in time, open and encrypted ones.

A device that opens many and says nothing, or one byte now and then, holds its own share and nobody else's.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from typing import Any

from uvicorn.protocols.http.flow_control import FlowControl
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_EACH = 24  # a browser opens six at once
REQUEST_S = 15.0
GOODBYE_S = 2.0  # for the other side's word that it closes, too


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
        self._deadline = self.loop.call_later(REQUEST_S, lambda: self.transport.abort())

    def _end_deadline(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None


class EncryptedConnection(BoundedConnection):
    """The same over TLS, counted and timed from before the handshake.

    asyncio's own TLS server would tell of a connection when its handshake is over: silent ones were not counted, and
    stayed for a minute.
    """

    def __init__(self, context: ssl.SSLContext, **given: Any) -> None:
        super().__init__(**given)
        self._context = context
        self._handshake: asyncio.Task[None] | None = None
        self._early: list[bytes] | None = []  # what comes along with the end of the handshake

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it, unless its address has its share, and begin the handshake."""
        super().connection_made(transport)
        if not transport.is_closing():
            transport.pause_reading()  # all that comes is the handshake's
            self._handshake = self.loop.create_task(self._shake_hands(transport))

    def data_received(self, data: bytes) -> None:
        """Hear more, once there is something to answer by."""
        if self._early is None:
            super().data_received(data)
        else:
            self._early.append(data)

    async def _shake_hands(self, open_transport: asyncio.Transport) -> None:
        encrypted = None
        with contextlib.suppress(OSError):  # ssl.SSLError is one: no TLS, or a phone that refuses the certificate
            encrypted = await self.loop.start_tls(
                open_transport,
                self,
                self._context,
                server_side=True,
                ssl_handshake_timeout=REQUEST_S,
                ssl_shutdown_timeout=GOODBYE_S,
            )
        if encrypted is None:  # asyncio tells nobody of the end of a connection that has not shaken hands
            self.connection_lost(None)
            return
        self.transport, self.flow, self.scheme = encrypted, FlowControl(encrypted), "https"
        early, self._early = b"".join(self._early or ()), None
        if early:
            self.data_received(early)
