"""Worker processes, each with one pipe: one that dies or hangs is replaced, and takes nothing along but its task.

A `ProcessPoolExecutor` breaks as a whole when one of its processes dies, and cannot end one that hangs.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING

from knurlsight.bench.measuring import Answered, NoRoom, Refusal, Task, measure_photos, warm

if TYPE_CHECKING:
    from multiprocessing.context import SpawnProcess

TASK_SECONDS = 120.0
Measure = Callable[[Task], Answered | Refusal | NoRoom]


@dataclass(frozen=True)
class Died:
    """The process ended without an answer: killed, out of memory, crashed, or too slow."""

    words: str


class Worker:
    """One process that measures one task at a time; used by one thread at a time."""

    def __init__(self, measure: Measure, seconds: float = TASK_SECONDS) -> None:
        self._measure = measure
        self._seconds = seconds
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._lock = threading.Lock()
        self._stopped = False

    def start(self) -> None:
        """Begin the process, unless it runs already."""
        with self._lock:
            if self._stopped or (self._process is not None and self._process.is_alive()):
                return
            self._close()
            context = multiprocessing.get_context("spawn")
            here, there = context.Pipe()
            self._process = context.Process(target=_work, args=(there, self._measure), daemon=True)
            self._process.start()
            there.close()
            self._pipe = here

    def run(self, task: Task) -> Answered | Refusal | NoRoom | Died:
        """Measure; blocks."""
        self.start()
        pipe = self._pipe
        if pipe is None:
            return Died("the bench was stopped")
        try:
            pipe.send(task)
            if not pipe.poll(self._seconds):
                self._end()
                return Died(f"it took longer than {self._seconds:g} s")
            answer: Answered | Refusal | NoRoom = pipe.recv()
        except (EOFError, OSError):
            self._end()
            return Died("the process that measured it was ended, as happens when memory runs out")
        return answer

    @property
    def pid(self) -> int | None:
        """Of the process that runs now."""
        return self._process.pid if self._process is not None else None

    def stop(self) -> None:
        """End the process for good; a task in it is lost here and waits on disk."""
        self._stopped = True
        self._end()

    def _end(self) -> None:
        with self._lock:
            self._close()

    def _close(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join(10)
            self._process.close()
            self._process = None
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None


def _work(pipe: Connection, measure: Measure) -> None:
    """The process: tasks in, answers out, until the pipe closes or the server is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the server alone answers it
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if measure is measure_photos:
        warm()
    while True:
        try:
            task: Task = pipe.recv()
            pipe.send(measure(task))
        except (EOFError, OSError):
            return


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
