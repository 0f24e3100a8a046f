"""A folder of photos, one part each: every photo is one row of a file that can be gone on with after an interruption.

Rows are appended as they come, each on disk before the next is counted. A row is known by the photo's content and by
what was asked (setup, scale, version), so a second run measures only what is missing.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from photoscale.errors import PhotoscaleError

from knurlsight.bug_report import bug_words
from knurlsight.errors import KnurlsightError, OutputError

#: How every row begins; what else a file ends with is not ours to cut off.
ROW_START = b'{"photo":'
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")


@dataclass(frozen=True)
class Job:
    """One photo to inspect."""

    photo: str
    path: Path


@dataclass(frozen=True)
class Row:
    """One photo's answer.

    Attributes
    ----------
    photo : str
        Path below the folder.
    sha256 : str
        Of the file; empty when it could not be read.
    request : str
        Hash of what was asked.
    verdict : str or None
        ``"pass"``, ``"fail"``, ``"cannot_tell"``, ``"unreadable"``, or None without a setup.
    error : str
        Why it is unreadable.
    result : dict or None
        The result file.
    """

    photo: str
    sha256: str
    request: str
    verdict: str | None
    error: str
    result: dict[str, Any] | None

    def line(self) -> str:
        """The row as one line of JSON."""
        return json.dumps(vars(self), ensure_ascii=False, separators=(",", ":")) + "\n"


def photos_below(folder: Path) -> tuple[Job, ...]:
    """Every photo in a folder and the folders below, by name; hidden ones and links to folders are left out.

    Raises
    ------
    KnurlsightError
        There is none.
    """
    jobs: list[Job] = []
    for here, folders, files in os.walk(folder, followlinks=False):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(files):
            path = Path(here) / name
            if path.suffix.lower() in SUFFIXES and not name.startswith("."):
                jobs.append(Job(path.relative_to(folder).as_posix(), path))
    if not jobs:
        raise KnurlsightError(f"{folder}: no photo in it ({', '.join(SUFFIXES)})", hint="name the folder of the photos")
    return tuple(jobs)


def request_hash(setup_hash: str, words: Sequence[str]) -> str:
    """Identity of what is asked of every photo: setup, scale words, version."""
    text = "\n".join([version("knurlsight"), setup_hash, *words])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def read_rows(path: Path, request: str) -> dict[str, Row]:
    """Rows of an earlier run by photo and content; a last line cut short by an interruption is cut off.

    Raises
    ------
    OutputError
        The file holds something else, or rows of another setup, scale or version.
    """
    if not path.exists():
        return {}
    data = path.read_bytes()
    whole = data[: data.rfind(b"\n") + 1]
    rows: dict[str, Row] = {}
    for number, line in enumerate(whole.splitlines(), 1):
        try:
            row = Row(**json.loads(line))
        except (ValueError, TypeError) as e:
            raise OutputError(
                f"{path}: line {number} is not a row of a batch", hint="name another file for --jsonl"
            ) from e
        if row.request != request:
            raise OutputError(
                f"{path}: holds rows of another setup, scale or version, which cannot be mixed with these",
                hint="name another file for --jsonl",
            )
        rows[f"{row.photo}\n{row.sha256}"] = row
    rest = data[len(whole) :]
    if rest and not (rest.startswith(ROW_START) or ROW_START.startswith(rest)):
        raise OutputError(f"{path}: is not a file of a batch", hint="name another file for --jsonl")
    if rest:
        with path.open("r+b") as file:
            file.truncate(len(whole))
    return rows


def run_folder(
    jobs: Sequence[Job],
    inspect: Callable[[Path], tuple[str | None, dict[str, Any]]],
    request: str,
    executor: Executor | None,
    workers: int,
    done: dict[str, Row],
) -> Iterator[tuple[Row, bool]]:
    """Inspect photos side by side; yields each row as it comes, and whether it is new.

    Parameters
    ----------
    jobs : sequence of Job
    inspect : callable
        Path → verdict and result.
    request : str
        From `request_hash`.
    executor : Executor or None
        None: this process does the work.
    workers : int
        At most this many photos and one more are in memory.
    done : dict
        From `read_rows`: photos that need not be measured again.
    """
    waiting: set[Future[Row]] = set()
    left: Iterable[Job] = iter(jobs)
    for job in left:
        earlier = done.get(f"{job.photo}\n{_sha256(job.path)}") if done else None
        if earlier is not None:
            yield earlier, False
            continue
        if executor is None:
            yield _one(job, inspect, request), True
            continue
        waiting.add(executor.submit(_one, job, inspect, request))
        if len(waiting) > workers:
            finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                yield future.result(), True
    while waiting:
        finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
        for future in finished:
            yield future.result(), True


def _one(job: Job, inspect: Callable[[Path], tuple[str | None, dict[str, Any]]], request: str) -> Row:
    """One photo's row; a photo that cannot be read is a row that says so, and the batch goes on."""
    try:
        verdict, result = inspect(job.path)
    except (PhotoscaleError, KnurlsightError) as e:
        return Row(job.photo, _sha256(job.path), request, "unreadable", str(e), None)
    except MemoryError:
        # not a bug, and the next photo may be smaller
        return Row(job.photo, _sha256(job.path), request, "unreadable", "the machine ran out of memory", None)
    except Exception as e:  # a bug of ours must not cost the thousand photos behind this one
        return Row(job.photo, _sha256(job.path), request, "unreadable", bug_words(e), None)
    return Row(job.photo, result["photos"][0]["sha256"], request, verdict, "", result)


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
