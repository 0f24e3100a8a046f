"""Takes what waits and has it measured: one thread a worker process, and one that settles what is to be kept."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from knurlsight.bench import submissions
from knurlsight.bench.measuring import Answered, NoRoom, Refusal, Task, measure_photos
from knurlsight.bench.pool import TASK_SECONDS, Died, Measure, Worker
from knurlsight.bench.setups import setup_text_of
from knurlsight.bench.state import BenchFolder
from knurlsight.bench.submissions import MOST_ATTEMPTS, Submission

LOG = logging.getLogger("knurlsight.bench")

LOOK_S = 0.5
ROOM_S = 3.0
SWEEP_S = 3600.0


class Dispatch:
    """Workers on the queue of a bench folder.

    Parameters
    ----------
    folder : BenchFolder
    count : int
        Worker processes.
    settle : callable
        Called twice a second: puts into the records what is due.
    measure : callable
        What a worker does with a task; importable by name.
    seconds : float
        Time that a task may take.
    """

    def __init__(
        self,
        folder: BenchFolder,
        count: int,
        settle: Callable[[], object] = lambda: None,
        measure: Measure = measure_photos,
        seconds: float = TASK_SECONDS,
    ) -> None:
        self.folder = folder
        self.workers = tuple(Worker(measure, seconds) for _ in range(count))
        self._settle = settle
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Take up what was left, and begin."""
        submissions.recover(self.folder)
        submissions.sweep(self.folder)
        for worker in self.workers:
            worker.start()
            self._threads.append(threading.Thread(target=self._serve, args=(worker,), daemon=True))
        self._threads.append(threading.Thread(target=self._tend, daemon=True))
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """Something waits."""
        self._wake.set()

    def leave(self) -> None:
        """Begin nothing more; whoever waits for progress is let go, and comes back by itself."""
        self._stop.set()
        self._wake.set()

    @property
    def leaving(self) -> bool:
        """Whether the bench is about to stop."""
        return self._stop.is_set()

    def stop(self) -> None:
        """End the workers; what they were at waits on disk for the next start."""
        self.leave()
        for worker in self.workers:
            worker.stop()
        for thread in self._threads:
            thread.join(15)

    def _serve(self, worker: Worker) -> None:
        while not self._stop.is_set():
            this: Submission | None = None
            try:
                self._wake.clear()  # before looking: what comes after the look must not be missed
                this = submissions.begin_next(self.folder)
                if this is None:
                    self._wake.wait(LOOK_S)
                    continue
                self._one(worker, this)
            except Exception as e:  # the queue must go on
                LOG.warning("the queue met %s: %s", type(e).__name__, e)
                self._let_wait(this)

    def _let_wait(self, this: Submission | None, trouble: str = NoRoom.trouble) -> None:
        """Let it wait again; while the disk is full, not even that can be written down."""
        while not self._stop.wait(ROOM_S):
            try:
                if this is not None:
                    submissions.postpone(self.folder, this, trouble)
                return
            except Exception as e:
                LOG.warning("the queue met %s: %s", type(e).__name__, e)

    def _one(self, worker: Worker, this: Submission) -> None:
        asked = this.asked
        task = Task(
            submissions.folder_of(self.folder, this),
            asked.photos,
            asked.named,
            setup_text_of(self.folder, asked.setup),
            asked.scale,
            asked.units,
            asked.turned,
        )
        answer = worker.run(task)
        if self._stop.is_set() and isinstance(answer, Died):
            return  # it stays as being worked on; the next start takes it up
        match answer:
            case Answered(verdict, part, why, seconds):
                submissions.finish(self.folder, this, seconds=seconds, verdict=verdict, part=part, why=why)
                LOG.info("measured in %.1f s: %s", seconds, verdict or "not judged")
            case Refusal(trouble):
                submissions.give_up(self.folder, this, trouble)
                LOG.info("a photo could not be measured")
            case NoRoom(trouble):
                LOG.warning("%s", trouble)
                self._let_wait(this, trouble)
            case Died(words):
                LOG.warning("a worker was lost: %s", words)
                if this.attempts < MOST_ATTEMPTS:
                    submissions.put_back(self.folder, this)
                else:
                    submissions.give_up(self.folder, this, f"measuring was cut short twice: {words}")

    def _tend(self) -> None:
        """Settle what is due, and sweep once an hour."""
        rounds = 0
        while not self._stop.wait(LOOK_S):
            try:
                self._settle()
                rounds += 1
                if rounds * LOOK_S >= SWEEP_S:
                    submissions.sweep(self.folder)
                    rounds = 0
            except Exception as e:
                LOG.warning("keeping met %s: %s", type(e).__name__, e)
