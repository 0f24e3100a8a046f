"""`batch` on a folder or a job list, once or for as long as photos arrive; and on rows that are there already."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from knurlsight.batch.folder import jobs_of, photos_below, scan
from knurlsight.batch.job import Ask, Job, Row, no_row
from knurlsight.batch.job_list import read_job_list
from knurlsight.batch.lines import PartLine, line_of_row
from knurlsight.batch.progress import Progress
from knurlsight.batch.rows import RowFile, read_done, rows_in
from knurlsight.batch.run import run_jobs
from knurlsight.batch.screen import batch_screen
from knurlsight.batch.summary import summarise
from knurlsight.batch.workers import Pool
from knurlsight.commands import batch_outputs
from knurlsight.commands.batch_outputs import Wanted, status_of
from knurlsight.commands.inspect_command import say
from knurlsight.errors import KnurlsightError
from knurlsight.output import STDOUT, check_writable
from knurlsight.records.attach import Ticket, keep_result, kept_photos


@dataclass(frozen=True)
class Run:
    """How a folder or list is gone through."""

    jsonl: Path | None = None
    limit: int | None = None
    fail_fast: bool = False
    only_failed: Path | None = None
    watch: bool = False
    group: str | None = None
    send: bool = False

    @property
    def file(self) -> Path | None:
        """The rows' file; None where they go nowhere or to standard output."""
        return None if self.jsonl is None or str(self.jsonl) == STDOUT else self.jsonl


def batch_folder(
    wanted: Wanted, ask: Ask, run: Run, inputs: Sequence[Path], open_pool: Callable[[Path | None], Pool]
) -> int:
    """Inspect what is not inspected yet, row by row, and sum up all; the exit status.

    `open_pool` is given a photo that the workers must see.
    """
    if run.jsonl is not None:
        check_writable(run.jsonl, [*inputs, *([] if wanted.target.is_dir() else [wanted.target])])
    found, closed = _to_do(wanted.target, ask, run)
    keep_with_job = _keeper(wanted.ticket)
    stopping = _stopping(run.watch)
    lines: dict[str, PartLine] = {}
    earlier: dict[str, PartLine] = {}
    # locked before it is read: two runs on one file would measure everything twice
    with RowFile(run.jsonl) as rows, stopping as stop:
        requests = {job.ask.request for job in found} | {ask.request}
        done = (
            read_done(run.file, requests, lambda row: earlier.update({row.id: line_of_row(row)})) if run.file else None
        )
        what = "parts" if any(len(job.photos) > 1 for job in found) else "photos"
        progress = Progress(None if run.watch else len(found), what)
        every = _arrivals(wanted.target, ask, run, stop) if run.watch else iter(found)
        with open_pool(found[0].photos[0] if found else None) as pool:
            for path, why in closed:
                row = no_row(Job(f"{path}/", (path,), ask), f"{path}: cannot be looked into ({why})")
                lines[row.id] = line_of_row(row)
            for row, is_new in run_jobs(every, pool, done, send=run.send):
                if is_new:
                    rows.append(row)
                lines[row.id] = line_of_row(row) if is_new else earlier[row.id]
                keep_with_job(row)
                progress.show(row.verdict, is_new)
                if run.fail_fast and row.verdict == "fail":
                    break
        progress.end()
    ordered = list(lines.values()) if run.watch else _in_order(lines, found)
    if run.jsonl is None or run.file is not None:
        total = len(lines) if run.watch else len(found) + len(closed)
        say(batch_screen(summarise(ordered, wanted.subgroup), total, wanted.units, what))
    batch_outputs.write(wanted, ordered)
    return status_of(ordered)


def _to_do(target: Path, ask: Ask, run: Run) -> tuple[tuple[Job, ...], tuple[tuple[Path, str], ...]]:
    """What there is to do, and folders that could not be looked into."""
    closed: tuple[tuple[Path, str], ...] = ()
    if target.is_dir():
        folder = scan(target) if run.watch else photos_below(target)
        found, closed = jobs_of(target, folder.photos, ask, run.group), folder.closed
    else:
        found = read_job_list(target, ask)
    if run.only_failed is not None:
        verdicts = {row.id: row.verdict for row in rows_in(run.only_failed)}
        found = tuple(job for job in found if verdicts.get(job.id) in ("fail", "cannot_tell", "unreadable"))
        closed = ()
        if not found:
            raise KnurlsightError(f"{run.only_failed}: no part of {target} is in it that is not a pass")
    return found[: run.limit], closed


def _keeper(ticket: Ticket | None) -> Callable[[Row], None]:
    """What keeps a row with the job, once: also one that an interrupted run measured but did not keep."""
    if ticket is None:
        return lambda row: None
    kept = kept_photos(ticket)

    def keep(row: Row) -> None:
        if row.result is not None and not kept.issuperset(p["sha256"] for p in row.result["photos"]):
            keep_result(ticket, row.result, [Path(photo) for photo in row.photos])

    return keep


def _stopping(watch: bool) -> contextlib.AbstractContextManager[threading.Event]:
    from knurlsight.batch.watch import stopped_by_signals

    return stopped_by_signals() if watch else contextlib.nullcontext(threading.Event())


def _arrivals(folder: Path, ask: Ask, run: Run, stop: threading.Event) -> Iterator[Job | None]:
    """What is there already, then what arrives."""
    from knurlsight.batch.watch import arriving

    count = 0
    typer.echo(f"watching {folder}; Ctrl-C ends it", err=True)
    for path in arriving(folder, stop):
        if stop.is_set():
            return
        if path is None:
            yield None
            continue
        yield from jobs_of(folder, [path], ask)
        count += 1
        if run.limit is not None and count >= run.limit:
            return


def _in_order(lines: dict[str, PartLine], jobs: Sequence[Job]) -> list[PartLine]:
    """Lines in the order of the jobs; what belongs to none, such as a closed folder, last."""
    ordered = {job.id: lines[job.id] for job in jobs if job.id in lines}
    return list((ordered | lines).values())


def sum_up(wanted: Wanted) -> int:
    """The summary again, from rows that were written before; the exit status."""
    by_id = {row.id: line_of_row(row) for row in rows_in(wanted.target)}
    lines = [by_id[part_id] for part_id in sorted(by_id)]
    say(batch_screen(summarise(lines, wanted.subgroup), len(lines), wanted.units, "parts"))
    batch_outputs.write(wanted, lines)
    return status_of(lines)
