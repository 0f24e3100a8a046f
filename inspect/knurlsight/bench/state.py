"""What the bench itself must not forget: devices and submissions, in one small SQLite file beside their photos.

Job records are not kept here but in the record store. One connection a call: SQLite opens in a tenth of a millisecond,
and no connection is shared between threads.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from knurlsight.bench.refusals import BenchError

FORMAT = 1

SCHEMA = """
CREATE TABLE device (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('computer', 'phone', 'program')),
    token_hash TEXT UNIQUE,
    made REAL NOT NULL,
    seen REAL NOT NULL,
    expires REAL,
    choice TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE TABLE submission (
    number INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    device TEXT NOT NULL,
    upload TEXT NOT NULL,
    content TEXT NOT NULL,
    asked TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'working', 'done', 'failed')),
    attempts INTEGER NOT NULL DEFAULT 0,
    made REAL NOT NULL,
    seconds REAL,
    verdict TEXT,
    part TEXT NOT NULL DEFAULT '',
    why TEXT NOT NULL DEFAULT '',
    trouble TEXT NOT NULL DEFAULT '',
    UNIQUE (device, upload)
) STRICT;
CREATE INDEX submission_state ON submission (state, number);
CREATE TABLE keep (
    submission TEXT PRIMARY KEY REFERENCES submission (id) ON DELETE CASCADE,
    asked TEXT NOT NULL,
    due REAL NOT NULL,
    begun REAL,
    entry INTEGER,
    trouble TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE setup (
    hash TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    used REAL NOT NULL
) STRICT;
"""


@dataclass(frozen=True)
class BenchFolder:
    """The folder of a bench, with the file names in it."""

    path: Path

    @property
    def database(self) -> Path:
        """Devices and submissions."""
        return self.path / "bench.sqlite"

    @property
    def work(self) -> Path:
        """A folder for each submission."""
        return self.path / "work"

    @contextlib.contextmanager
    def open(self) -> Iterator[sqlite3.Connection]:
        """A transaction: committed at the end, rolled back on any error."""
        connection = sqlite3.connect(self.database, timeout=10, isolation_level=None)
        try:
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA synchronous = FULL")  # an upload that was answered outlasts a power cut
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        finally:
            connection.close()

    @contextlib.contextmanager
    def look(self) -> Iterator[sqlite3.Connection]:
        """A connection to read with; writers are not held up."""
        connection = sqlite3.connect(self.database, timeout=10, isolation_level=None)
        try:
            connection.row_factory = sqlite3.Row
            yield connection
        finally:
            connection.close()


def bench_folder(path: Path) -> BenchFolder:
    """Open the folder of a bench, made when it is not there.

    Raises
    ------
    BenchError
        It cannot be written, or was made by a newer version.
    """
    folder = BenchFolder(path)
    try:
        folder.work.mkdir(parents=True, exist_ok=True)
        path.chmod(0o700)  # photos of customers' parts, and the hashes of tokens
        connection = sqlite3.connect(folder.database, isolation_level=None)
        try:
            found = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if found > FORMAT:
                raise BenchError(
                    f"{folder.database}: made by a newer version of knurlsight", hint="pip install --upgrade knurlsight"
                )
            # not WAL: its readers must write to a file of their own, and fail when the disk is full
            connection.execute("PRAGMA journal_mode = DELETE")
            if found == 0:
                connection.executescript(f"BEGIN; {SCHEMA} PRAGMA user_version = {FORMAT}; COMMIT;")
        finally:
            connection.close()
    except sqlite3.Error as e:
        raise BenchError(
            f"{folder.database}: cannot be used ({e})", hint="move the file away; job records are not in it"
        ) from e
    except OSError as e:
        raise BenchError(f"{path}: cannot be written ({e.strerror or e})", hint="name another folder: --store") from e
    return folder


@contextlib.contextmanager
def held(folder: BenchFolder) -> Iterator[None]:
    """Hold the folder for this process alone: two servers would both measure what waits.

    Raises
    ------
    BenchError
        Another bench runs on it.
    """
    lock = sqlite3.connect(folder.path / "running.sqlite", timeout=0.2, isolation_level=None)
    try:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as e:
            raise BenchError(
                f"{folder.path}: another bench is running on this folder", hint="stop it first, or name another --store"
            ) from e
        yield
    finally:
        lock.close()


def now() -> float:
    """Seconds since 1970, UTC."""
    return time.time()


def free_bytes(path: Path) -> int:
    """Space left for an ordinary user where `path` lies."""
    if hasattr(os, "statvfs"):
        found = os.statvfs(path)
        return found.f_bavail * found.f_frsize
    import shutil

    return shutil.disk_usage(path).free
