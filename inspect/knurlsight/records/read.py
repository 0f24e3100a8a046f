"""Read the records: a book's entries, the list of jobs, the last hash, a kept photo."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from knurlsight.errors import StoreError
from knurlsight.records.chain import Book, Entry, chain_faults, is_whole
from knurlsight.records.corrections import as_corrected, withdrawn
from knurlsight.records.facts import JobFacts
from knurlsight.records.photos import photo_path, stand_in
from knurlsight.records.store import Store
from knurlsight.records.tables import book, entry
from knurlsight.records.wording import job_number
from knurlsight.records.write import missing_book


@dataclass(frozen=True)
class Job:
    """A job in short.

    Attributes
    ----------
    number : str
    facts : JobFacts
        As they are now, with all corrections.
    entries, inspections : int
        Withdrawn inspections are not counted.
    verdicts : tuple of (str, int)
        How many inspections that count have which verdict; "" for those without a setup.
    first_at, last_at : str
        When it was opened, and when the last entry was written; UTC.
    damaged : bool
        What it is about cannot be told: an entry was changed since it was written.
    """

    number: str
    facts: JobFacts
    entries: int
    inspections: int
    verdicts: tuple[tuple[str, int], ...]
    first_at: str
    last_at: str
    damaged: bool = False


@dataclass(frozen=True)
class Jobs:
    """The jobs last worked on, and how many there are in all."""

    jobs: tuple[Job, ...]
    total: int


def entries(store: Store, at: Book | str) -> tuple[Entry, ...]:
    """All entries of a job (by its number) or of a wheel's book, in order, as they were written.

    Raises
    ------
    RecordError
        No such job or wheel.
    StoreError
        Also where an entry is damaged.
    """
    known = at if isinstance(at, Book) else Book("job", job_number(at))
    query = (
        sa.select(entry)
        .join(book, book.c.id == entry.c.book_id)
        .where(book.c.kind == known.kind, book.c.name == known.name)
        .order_by(entry.c.number)
    )
    with store.reading() as connection:
        rows = connection.execute(query).all()
    if not rows:
        raise missing_book(known)
    return entries_from_rows(known, rows)


def head(store: Store, job: str) -> str:
    """Hash of a job's last entry: what stands on its reports.

    Raises
    ------
    RecordError
        No such job.
    StoreError
    """
    known = Book("job", job_number(job))
    query = (
        sa.select(entry.c.hash)
        .join(book, book.c.id == entry.c.book_id)
        .where(book.c.kind == known.kind, book.c.name == known.name)
        .order_by(entry.c.number.desc())
        .limit(1)
    )
    with store.reading() as connection:
        found: str | None = connection.execute(query).scalar()
    if found is None:
        raise missing_book(known)
    return found


def jobs(store: Store, limit: int = 50) -> Jobs:
    """The jobs last worked on, newest first.

    Raises
    ------
    StoreError
    """
    last = sa.func.max(entry.c.at).label("last_at")
    newest = (
        sa.select(book.c.id, book.c.name, sa.func.min(entry.c.at).label("first_at"), last, sa.func.count().label("n"))
        .join(entry, entry.c.book_id == book.c.id)
        .where(book.c.kind == "job")
        .group_by(book.c.id, book.c.name)
        .order_by(last.desc(), book.c.id.desc())
        .limit(limit)
    )
    with store.reading() as connection:
        rows = connection.execute(newest).all()
        ids = [row.id for row in rows]
        counts = Counter(_pairs(connection, entry.c.book_id.in_(ids)))
        opened = connection.execute(
            sa.select(entry)
            .where(entry.c.book_id.in_(ids), entry.c.kind.in_(("job", "correction")))
            .order_by(entry.c.number)
        ).all()
        written = {row.id: _whole(Book("job", row.name), [o for o in opened if o.book_id == row.id]) for row in rows}
        undone = [(book_id, number) for book_id, those in written.items() for number in withdrawn(those or ())]
        counts -= Counter(_pairs(connection, sa.tuple_(entry.c.book_id, entry.c.number).in_(undone)))
        total = connection.execute(sa.select(sa.func.count()).where(book.c.kind == "job")).scalar_one()
    return Jobs(tuple(_job(row, counts, written[row.id]) for row in rows), total)


def job(store: Store, number: str) -> Job:
    """One job in short.

    Raises
    ------
    RecordError
        No such job.
    StoreError
    """
    return job_of(entries(store, number))


def job_of(written: Sequence[Entry]) -> Job:
    """A job in short, from all of its entries."""
    seen = [c.entry for c in as_corrected(written) if c.entry.kind == "inspection" and not c.withdrawn]
    counts = tuple((v, n) for v in ("pass", "fail", "cannot_tell", "") if (n := sum(e.verdict == v for e in seen)))
    return Job(written[0].book.name, facts_now(written), len(written), len(seen), counts, written[0].at, written[-1].at)


def facts_now(written: Sequence[Entry]) -> JobFacts:
    """What a job is about, with all corrections."""
    for current in as_corrected(written):
        if current.entry.kind == "job":
            return JobFacts.model_validate(dict(current.entry.body))
    return JobFacts()


def wheels(store: Store) -> tuple[str, ...]:
    """Labels of the wheels that have a book, in alphabetical order.

    Raises
    ------
    StoreError
    """
    with store.reading() as connection:
        return tuple(
            connection.execute(sa.select(book.c.name).where(book.c.kind == "wheel").order_by(book.c.name)).scalars()
        )


def photo(store: Store, sha256: str) -> Path:
    """The file of a kept photo, or what stands in for it.

    Raises
    ------
    StoreError
        It is gone.
    """
    path = photo_path(store.photos, sha256)
    if not path.is_file():
        instead = stand_in(store.photos, sha256)
        if instead is not None:
            return instead
        raise StoreError(f"{path}: the photo is gone from the store", hint="knurlsight job verify")
    return path


def entries_from_rows(at: Book, rows: Sequence[sa.Row[Any]]) -> tuple[Entry, ...]:
    """A whole book from its rows, in order, held against its hashes: what was changed is not read as if it were true.

    Raises
    ------
    StoreError
        An entry was changed or is missing.
    """
    faults = chain_faults(at, rows)
    if faults:
        raise StoreError(faults[0], hint="knurlsight job verify finds all that is wrong; go back to the last backup")
    return tuple(parsed_row(at, row) for row in rows)


def parsed_row(at: Book, row: sa.Row[Any]) -> Entry:
    """An entry from its row, not held against its hash.

    Raises
    ------
    ValueError
        Its body is no JSON object.
    """
    body = json.loads(row.body)
    if not isinstance(body, dict):
        raise ValueError(f"{at.kind} {at.name} entry {row.number}: no JSON object")
    columns = (row.number, row.kind, row.op, row.who, row.at, row.zone, row.verdict, row.words)
    return Entry(at, *columns, body, row.previous, row.hash)


def _pairs(connection: sa.Connection, which: sa.ColumnElement[bool]) -> dict[tuple[int, str], int]:
    """How many inspections there are by book and verdict."""
    rows = connection.execute(
        sa.select(entry.c.book_id, entry.c.verdict, sa.func.count())
        .where(which, entry.c.kind == "inspection")
        .group_by(entry.c.book_id, entry.c.verdict)
    )
    return {(book_id, verdict): n for book_id, verdict, n in rows}


def _job(row: sa.Row[Any], counts: Counter[tuple[int, str]], written: Sequence[Entry] | None) -> Job:
    verdicts = tuple((verdict, n) for (book_id, verdict), n in counts.items() if book_id == row.id)
    seen = sum(n for _, n in verdicts)
    facts = facts_now(written or ())
    return Job(row.name, facts, row.n, seen, verdicts, row.first_at, row.last_at, damaged=written is None)


def _whole(at: Book, rows: Sequence[sa.Row[Any]]) -> tuple[Entry, ...] | None:
    """Entries from some rows of a book; None where one of them was changed since it was written."""
    return tuple(parsed_row(at, row) for row in rows) if all(is_whole(at, row) for row in rows) else None
