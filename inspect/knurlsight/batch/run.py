"""Many jobs side by side: rows as they come, at most so many in flight, no worker's death the end of the batch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait

from knurlsight.batch.job import Job, Row, inspect_job, no_row
from knurlsight.batch.rows import Done
from knurlsight.batch.workers import Pool

#: Jobs handed out for each worker: one that it works at, one that it finds ready.
AHEAD = 2
#: Seconds between looks at what has finished, while no new photo comes.
PATIENCE = 0.2
#: A photo that ends its worker so often, with nothing beside it, is given up.
TRIES = 2
DIED = "a worker was ended from outside while it measured this photo, twice, as happens when memory runs out"


def run_jobs(
    jobs: Iterable[Job | None], pool: Pool, done: Done | None = None, *, send: bool = False
) -> Iterator[tuple[Row, bool]]:
    """Inspect parts side by side; yields each row as it comes, and whether it is new.

    Parameters
    ----------
    jobs : iterable of Job or None
        Taken one by one, never all at once; None says that there is nothing new just now.
    pool : Pool
    done : Done, optional
        What need not be measured again.
    send : bool
        Send the photos' bytes to the workers, which cannot read the files.
    """
    earlier = done or Done()
    waiting: dict[Future[Row], Job] = {}
    for job in jobs:
        if job is None:
            yield from _finished(waiting, pool, send, timeout=PATIENCE)
            continue
        row = earlier.row(job)
        if row is not None:
            yield row, False
            continue
        _hand_out(job, waiting, pool, send)
        while len(waiting) >= AHEAD * pool.count:
            yield from _finished(waiting, pool, send)
    while waiting:
        yield from _finished(waiting, pool, send)


def _hand_out(job: Job, waiting: dict[Future[Row], Job], pool: Pool, send: bool) -> None:
    sent: tuple[bytes, ...] = ()
    future: Future[Row]
    try:
        if send:
            sent = tuple(path.read_bytes() for path in job.photos)
        future = pool.submit(inspect_job, job, sent)
    except OSError as e:
        future = Future()
        future.set_result(no_row(job, f"{e.filename}: cannot be read ({e.strerror})"))
    except BrokenExecutor as e:
        future = Future()
        future.set_exception(e)
    waiting[future] = job


def _finished(
    waiting: dict[Future[Row], Job], pool: Pool, send: bool, timeout: float | None = None
) -> Iterator[tuple[Row, bool]]:
    """Rows of what has finished; where a worker died, everything that was in flight is measured again, one by one."""
    finished, _ = wait(waiting, timeout, return_when=FIRST_COMPLETED)
    suspects: list[Job] = []
    for future in finished:
        job = waiting.pop(future)
        try:
            yield future.result(), True
        except BrokenExecutor:
            suspects.append(job)
    if not suspects:
        return
    # a broken pool breaks all that it had: any of them may be the one
    others, _ = wait(waiting)
    for future in others:
        job = waiting.pop(future)
        try:
            yield future.result(), True
        except BrokenExecutor:
            suspects.append(job)
    pool.restart()
    for job in suspects:
        yield _alone(job, pool, send), True


def _alone(job: Job, pool: Pool, send: bool) -> Row:
    """A job measured with nothing beside it, so that a worker's death is its own."""
    for _ in range(TRIES):
        alone: dict[Future[Row], Job] = {}
        _hand_out(job, alone, pool, send)
        try:
            return next(iter(alone)).result()
        except BrokenExecutor:
            pool.restart()
    return no_row(job, DIED)
