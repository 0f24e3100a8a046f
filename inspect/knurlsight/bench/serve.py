"""Start a bench: folder, records, address, workers; then answer until it is stopped."""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from knurlsight.batch.workers import worker_count
from knurlsight.bench.address import Address, address, listening
from knurlsight.bench.bench import Bench
from knurlsight.bench.certificate import Certificate, certificate
from knurlsight.bench.dispatch import Dispatch
from knurlsight.bench.keeping import Records, settle_due
from knurlsight.bench.pairing import Code, PairingDesk
from knurlsight.bench.refusals import BenchError
from knurlsight.bench.state import BenchFolder, bench_folder, held
from knurlsight.bug_report import bug_words
from knurlsight.records.place import Place, data_folder, find_place

if TYPE_CHECKING:
    from uvicorn import Config, Server

MOST_CONNECTIONS = 200


def folder_for(place: Place) -> Path:
    """Where the bench keeps what waits: beside the records, or with the user's data when they are on a server."""
    return (place.file.parent if place.file is not None else data_folder().parent) / "bench"


def open_bench(folder: BenchFolder, place: Place, where: Address, on_code: Callable[[Code], None], jobs: int) -> Bench:
    """A bench, ready to be served."""
    records = Records(place)
    dispatch = Dispatch(folder, worker_count(jobs), lambda: settle_due(folder, records))
    return Bench(folder, records, where, PairingDesk(on_code), dispatch)


def serve(store: str | None, port: int, *, lan: bool, https: bool, jobs: int = 0, say: Callable[[str], None]) -> None:
    """Serve until interrupted; `say` takes the lines for the terminal.

    Raises
    ------
    KeyboardInterrupt
        It was stopped.
    BenchError
        The folder or the port cannot be used.
    StoreError
        The records cannot be opened.
    """
    import uvicorn

    from knurlsight.bench.app import bench_app
    from knurlsight.bench.connections import BoundedConnection, EncryptedConnection

    place = find_place(store)
    folder = bench_folder(folder_for(place))
    where = address(port, lan=lan, https=https)
    with held(folder), listening(where) as bound:
        kept = certificate(folder.path, where.hosts) if https else None
        bench = open_bench(folder, place, where, lambda code: say(code_words(where, code)), jobs)
        bench.records.store()  # what is wrong with it is said now, not at the first tap
        log()
        say(start_words(where, kept))
        if where.lan:
            say(code_words(where, bench.pairing.code()))
        config: Config = uvicorn.Config(
            bench_app(bench),
            # uvicorn is told of no TLS: the connections see to it, before they are counted
            http=partial(EncryptedConnection, kept.context()) if kept is not None else BoundedConnection,  # type: ignore[arg-type]
            log_config=None,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_keep_alive=15,
            timeout_graceful_shutdown=3,
        )
        server = leaving_server(config, bench.dispatch)
        server.run(sockets=[bound])
        if not server.started:
            raise BenchError("the bench could not start; the reason stands above")
        raise KeyboardInterrupt  # nothing else ends it, and asyncio now and then forgets to say so


def leaving_server(config: Config, dispatch: Dispatch) -> Server:
    """A server that lets go of those who wait for progress, else they would hold up its end."""
    import uvicorn

    class LeavingServer(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            dispatch.leave()
            super().handle_exit(sig, frame)

    return LeavingServer(config)


def log() -> None:
    """One line to stderr for each event, without names, addresses or tracebacks: those go into a file."""
    handler = logging.StreamHandler(sys.stderr)
    handler.addFilter(_one_line)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%H:%M", handlers=[handler])


def _one_line(record: logging.LogRecord) -> bool:
    e = record.exc_info[1] if record.exc_info else None
    if isinstance(e, (asyncio.CancelledError, ConnectionError)):
        return False  # a connection that was cut
    if e is not None:
        record.msg, record.args, record.exc_info, record.exc_text = bug_words(e), (), None, None
    return True


def start_words(where: Address, kept: Certificate | None) -> str:
    """Where the bench is, and what its reach means."""
    lines = [f"The bench is at {where.scheme}://localhost:{where.port}/ on this computer. Ctrl-C stops it."]
    if where.lan:
        lines.append(f"In the local network: {where.url}")
        if kept is None:
            lines.append(
                "Plain HTTP: whoever is on this network can read along, photos and the pairing of devices included. "
                "Fine on a network of your own; --https encrypts."
            )
        else:
            lines.append(
                "Encrypted with a certificate made here. A phone warns once because nobody vouches for it: go on only "
                f"if it shows this SHA-256 fingerprint:\n{kept.fingerprint}"
            )
    else:
        lines.append("Phones cannot reach it: --lan opens it to the local network.")
    return "\n".join(lines)


def code_words(where: Address, code: Code) -> str:
    """The pairing code, to scan or to type."""
    import io

    import segno

    out = io.StringIO()
    segno.make(f"{where.url}pair?code={code.digits}", error="m").terminal(out, border=2, compact=True)
    code_lines = out.getvalue().splitlines()
    if sys.stderr.isatty():  # white on black on any terminal: not every phone reads the opposite
        code_lines = [f"\x1b[97;40m{line}\x1b[0m" for line in code_lines]
    drawn = "\n".join(code_lines)
    return (
        f"\n{drawn}\n\nPair a phone: scan this, or open {where.url} and type  {code.words}\n"
        "Good for ten minutes and one device; the next code stands on the page Devices on this computer."
    )
