"""An open record store: its database and its folder of photos, and what can go wrong with either in plain words."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from knurlsight.errors import StoreError
from knurlsight.records.migrate import stored_version, upgrade
from knurlsight.records.network_folder import network_type
from knurlsight.records.place import Place, find_place
from knurlsight.records.tables import APPLICATION_ID, HEAD

#: How long a writer waits for others before it gives up.
PATIENCE_S = 30.0
NO_RECORDS = "no job records are kept here"
_MAKING_TABLES = 0x4B6E726C  # key of PostgreSQL's lock while tables are made


@dataclass(frozen=True)
class Store:
    """An open store; use it in a ``with`` statement, or close it."""

    place: Place
    engine: sa.Engine

    @property
    def photos(self) -> Path:
        """Folder of the photos."""
        return self.place.photos

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection that sees one moment of the store.

        Raises
        ------
        StoreError
            It cannot be read.
        """
        options = {} if self.place.file is not None else {"isolation_level": "REPEATABLE READ"}
        with told(self.place), self.engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A connection in a transaction that is committed at the end; on SQLite it is the only writer.

        Raises
        ------
        StoreError
            It is locked for too long, read-only, full or damaged; nothing of the transaction is kept then.
        """
        with told(self.place), self.engine.connect().execution_options(writes=True) as connection, connection.begin():
            yield connection

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def open_store(
    place: Place | str | Path | None = None, *, create: bool = False, patience_s: float = PATIENCE_S
) -> Store:
    """Open a store, and bring an older one to this version's tables.

    Parameters
    ----------
    place : Place, str or Path, optional
        See `place.find_place`.
    create : bool
        Make it where there is none; otherwise that is an error.
    patience_s : float
        How long to wait where another program holds it.

    Raises
    ------
    StoreError
        Missing, not a store of ours, newer than this version, damaged, locked, read-only, on a network folder, or a
        server that cannot be reached.
    """
    found = place if isinstance(place, Place) else find_place(place)
    with told(found):
        if found.file is not None:
            _check_folder(found, found.file, create)
        elif not found.photos.is_dir():  # made here it would be on this bench only, where a share is not mounted
            raise StoreError(f"{found.photos}: the folder for the photos is not there", hint=f"mkdir {found.photos}")
    engine = _sqlite(found, patience_s) if found.file is not None else _postgres(found, patience_s)
    store = Store(found, engine)
    try:
        _prepare(store, create)
        with told(found):
            found.photos.mkdir(exist_ok=True)
    except BaseException:
        store.close()
        raise
    return store


def _check_folder(place: Place, file: Path, create: bool) -> None:
    folder = file.parent
    if (kind := network_type(folder)) is not None:
        raise StoreError(
            f"{place.words}: on a network folder ({kind}), where writing from several programs damages a store",
            hint="keep it on this machine and `job backup` it there, or share a PostgreSQL database: postgresql://…",
        )
    if file.exists():
        if not file.is_file():
            raise StoreError(f"{file}: is no file; move it away")
        if not os.access(folder, os.W_OK) or not os.access(file, os.W_OK):
            raise StoreError(
                f"{place.words}: read-only for you", hint="chmod u+w, or copy the folder and name the copy"
            )
        return
    if not create:
        raise StoreError(f"{place.words}: {NO_RECORDS}", hint="knurlsight job new 2041 makes a store")
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{place.words}: is a file; name a folder for the records", hint="--store records")
    folder.mkdir(parents=True, exist_ok=True)
    if not os.access(folder, os.W_OK):
        raise StoreError(f"{place.words}: the folder is read-only for you", hint="name a folder of yours with --store")


def _sqlite(place: Place, patience_s: float) -> sa.Engine:
    engine = sa.create_engine(place.url, connect_args={"timeout": patience_s})

    @sa.event.listens_for(engine, "connect")
    def _connected(raw: Any, _: object) -> None:
        raw.isolation_level = None  # transactions are begun below, not by the driver's own guess
        for pragma in ("synchronous = FULL", "foreign_keys = ON"):
            raw.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def _begun(connection: sa.Connection) -> None:
        # a reader that turns writer half-way would be refused when another has written since
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _postgres(place: Place, patience_s: float) -> sa.Engine:
    try:
        return sa.create_engine(
            place.url,
            connect_args={"connect_timeout": 10, "options": f"-c lock_timeout={int(1000 * patience_s)}"},
        )
    except ImportError as e:
        raise StoreError(
            f"{place.words}: PostgreSQL needs its driver", hint="pip install 'knurlsight[postgres]'"
        ) from e


def _prepare(store: Store, create: bool) -> None:
    """Tables there and of this version, or made, or an error that says why not."""
    with store.reading() as connection:
        if store.place.file is not None:
            mark = connection.exec_driver_sql("PRAGMA application_id").scalar()
            empty = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar() == 0
            if mark != APPLICATION_ID and not empty:
                raise StoreError(f"{store.place.file}: is no store of job records", hint="name its folder with --store")
        at = stored_version(connection)
    if at is None and not create:
        raise StoreError(f"{store.place.words}: {NO_RECORDS}", hint="knurlsight job new 2041 makes a store")
    if store.place.file is not None:
        _write_ahead(store)
    if at == HEAD:
        return
    with store.writing() as connection:
        if store.place.file is None:
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_MAKING_TABLES)))
        else:
            connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        upgrade(connection, store.place.words)


def _write_ahead(store: Store) -> None:
    """Readers do not wait for writers then; the file remembers it, but a copy made by a backup does not have it yet."""
    with outside_transactions(store) as raw:
        if raw.execute("PRAGMA journal_mode").fetchone() != ("wal",):
            raw.execute("PRAGMA journal_mode = WAL")


@contextmanager
def outside_transactions(store: Store) -> Iterator[sqlite3.Connection]:
    """SQLite's own connection, for what cannot be done inside a transaction.

    Raises
    ------
    StoreError
    """
    with told(store.place):
        pooled = store.engine.raw_connection()
        try:
            raw = pooled.driver_connection
            assert isinstance(raw, sqlite3.Connection)
            yield raw
        except sqlite3.Error as e:
            raise _sqlite_error(store.place, e) from e
        finally:
            pooled.close()


@contextmanager
def told(place: Place) -> Iterator[None]:
    """Turns what the database and the disk raise into one line about the store.

    Raises
    ------
    StoreError
    """
    try:
        yield
    except DBAPIError as e:
        raise _database_error(place, e) from e
    except OSError as e:
        raise _disk_error(place, e) from e


def _disk_error(place: Place, e: OSError) -> StoreError:
    if e.errno in (errno.ENOSPC, errno.EDQUOT):
        return _full(place)
    where = e.filename if e.filename is not None else place.words
    return StoreError(f"{where}: {e.strerror or e}", hint="check the folder of the store and its permissions")


def _full(place: Place) -> StoreError:
    return StoreError(
        f"{place.words}: the disk is full; nothing of this entry was kept", hint="make room, then try again"
    )


def _database_error(place: Place, e: DBAPIError) -> StoreError:
    cause = e.orig
    if isinstance(cause, sqlite3.Error):
        return _sqlite_error(place, cause)
    words = " ".join(str(cause).split())
    state = getattr(cause, "sqlstate", None)
    if state in ("55P03", "40001", "40P01"):  # lock not available, serialization failure, deadlock
        return StoreError(f"{place.words}: held by another program for too long", hint="try again")
    if state == "23505":  # unique violation: two opened the same job or wheel
        return StoreError(f"{place.words}: another program wrote the same at the same moment", hint="try again")
    # the driver's words may repeat the connection, never the password
    return StoreError(f"{place.words}: the database says: {words[:200]}", hint="check the URL and the server")


def _sqlite_error(place: Place, e: sqlite3.Error) -> StoreError:
    words = " ".join(str(e).split())
    name = str(getattr(e, "sqlite_errorname", ""))
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreError(
            f"{place.words}: locked by another program for too long", hint="close the other program, then try again"
        )
    if name.startswith("SQLITE_FULL"):
        return _full(place)
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return StoreError(f"{place.words}: cannot be opened for writing", hint="check the permissions of the folder")
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_IOERR")):
        return StoreError(
            f"{place.words}: damaged ({words})", hint="go back to the last `job backup`; keep the damaged folder"
        )
    if "no such module: fts5" in words:
        return StoreError(
            "Python's SQLite has no full-text search (FTS5)", hint="use a Python from python.org or your distribution"
        )
    return StoreError(f"{place.words}: {words[:200]}", hint="knurlsight job verify")
