"""Processes that measure side by side, each library inside held to one thread.

Measured on 2 cores: two threads took 1.3 times as long as one for the parts of a tray (many small NumPy calls hold the
interpreter's lock), so processes it is.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from types import TracebackType
from typing import Any, Protocol, Self, TypeVar

from knurlsight.inner_threads import hold_to_one

T = TypeVar("T")


class Pool(Protocol):
    """Where work is done: `submit` as an executor has it, `restart` after its workers were lost.

    A worker that is ended from outside shows as `concurrent.futures.BrokenExecutor` from the future.
    """

    @property
    def count(self) -> int:
        """How many work at the same time."""
        ...

    def __enter__(self) -> Any: ...

    def __exit__(
        self, kind: type[BaseException] | None, e: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def submit(self, work: Callable[..., T], /, *inputs: Any) -> Future[T]:
        """Have something done by a worker."""
        ...

    def restart(self) -> None:
        """Begin again with new workers."""
        ...


def worker_count(jobs: int) -> int:
    """How many run side by side: as asked, or for 0 one a core that this process may use."""
    if jobs > 0:
        return jobs
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class LocalPool:
    """Processes on this machine; for one, this process does the work itself.

    Parameters
    ----------
    count : int
        How many.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self.executor: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        one_thread()
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, trace: TracebackType | None) -> None:
        self.restart()

    def submit(self, work: Callable[..., T], /, *inputs: Any) -> Future[T]:
        """Have something done by a worker; they are started when first needed."""
        if self.count == 1:
            done: Future[T] = Future()
            done.set_result(work(*inputs))
            return done
        if self.executor is None:
            self.executor = ProcessPoolExecutor(self.count, multiprocessing.get_context("spawn"), initializer=_start)
        return self.executor.submit(work, *inputs)

    def restart(self) -> None:
        """Let the workers finish what they are at, then end them."""
        if self.executor is not None:
            self.executor.shutdown(cancel_futures=True)
            self.executor = None


def _start() -> None:
    # Ctrl-C reaches the whole group; the parent alone answers it
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    one_thread()


def _end_with_parent() -> None:
    """A parent that is killed outright cannot stop its workers; left alone they would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def one_thread() -> None:
    """Hold the libraries to one thread; those not loaded yet read the environment, as do the workers' own."""
    import cv2

    hold_to_one()
    cv2.setNumThreads(1)
