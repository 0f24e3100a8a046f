"""Many silent connections of one device shut nobody else out, and do not stay; open and encrypted ones."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import sys
from functools import partial

import pytest
from knurlsight.bench import connections
from knurlsight.bench.certificate import certificate
from knurlsight.bench.connections import MOST_EACH, BoundedConnection, EncryptedConnection
from uvicorn import Config
from uvicorn.server import ServerState

PATIENCE_S = 30.0  # for what must come; how long it takes on a busy machine is no matter
REQUEST = b"GET / HTTP/1.1\r\nhost: localhost\r\n\r\n"


async def app(scope, receive, send):
    """Answer before the body is read, if there is one."""
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@pytest.fixture(params=["open", "encrypted"])
def kind(request, tmp_path):
    """How connections are made, and what a client has to know of it."""
    if request.param == "open":
        return BoundedConnection, None
    pytest.importorskip("cryptography", reason="pip install 'knurlsight[https]' for the certificate")
    made = certificate(tmp_path, ("localhost", "127.0.0.1"))
    return partial(EncryptedConnection, made.context()), ssl.create_default_context(cafile=made.certificate)


@contextlib.asynccontextmanager
async def serving(connection, answer=app):
    config, state = Config(answer, log_config=None, lifespan="off"), ServerState()
    config.load()
    loop = asyncio.get_running_loop()
    made = partial(connection, config=config, server_state=state, app_state={})
    server = await loop.create_server(made, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1], state
        for connection in list(state.connections):
            connection.transport.abort()


async def opened(port, context=None, address="127.0.0.1"):
    return await asyncio.open_connection("127.0.0.1", port, ssl=context, local_addr=(address, 0))


async def ended(reader):
    """Whether the other side closes it."""
    with contextlib.suppress(ConnectionError):
        await asyncio.wait_for(reader.read(), PATIENCE_S)
    return True


async def answered(reader, writer):
    writer.write(REQUEST)
    return b"200 OK" in await asyncio.wait_for(reader.readuntil(b"ok"), PATIENCE_S)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only there each 127.x.x.x is an address")
def test_one_device_holds_no_more_than_its_share(kind):
    async def run():
        async with serving(kind[0]) as (port, state):
            first = await opened(port, kind[1])
            silent = [await opened(port) for _ in range(MOST_EACH - 1)]  # encrypted: not even a handshake
            while len(state.connections) < MOST_EACH:
                await asyncio.sleep(0.01)
            too_many = await opened(port)
            assert await ended(too_many[0])
            other = await opened(port, kind[1], "127.0.0.2")
            assert await answered(*other)
            assert await answered(*first)  # what it has goes on
            for _, writer in (first, *silent, too_many, other):
                writer.close()

    asyncio.run(run())


@pytest.mark.parametrize(
    "begin",
    [b"", b"GET / HTTP/1.1\r\nx", REQUEST + b"G", b"POST / HTTP/1.1\r\nhost: localhost\r\ncontent-length: 9\r\n\r\n1"],
    ids=["silent", "half a head", "half a second head", "the rest of a refused body"],
)
def test_what_never_becomes_a_request_is_ended(begin, kind, monkeypatch):
    monkeypatch.setattr(connections, "REQUEST_S", 0.5)

    async def run():
        async with serving(kind[0]) as (port, _):
            reader, writer = await opened(port, kind[1])
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


@pytest.mark.parametrize("kind", ["encrypted"], indirect=True)
def test_a_handshake_that_comes_to_nothing_is_ended(kind, monkeypatch):
    monkeypatch.setattr(connections, "REQUEST_S", 0.5)

    async def run():
        async with serving(kind[0]) as (port, state):
            silent, halved, other = [await opened(port) for _ in range(3)]
            halved[1].write(b"\x16\x03\x01\x02\x00\x01")  # the begin of a handshake (RFC 8446, 5.1 and 4)
            other[1].write(REQUEST)  # not encrypted
            for reader, writer in (silent, halved, other):
                assert await ended(reader)
                writer.close()
            while state.connections:
                await asyncio.sleep(0.01)

    asyncio.run(run())


@pytest.mark.parametrize("kind", ["encrypted"], indirect=True)
def test_a_request_that_comes_along_with_the_handshake_is_answered_encrypted(kind):
    async def run():
        async with serving(kind[0]) as (port, _):
            outgoing, incoming = ssl.MemoryBIO(), ssl.MemoryBIO()
            client = kind[1].wrap_bio(incoming, outgoing, server_hostname="localhost")
            reader, writer = await opened(port)
            while True:
                try:
                    client.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    writer.write(outgoing.read())
                    incoming.write(await reader.read(10_000))
            client.write(REQUEST)
            writer.write(outgoing.read())  # the end of the handshake and the request in one
            said = b""
            while b"ok" not in said:
                incoming.write(await asyncio.wait_for(reader.read(10_000), PATIENCE_S))
                with contextlib.suppress(ssl.SSLWantReadError):
                    said += client.read(10_000)
            writer.close()

    asyncio.run(run())


def test_what_is_being_answered_is_not_ended(kind, monkeypatch):
    monkeypatch.setattr(connections, "REQUEST_S", 0.2)

    async def slow(scope, receive, send):
        await asyncio.sleep(1)
        await app(scope, receive, send)

    async def run():
        async with serving(kind[0], slow) as (port, _):
            reader, writer = await opened(port, kind[1])
            assert await answered(reader, writer)
            writer.close()

    asyncio.run(run())
