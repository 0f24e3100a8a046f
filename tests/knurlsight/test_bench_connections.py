"""Many silent connections of one device shut nobody else out, and do not stay."""

from __future__ import annotations

import asyncio
import contextlib
import sys

import pytest
from knurlsight.bench import connections
from knurlsight.bench.connections import MOST_EACH, BoundedConnection
from uvicorn import Config
from uvicorn.server import ServerState

PATIENCE_S = 30.0  # for what must come; how long it takes on a busy machine is no matter
REQUEST = b"GET / HTTP/1.1\r\nhost: localhost\r\n\r\n"


async def app(scope, receive, send):
    """Answer before the body is read, if there is one."""
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@contextlib.asynccontextmanager
async def serving(answer=app):
    config, state = Config(answer, log_config=None, lifespan="off"), ServerState()
    config.load()
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: BoundedConnection(config, state, {}), "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1], state
        for connection in list(state.connections):
            connection.transport.abort()


async def opened(port, address="127.0.0.1"):
    return await asyncio.open_connection("127.0.0.1", port, local_addr=(address, 0))


async def ended(reader):
    """Whether the other side closes it."""
    with contextlib.suppress(ConnectionError):
        await asyncio.wait_for(reader.read(), PATIENCE_S)
    return True


async def answered(reader, writer):
    writer.write(REQUEST)
    return b"200 OK" in await asyncio.wait_for(reader.readuntil(b"ok"), PATIENCE_S)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only there each 127.x.x.x is an address")
def test_one_device_holds_no_more_than_its_share():
    async def run():
        async with serving() as (port, state):
            silent = [await opened(port) for _ in range(MOST_EACH)]
            while len(state.connections) < MOST_EACH:
                await asyncio.sleep(0.01)
            too_many = await opened(port)
            assert await ended(too_many[0])
            other = await opened(port, "127.0.0.2")
            assert await answered(*other)
            assert await answered(*silent[0])  # what it has goes on
            for _, writer in (*silent, too_many, other):
                writer.close()

    asyncio.run(run())


@pytest.mark.parametrize(
    "begin",
    [b"", b"GET / HTTP/1.1\r\nx", REQUEST + b"G", b"POST / HTTP/1.1\r\nhost: localhost\r\ncontent-length: 9\r\n\r\n1"],
    ids=["silent", "half a head", "half a second head", "the rest of a refused body"],
)
def test_what_never_becomes_a_request_is_ended(begin, monkeypatch):
    monkeypatch.setattr(connections, "REQUEST_S", 0.5)

    async def run():
        async with serving() as (port, _):
            reader, writer = await opened(port)
            writer.write(begin)
            dripping = asyncio.create_task(drip(writer))
            assert await ended(reader)
            dripping.cancel()
            writer.close()

    async def drip(writer):
        while begin:  # a byte now and then must not prolong it
            await asyncio.sleep(0.2)
            writer.write(b"1")

    asyncio.run(run())


def test_what_is_being_answered_is_not_ended(monkeypatch):
    monkeypatch.setattr(connections, "REQUEST_S", 0.2)

    async def slow(scope, receive, send):
        await asyncio.sleep(1)
        await app(scope, receive, send)

    async def run():
        async with serving(slow) as (port, _):
            reader, writer = await opened(port)
            assert await answered(reader, writer)
            writer.close()

    asyncio.run(run())
