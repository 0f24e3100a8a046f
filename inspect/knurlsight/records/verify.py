"""Hold the store against its own chains: every entry, every photo, every line of the search.

What a chain without a key can and cannot prove stands in `chain`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from knurlsight.errors import RecordError, StoreError
from knurlsight.records.chain import Book, chain_faults
from knurlsight.records.photos import file_hash, kept_photos, original_hash, own_hash, photo_path, stand_in
from knurlsight.records.read import parsed_row
from knurlsight.records.search import search_row
from knurlsight.records.store import Store
from knurlsight.records.tables import SEARCH_COLUMNS, book, entry, search
from knurlsight.records.wording import job_number, shown
from knurlsight.records.write import missing_book

MIN_HEAD = 12


@dataclass(frozen=True)
class Verification:
    """What was looked at and what is wrong.

    Attributes
    ----------
    jobs, entries, photos : int
        How many were held against their hashes.
    faults : tuple of str
        Each names what is wrong and where; empty when all is as it was written.
    remarks : tuple of str
        What is odd but harmless.
    heads : tuple of (str, str)
        Jobs and the hashes of their last entries.
    """

    jobs: int
    entries: int
    photos: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    heads: tuple[tuple[str, str], ...]


@dataclass
class _Findings:
    """Gathered while going through the store."""

    entries: int = 0
    faults: list[str] = field(default_factory=list)
    photos: dict[str, tuple[int, str]] = field(default_factory=dict)
    heads: list[tuple[str, str]] = field(default_factory=list)
    searched: dict[int, dict[str, str]] = field(default_factory=dict)


def verify(store: Store, job: str | None = None, head: str | None = None) -> Verification:
    """Verify one job, or the whole store.

    Parameters
    ----------
    store : Store
    job : str, optional
        Its number; the whole store unless given.
    head : str, optional
        A hash of that job that was kept elsewhere, such as on a printed report; its first 12 digits do.

    Raises
    ------
    RecordError
        No such job; a head that is no hash, or without a job.
    StoreError
        The store cannot be read at all.
    """
    only = Book("job", job_number(job)) if job is not None else None
    if head is not None:
        head = _head_words(head, only)
    found = _Findings()
    with store.reading() as connection:
        if only is None:
            _check_database(connection, store.place.file is not None, found)
        hashes: list[str] = []
        for at, book_id in _books(connection, only):
            hashes = _check_book(connection, at, book_id, found)
        if only is None:
            _check_strays(connection, found)
        _check_search(connection, only, found)
    if only is not None and head is not None:
        _check_head(only, head, hashes, found)
    photos, remarks = _check_photos(store, only, found)
    jobs = len(found.heads)
    return Verification(jobs, found.entries, photos, tuple(found.faults), tuple(remarks), tuple(found.heads))


def _books(connection: sa.Connection, only: Book | None) -> Iterator[tuple[Book, int]]:
    query = sa.select(book.c.id, book.c.kind, book.c.name).order_by(book.c.id)
    if only is not None:
        query = query.where(book.c.kind == only.kind, book.c.name == only.name)
    rows = connection.execute(query).all()
    if only is not None and not rows:
        raise missing_book(only)
    for row in rows:
        yield Book(row.kind, row.name), row.id


def _check_book(connection: sa.Connection, at: Book, book_id: int, found: _Findings) -> list[str]:
    rows = connection.execute(sa.select(entry).where(entry.c.book_id == book_id).order_by(entry.c.number)).all()
    if at.kind not in ("job", "wheel"):
        found.faults.append(f"{shown(at.name)}: neither a job nor a wheel but {shown(at.kind)}: changed")
    if not rows:
        found.faults.append(f"{at.kind} {at.name}: all of its entries are gone")
    found.faults += chain_faults(at, rows)
    found.entries += len(rows)
    for row in rows:
        _note_contents(at, row, found)
    if rows and at.kind == "job":
        found.heads.append((at.name, rows[-1].hash))
    return [row.hash for row in rows]


def _note_contents(at: Book, row: Any, found: _Findings) -> None:
    """Keep in mind which photos an entry names and what the search must hold of it."""
    try:
        made = parsed_row(at, row)
        body = made.body
        for photo in body.get("photos", ()):
            found.photos.setdefault(
                str(photo["sha256"]),
                (int(photo["bytes"]), f"{at.kind} {at.name} entry {row.number}: {photo['role']} {photo['name']}"),
            )
        found.searched[row.id] = search_row(made)
    except (StoreError, ValueError, TypeError, KeyError, AttributeError):
        return  # the chain has told already that this entry was changed


def _check_database(connection: sa.Connection, sqlite: bool, found: _Findings) -> None:
    if not sqlite:
        return
    for check, what in (("integrity_check(20)", "the database"), ("foreign_key_check", "an entry without its book")):
        try:
            rows = connection.exec_driver_sql(f"PRAGMA {check}").all()
        except DBAPIError as e:
            found.faults.append(f"{what}: {e.orig}")
            continue
        found.faults += [f"{what}: {' '.join(str(v) for v in row)}" for row in rows if tuple(row) != ("ok",)]


def _check_strays(connection: sa.Connection, found: _Findings) -> None:
    total = connection.execute(sa.select(sa.func.count()).select_from(entry)).scalar_one()
    if total != found.entries:
        found.faults.append(f"{total - found.entries} entries belong to no job or wheel")


def _check_search(connection: sa.Connection, only: Book | None, found: _Findings) -> None:
    """The search holds what the entries say; else a look for a fault would miss it."""
    wrong = 0
    try:
        kept = {}
        for row in connection.execute(sa.select(search)):
            kept[row.rowid] = {name: getattr(row, name) for name in SEARCH_COLUMNS}
    except DBAPIError as e:
        found.faults.append(f"the search: {e.orig}")
        return
    wrong = sum(kept.get(entry_id) != wanted for entry_id, wanted in found.searched.items())
    if only is None:
        wrong += len(set(kept) - set(found.searched))
    if wrong:
        found.faults.append(f"the search: {wrong} lines differ from the entries that they were made from")


def _check_photos(store: Store, only: Book | None, found: _Findings) -> tuple[int, list[str]]:
    stand_ins = 0
    for sha256, (size, where) in found.photos.items():
        path = photo_path(store.photos, sha256)
        try:
            if not path.is_file() and (instead := stand_in(store.photos, sha256)) is not None:
                stand_ins += 1
                if file_hash(instead) != own_hash(instead.name):
                    found.faults.append(f"{where}: what stands in for it was changed or has rotted ({instead})")
            elif not path.is_file():
                found.faults.append(f"{where}: the file is gone ({path})")
            elif path.stat().st_size != size:
                found.faults.append(f"{where}: the file has {path.stat().st_size} bytes instead of {size} ({path})")
            elif file_hash(path) != sha256:
                found.faults.append(f"{where}: the file was changed or has rotted ({path})")
        except OSError as e:
            found.faults.append(f"{where}: the file cannot be read, {e.strerror} ({path})")
    remarks = []
    if stand_ins:
        remarks.append(
            f"{stand_ins} photos came without place and owner and stand in for their originals: each is as it came, "
            "but that it shows what its original showed is not proven here"
        )
    if only is None:
        strays = {original_hash(name) for name in kept_photos(store.photos)} - set(found.photos)
        if strays:
            remarks.append(
                f"{len(strays)} photos belong to no entry: left by an interrupted attach, or their entries were removed"
            )
    return len(found.photos), remarks


def _head_words(head: str, only: Book | None) -> str:
    text = re.sub(r"\s", "", head).lower()
    if only is None:
        raise RecordError("--head belongs to one job; name it", hint="knurlsight job verify 2041 --head HASH")
    if not re.fullmatch(rf"[0-9a-f]{{{MIN_HEAD},64}}", text):
        raise RecordError(f"--head {shown(head)}: not a hash of {MIN_HEAD} to 64 hexadecimal digits")
    return text


def _check_head(only: Book, head: str, hashes: Sequence[str], found: _Findings) -> None:
    if not any(h.startswith(head) for h in hashes):
        found.faults.append(
            f"job {only.name}: no entry has the hash {head[:12]}…: the end of the record was cut off, or all of it was "
            f"written anew"
        )
