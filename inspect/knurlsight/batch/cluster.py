"""The same work on a Dask cluster: many machines, each with workers of one thread.

A Dask scheduler runs the code of whoever reaches it. So a cluster is only used over TLS with client certificates, or on
this very machine. Dask itself starts again what a lost worker was at.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, CancelledError, Future
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar
from urllib.parse import urlsplit

from knurlsight.errors import KnurlsightError

T = TypeVar("T")
LOCAL = ("localhost", "127.0.0.1", "::1")
CONNECT_S = 15


class ClusterPool:
    """A Dask cluster as a `workers.Pool`.

    Parameters
    ----------
    address : str
        Of the scheduler: ``tls://host:8786``, or ``tcp://localhost:8786``.
    must_see : Path or None
        A file that every worker must be able to read; None when bytes are sent.

    Raises
    ------
    KnurlsightError
        The address is neither TLS nor this machine; dask is not installed; nobody answers; there are no workers; a
        worker has not this version, or does not see the photos.
    """

    def __init__(self, address: str, must_see: Path | None = None) -> None:
        self.address = checked_address(address)
        self.client = _connected(self.address)
        try:
            self._check_workers(must_see)
            self.executor = self.client.get_executor(pure=False)
        except BaseException:
            self.client.close()
            raise

    @property
    def count(self) -> int:
        """Threads of all workers at this moment: a cluster may grow and shrink."""
        return max(1, sum(int(n) for n in self.client.nthreads().values()))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, trace: TracebackType | None) -> None:
        self.executor.shutdown(wait=False)
        self.client.close()

    def submit(self, work: Callable[..., T], /, *inputs: Any) -> Future[T]:
        """Have something done by a worker of the cluster."""
        answer: Future[T] = Future()
        asked = self.executor.submit(work, *inputs)
        asked.add_done_callback(lambda done: _hand_on(done, answer, self.address))
        return answer

    def restart(self) -> None:
        """Nothing to do: a cluster replaces its workers itself."""

    def _check_workers(self, must_see: Path | None) -> None:
        self.client.wait_for_workers(1, timeout=CONNECT_S)
        for worker, (has, sees) in self.client.run(_look, must_see).items():
            if has != version("knurlsight"):
                raise KnurlsightError(
                    f"--cluster {self.address}: the worker {worker} has knurlsight {has}, here it is "
                    f"{version('knurlsight')}",
                    hint="install the same version on every machine",
                )
            if not sees:
                raise KnurlsightError(
                    f"--cluster {self.address}: the worker {worker} does not see {must_see}",
                    hint="put the photos where every machine finds them by the same path, or give --send",
                )


def checked_address(address: str) -> str:
    """The address, if it is safe to use.

    Raises
    ------
    KnurlsightError
        It is not an address, or an open one on another machine.
    """
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
    if not host or not port or parts.scheme not in ("tls", "tcp"):
        raise KnurlsightError(f"--cluster {address!r} is not an address", hint="--cluster tls://scheduler:8786")
    if parts.scheme == "tcp" and host not in LOCAL:
        raise KnurlsightError(
            f"--cluster {address}: without TLS only on this machine: a scheduler runs code for anyone who reaches it",
            hint=f"--cluster tls://{host}:{port}",
        )
    return address


def _connected(address: str) -> Any:
    try:
        from distributed import Client
        from distributed.security import Security
    except ImportError as e:
        raise KnurlsightError(
            "--cluster needs dask, which is not installed", hint="pip install 'knurlsight[cluster]'"
        ) from e
    tls = address.startswith("tls:")
    # certificates are named where dask looks for them: its configuration, or DASK_DISTRIBUTED__COMM__TLS__...
    security = Security(require_encryption=True) if tls else Security()  # type: ignore[no-untyped-call]
    ours = security.get_connection_args("client")  # type: ignore[no-untyped-call]
    if tls and ours.get("ssl_context") is None:
        raise KnurlsightError(
            f"--cluster {address}: no certificates are named for TLS",
            hint="name ca-file, client cert and key in dask's configuration, distributed.comm.tls",
        )
    try:
        # knocked at first: a client of dask that finds nobody leaves half-started threads behind
        parts = urlsplit(address)
        socket.create_connection((parts.hostname or "", parts.port or 0), CONNECT_S).close()
        return Client(address, security=security, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TypeError, ValueError, RuntimeError) as e:
        why = " ".join(str(e).split())
        hint = "are scheduler and workers running?"
        if tls:
            hint += " are the certificates named in dask's configuration, distributed.comm.tls?"
        raise KnurlsightError(f"--cluster {address}: no connection ({why or type(e).__name__})", hint=hint) from e


def _look(must_see: Path | None) -> tuple[str, bool]:
    """Runs on every worker: the version it has, and whether it sees the photos."""
    return version("knurlsight"), must_see is None or must_see.is_file()


def _hand_on(done: Future[T], answer: Future[T], address: str) -> None:
    """Dask's ways to fail, as a pool of processes has them."""
    from distributed import KilledWorker

    try:
        answer.set_result(done.result())
    except KilledWorker:
        answer.set_exception(BrokenExecutor("workers of the cluster died of it"))
    except CancelledError:
        answer.set_exception(
            KnurlsightError(
                f"--cluster {address}: the scheduler is gone; what was written before stays",
                hint="give the same command again when it is back",
            )
        )
    except BaseException as e:  # handed on, not swallowed
        answer.set_exception(e)
