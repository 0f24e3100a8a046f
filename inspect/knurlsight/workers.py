"""Processes that measure side by side, each library inside held to one thread.

Measured on 2 cores: two threads took 1.3 times as long as one for the parts of a tray (many small NumPy calls hold the
interpreter's lock), so processes it is.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from knurlsight.errors import KnurlsightError


def worker_count(jobs: int) -> int:
    """How many run side by side: as asked, or for 0 one a core that this process may use."""
    if jobs > 0:
        return jobs
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextlib.contextmanager
def workers(count: int) -> Iterator[Executor | None]:
    """A pool of processes; None for one, where this process does the work itself.

    Raises
    ------
    KnurlsightError
        A process was ended from outside, as a machine does that runs out of memory.
    """
    _one_thread()
    if count == 1:
        yield None
        return
    pool = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), initializer=_start)
    try:
        yield pool
    except BrokenProcessPool as e:
        raise KnurlsightError(
            "a worker was ended from outside, as happens when memory runs out; what was written before stays",
            hint="give the same command again with --jobs 1",
        ) from e
    finally:
        pool.shutdown(cancel_futures=True)


def _start() -> None:
    # Ctrl-C reaches the whole group; the parent alone answers it
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _one_thread()


def _end_with_parent() -> None:
    """A parent that is killed outright cannot stop its workers; left alone they would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _one_thread() -> None:
    """Hold the libraries to one thread; those not loaded yet read the environment, as do the workers' own."""
    import cv2

    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    cv2.setNumThreads(1)
