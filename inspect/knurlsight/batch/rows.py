"""The file of a batch's rows: appended as they come, each on disk before the next, to go on with after a stop."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from io import RawIOBase
from pathlib import Path
from types import TracebackType

from knurlsight.batch.job import Job, Row, job_sha256, sizes_of
from knurlsight.errors import OutputError

#: How every row begins; what else a file ends with is not ours to cut off.
ROW_START = b'{"id":'


class Done:
    """What earlier runs measured: the last row of each id, and whether it still holds for a job."""

    def __init__(self, rows: Mapping[str, Row] | None = None) -> None:
        self.rows = dict(rows or {})

    def row(self, job: Job) -> Row | None:
        """The row of a job that need not be measured again: same question, same photos.

        Size and time of change tell photos apart as they do for `make`; where they differ, the content decides.
        """
        row = self.rows.get(job.id)
        if row is None or row.request != job.ask.request or not row.sizes:
            return None
        sizes = sizes_of(job.photos)
        if sizes == row.sizes or (sizes and job_sha256(job) == row.sha256):
            return row
        return None


def rows_in(path: Path) -> Iterator[Row]:
    """Rows of a file, one after the other; a last line cut short by an interruption is left out.

    Raises
    ------
    OutputError
        The file cannot be read, or holds something else.
    """
    if not path.is_file():
        raise OutputError(f"{path}: is not a file of rows", hint="name a file that --jsonl has written")
    try:
        with path.open("rb") as file:
            for number, line in enumerate(file, 1):
                if not line.endswith(b"\n"):
                    if not (line.startswith(ROW_START) or ROW_START.startswith(line)):
                        raise OutputError(f"{path}: is not a file of a batch", hint="name another file for --jsonl")
                    return
                yield _row(line, path, number)
    except OSError as e:
        raise OutputError(f"{path}: cannot be read ({e.strerror or e})", hint="check the permissions") from e


def _row(line: bytes, path: Path, number: int) -> Row:
    try:
        fields = json.loads(line)
        row = Row(**fields)
        sizes = tuple((int(a), int(b)) for a, b in row.sizes)
        if not (isinstance(row.id, str) and isinstance(row.result, dict | None)):
            raise TypeError
        return Row(**{**fields, "photos": tuple(map(str, row.photos)), "sizes": sizes})
    except (ValueError, TypeError) as e:
        raise OutputError(f"{path}: line {number} is not a row of a batch", hint="name another file for --jsonl") from e


def read_done(path: Path, requests: Iterable[str], seen: Callable[[Row], None] = lambda row: None) -> Done:
    """What an earlier run wrote, to go on with; a last line cut short is cut off.

    Parameters
    ----------
    path : Path
        A file that need not exist.
    requests : iterable of str
        What is asked this time: rows of other questions are refused, not mixed in.
    seen : callable
        Is given every whole row as it is read.

    Raises
    ------
    OutputError
        The file holds something else, or rows of another setup, scale or version.
    """
    if not path.is_file():
        return Done()  # nothing yet, or a pipe, which cannot be gone on with
    asked = set(requests)
    rows: dict[str, Row] = {}
    for row in rows_in(path):
        if row.request not in asked:
            raise OutputError(
                f"{path}: holds rows of another setup, scale or version, which cannot be mixed with these",
                hint="name another file for --jsonl",
            )
        seen(row)
        rows[row.id] = without_result(row)
    _cut_broken_line(path)
    return Done(rows)


def without_result(row: Row) -> Row:
    """The row with its bulk left out: a million of them fit into memory."""
    return Row(**{**vars(row), "result": None})


def _cut_broken_line(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(0, os.SEEK_END)
        end = file.tell()
        while end:
            begin = max(0, end - 65536)
            file.seek(begin)
            newline = file.read(end - begin).rfind(b"\n")
            if newline >= 0:
                end = begin + newline + 1
                break
            end = begin
        file.truncate(end)


class RowFile:
    """Appends rows to a file, each on disk before the next; standard output for ``-``, nowhere for None.

    Raises
    ------
    OutputError
        Another run writes to the file at this moment.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.file: RawIOBase | None = None

    def __enter__(self) -> RowFile:
        if self.path is not None and str(self.path) != "-":
            try:
                self.file = self.path.open("ab", buffering=0)
            except OSError as e:
                raise OutputError(f"{self.path}: cannot be written ({e.strerror or e})") from e
            self._lock()
        return self

    def _lock(self) -> None:
        """Two runs on one file would measure everything twice. Where there are no such locks, the user must know."""
        with contextlib.suppress(ImportError):
            import fcntl

            assert self.file is not None
            try:
                fcntl.flock(self.file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as e:
                self.file.close()
                raise OutputError(
                    f"{self.path}: another run is writing to it", hint="wait for it, or name another file for --jsonl"
                ) from e
            except OSError:
                pass  # a file system without locks

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, trace: TracebackType | None) -> None:
        if self.file is not None:
            with contextlib.suppress(OSError):
                self.file.close()

    def append(self, row: Row) -> None:
        """Write one row.

        Raises
        ------
        OutputError
            The disk is full or gone; what was written before stays.
        """
        from knurlsight.commands.inspect_command import say

        if self.path is None:
            return
        if self.file is None:
            say(row.line().rstrip("\n"))
            return
        begin = self.file.tell() if self.path.is_file() else None
        left = row.line().encode()
        try:
            while left:  # a disk that runs full takes a part first
                left = left[self.file.write(left) or 0 :]
            if begin is not None:
                os.fsync(self.file.fileno())
        except OSError as e:
            with contextlib.suppress(OSError):  # if this fails too, the next run cuts the broken line off
                if begin is not None:
                    self.file.truncate(begin)
            raise OutputError(
                f"{self.path}: cannot be written ({e.strerror or e}); the rows before stay",
                hint="make room, then give the same command again",
            ) from e
