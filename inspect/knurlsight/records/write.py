"""Add to the records: every function appends one entry to one book and returns it; nothing is ever overwritten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from knurlsight.errors import RecordError
from knurlsight.exchange.inspected import read_result
from knurlsight.records.chain import Book, Entry, EntryKind, canonical, chained
from knurlsight.records.facts import (
    BenchFacts,
    CorrectionFacts,
    DispositionFacts,
    Facts,
    JobFacts,
    OperationFacts,
    WheelFacts,
    facts_from,
)
from knurlsight.records.photos import Picture, bring_in, read_picture
from knurlsight.records.search import search_row
from knurlsight.records.shape import check_shape
from knurlsight.records.signature import Signature, sign
from knurlsight.records.store import Store, told
from knurlsight.records.tables import book, entry, search
from knurlsight.records.wording import first_line, job_number, long_text, short_text, shown

#: Which facts a correction of an entry of that kind may set.
CORRECTABLE: dict[str, type[Facts]] = {
    "job": JobFacts,
    "operation": OperationFacts,
    "inspection": BenchFacts,
    "disposition": DispositionFacts,
    "wheel": WheelFacts,
}


def new_job(store: Store, number: str, facts: JobFacts | None = None, signed: Signature | None = None) -> Entry:
    """Open a job.

    Raises
    ------
    RecordError
        The number is none, or taken.
    StoreError
    """
    name = job_number(number)
    given = facts or JobFacts()
    words = "opened" + "".join(f", {what}" for what in (given.part, given.customer) if what)
    with store.writing() as connection:
        found = find_book(connection, Book("job", name))
        if found is not None:
            raise RecordError(f"job {name} is there already", hint=f"knurlsight job show {name}")
        return _append(connection, Book("job", name), "job", signed, given.stated(), words=words)


def add_operation(store: Store, job: str, op: str, facts: OperationFacts, signed: Signature | None = None) -> Entry:
    """Describe an operation of a job; a later one with the same name replaces it from then on.

    Raises
    ------
    RecordError
        No such job.
    StoreError
    """
    name = short_text("--op", op)
    words = ", ".join([f"operation {name}", *(w for w in (facts.words, facts.machine, facts.holder) if w)])
    with store.writing() as connection:
        return _append(connection, _known(connection, job), "operation", signed, facts.stated(), op=name, words=words)


def attach(
    store: Store,
    job: str,
    result: Mapping[str, Any],
    photos: Sequence[Path | Picture],
    annotated: Path | Picture | None = None,
    *,
    op: str = "",
    bench: BenchFacts | None = None,
    note: str = "",
    signed: Signature | None = None,
) -> Entry:
    """Keep an inspection with its job: result, photos and what was typed at the bench.

    Parameters
    ----------
    store : Store
    job : str
        Its number.
    result : mapping
        The whole result file, as `result.ResultFile` has it.
    photos : sequence of Path or Picture
        The photos that it was measured from: those whose hashes it names, all of them.
    annotated : Path or Picture, optional
        The picture with the findings drawn.
    op, note : str
        Operation, and a remark; may be empty.
    bench : BenchFacts, optional
    signed : Signature, optional
        Login name and now unless given.

    Returns
    -------
    Entry
        Its body: ``result``, ``photos`` (list of role, name, sha256, bytes), ``bench``, ``note``.

    Raises
    ------
    RecordError
        No such job; a photo that the result does not name, or one that it names and that is not given.
    StoreError
    """
    read_result(result, "the result")
    pictures = [p if isinstance(p, Picture) else read_picture(p) for p in photos]
    _check_same(result, pictures)
    kept = [("photo", p) for p in pictures]
    if annotated is not None:
        kept.append(("annotated", annotated if isinstance(annotated, Picture) else read_picture(annotated)))
    body = {
        "result": dict(result),
        "photos": [
            {"role": role, "name": _plain_name(p.name), "sha256": p.sha256, "bytes": len(p.data)} for role, p in kept
        ],
        "bench": (bench or BenchFacts()).stated(),
        "note": long_text("--note", note) if note else "",
    }
    name = short_text("--op", op) if op else ""
    signed = signed or sign()
    verdict = str(result.get("verdict") or "")
    words = inspection_words(result)
    with store.reading() as connection:  # before any photo is written
        _known(connection, job)
    with told(store.place):
        incoming = bring_in(store.photos, [p for _, p in kept])
    try:
        with store.writing() as connection:
            made = _append(
                connection,
                _known(connection, job),
                "inspection",
                signed,
                body,
                op=name,
                verdict=verdict,
                words=words,
            )
            incoming.settle()
    finally:
        incoming.discard()
    return made


def add_note(store: Store, job: str, text: str, about: int | None = None, signed: Signature | None = None) -> Entry:
    """Write a note to a job, or to the entry `about` of it.

    Raises
    ------
    RecordError
        No such job or entry, no text.
    StoreError
    """
    body: dict[str, Any] = {"text": long_text("the note", text)}
    with store.writing() as connection:
        known = _known(connection, job)
        op = ""
        if about is not None:
            _, op = _known_entry(connection, known, about)
            body["about"] = about
        return _append(connection, known, "note", signed, body, op=op, words=first_line(body["text"]))


def dispose(store: Store, job: str, facts: DispositionFacts, signed: Signature | None = None) -> Entry:
    """Say what is done with a job, or with the part of one of its inspections.

    Raises
    ------
    RecordError
        No such job or inspection; no reason where one is needed (all but accept).
    StoreError
    """
    if facts.why is None and facts.decision != "accept":
        raise RecordError(f"{facts.decision}: say why", hint=f'knurlsight job dispose {job} {facts.decision} --why "…"')
    words = facts.decision + (f": {first_line(facts.why)}" if facts.why else "")
    with store.writing() as connection:
        known = _known(connection, job)
        op = ""
        if facts.about is not None:
            kind, op = _known_entry(connection, known, facts.about)
            if kind != "inspection":
                raise RecordError(f"job {known.name} entry {facts.about} is a {kind}, not an inspection")
        body = facts.stated()
        return _append(connection, known, "disposition", signed, body, op=op, verdict=facts.decision, words=words)


def correct(
    store: Store, book: Book | str, about: int, facts: CorrectionFacts, signed: Signature | None = None
) -> Entry:
    """Correct an entry by a new one: other values, or the word that it does not count.

    Parameters
    ----------
    store : Store
    book : Book or str
        A job's number, or the book of a wheel.
    about : int
        Number of the entry.
    facts : CorrectionFacts
    signed : Signature, optional

    Raises
    ------
    RecordError
        No such job or entry; a value that an entry of its kind does not have; nothing to correct.
    StoreError
    """
    with store.writing() as connection:
        known = _known(connection, book)
        kind, op = _known_entry(connection, known, about)
        if not facts.values and not facts.withdrawn:
            raise RecordError("nothing to correct: give a value, or withdraw the entry", hint="--set quantity=40")
        values: dict[str, Any] = {}
        if facts.values:
            model = CORRECTABLE.get(kind)
            if model is None:
                raise RecordError(f"entry {about} is a {kind}: it can only be withdrawn", hint="--withdraw")
            values = facts_from(model, facts.values).stated()
        body = {"about": about, "values": values, "withdrawn": facts.withdrawn, "why": facts.why}
        what = "withdrawn" if facts.withdrawn else ", ".join(f"{k} {v}" for k, v in values.items())
        words = first_line(f"entry {about}: {what}; {facts.why}")
        return _append(connection, known, "correction", signed, body, op=op, words=words)


def add_wheel_facts(store: Store, label: str, facts: WheelFacts, signed: Signature | None = None) -> Entry:
    """Write down what was measured of a wheel, or how many parts it has rolled; the first time makes its book.

    Raises
    ------
    RecordError
        The label is no line of text.
    StoreError
    """
    name = short_text("the wheel's label", label)
    stated = facts.stated()
    measured = [
        f"{key.removesuffix('_mm').replace('_', ' ')} {value}{' mm' if key.endswith('_mm') else ''}"
        for key, value in stated.items()
    ]
    words = ", ".join(measured) or "named"
    with store.writing() as connection:
        return _append(connection, Book("wheel", name), "wheel", signed, stated, words=words)


def inspection_words(result: Mapping[str, Any]) -> str:
    """An inspection in one line: how many parts, and the first reason."""
    parts = result.get("parts") or ()
    several = f"{len(parts)} parts; " if len(parts) > 1 else ""
    reasons = result.get("reasons") or ()
    return several + first_line(" ".join(str(reasons[0]).split()) if reasons else "all limits kept")


def _plain_name(name: str) -> str:
    """A file's name as it can be shown: bytes that are no text, and control characters, become question marks."""
    readable = name.encode("utf-8", "replace").decode()
    return "".join(c if c.isprintable() else "?" for c in readable)[:120]


def _check_same(result: Mapping[str, Any], pictures: Sequence[Picture]) -> None:
    """The photos are those that the result was measured from."""
    named = {str(p["sha256"]): str(p["file"]) for p in result["photos"]}
    given = {p.sha256: p.name for p in pictures}
    for sha256, name in given.items():
        if sha256 not in named:
            raise RecordError(
                f"{name}: the result was not measured from this file (it names {', '.join(named.values()) or 'none'})"
            )
    missing = [name for sha256, name in named.items() if sha256 not in given]
    if missing:
        raise RecordError(f"the result was measured from {', '.join(missing)} too; give every photo")


def _append(
    connection: sa.Connection,
    at: Book,
    kind: EntryKind,
    signed: Signature | None,
    body: Mapping[str, Any],
    *,
    op: str = "",
    verdict: str = "",
    words: str = "",
) -> Entry:
    """Add one entry at the end of a book, which is made where it is missing."""
    book_id = find_book(connection, at, lock=True)
    if book_id is None:
        book_id = new_book(connection, at)
    last = connection.execute(
        sa.select(entry.c.number, entry.c.hash)
        .where(entry.c.book_id == book_id)
        .order_by(entry.c.number.desc())
        .limit(1)
    ).first()
    number, previous = (last.number + 1, last.hash) if last is not None else (1, "")
    signed = signed or sign()
    signature = (signed.who, signed.at, signed.zone)
    try:
        made = chained(at, number, previous, kind, signature, body, op=op, verdict=verdict, words=words)
    except (ValueError, TypeError, RecursionError) as e:  # a number that is not finite, or no JSON at all
        raise RecordError(f"{at.kind} {at.name}: holds what cannot be kept ({e})") from e
    check_shape(made)
    keep(connection, book_id, made)
    return made


def keep(connection: sa.Connection, book_id: int, made: Entry) -> None:
    """Write an entry and its line in the search, as they are."""
    columns = {
        name: getattr(made, name)
        for name in ("number", "kind", "op", "who", "at", "zone", "verdict", "words", "previous", "hash")
    }
    entry_id = connection.execute(
        sa.insert(entry).values(book_id=book_id, body=canonical(made.body), **columns).returning(entry.c.id)
    ).scalar_one()
    connection.execute(sa.insert(search).values(rowid=entry_id, **search_row(made)))


def new_book(connection: sa.Connection, at: Book) -> int:
    made: int = connection.execute(sa.insert(book).values(kind=at.kind, name=at.name).returning(book.c.id)).scalar_one()
    return made


def find_book(connection: sa.Connection, at: Book, *, lock: bool = False) -> int | None:
    """Its id; locked until the end of the transaction where a database has several writers at a time."""
    query = sa.select(book.c.id).where(book.c.kind == at.kind, book.c.name == at.name)
    found: int | None = connection.execute(query.with_for_update() if lock else query).scalar()
    return found


def _known(connection: sa.Connection, at: Book | str) -> Book:
    known = at if isinstance(at, Book) else Book("job", job_number(at))
    if find_book(connection, known) is None:
        raise missing_book(known)
    return known


def missing_book(at: Book) -> RecordError:
    """What to say of a job or wheel that is not there."""
    if at.kind == "job":
        return RecordError(f"no job {at.name} is kept here", hint=f"knurlsight job new {at.name}, or job list")
    return RecordError(f"no wheel {shown(at.name)} is kept here", hint="knurlsight job wheel lists them")


def _known_entry(connection: sa.Connection, at: Book, number: int) -> tuple[str, str]:
    """Kind and operation of an entry."""
    query = (
        sa.select(entry.c.kind, entry.c.op)
        .join(book, book.c.id == entry.c.book_id)
        .where(book.c.kind == at.kind, book.c.name == at.name, entry.c.number == number)
    )
    found = connection.execute(query).first() if 0 < number < 2**31 else None
    if found is None:
        raise RecordError(
            f"{at.kind} {at.name} has no entry {shown(str(number))}", hint=f"knurlsight job show {at.name}"
        )
    return found.kind, found.op
