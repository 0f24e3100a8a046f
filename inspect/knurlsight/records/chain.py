"""The chain: every entry carries the hash of the one before it in its book, so that no change goes unseen.

A book is the record of one job, or of one wheel. The hash is SHA-256 over the canonical JSON (UTF-8, keys sorted, no
blanks) of a list: hash of the entry before ("" for the first), kind and name of the book, and the entry's number, kind,
operation, who, at, zone, verdict, words and body, the body as its own canonical JSON text. Anyone can compute it anew.

What it proves: whoever knows the last hash (printed on a report) can tell that nothing before it was changed, added or
taken away since. What it does not prove: it has no key, so who can write to the store can write a whole new chain; only
a hash that was kept elsewhere shows that. It says nothing about whether an entry was true when it was written.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

BookKind = Literal["job", "wheel"]
#: What is hashed of an entry besides its book and the hash before it; its columns in `tables.entry`.
HASHED = ("number", "kind", "op", "who", "at", "zone", "verdict", "words", "body")
EntryKind = Literal["job", "operation", "inspection", "note", "disposition", "correction", "wheel"]


@dataclass(frozen=True)
class Book:
    """The record of a job or of a wheel, by its name (a job's number, a wheel's label)."""

    kind: BookKind
    name: str


@dataclass(frozen=True)
class Entry:
    """One entry of a book.

    Attributes
    ----------
    book : Book
    number : int
        1 is the entry that opened the book.
    kind : str
        ``job`` or ``wheel`` (facts), ``operation``, ``inspection``, ``note``, ``disposition``, ``correction``.
    op : str
        Operation; empty where it does not belong to one.
    who, at, zone : str
        See `signature.Signature`.
    verdict : str
        Of an inspection: ``pass``, ``fail``, ``cannot_tell``; of a disposition its decision; else empty.
    words : str
        The entry in one line, for lists.
    body : mapping
        All of it; the keys are those of `facts` and, for an inspection, `write.attach`.
    previous, hash : str
        Hash of the entry before it, and its own; 64 hexadecimal digits, `previous` empty in the first.
    """

    book: Book
    number: int
    kind: str
    op: str
    who: str
    at: str
    zone: str
    verdict: str
    words: str
    body: Mapping[str, Any]
    previous: str
    hash: str


def canonical(value: Any) -> str:
    """JSON in the one spelling that is hashed.

    Raises
    ------
    ValueError
        A number that is not finite.
    """
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def chained(
    book: Book,
    number: int,
    previous: str,
    kind: EntryKind,
    signed: tuple[str, str, str],
    body: Mapping[str, Any],
    *,
    op: str = "",
    verdict: str = "",
    words: str = "",
) -> Entry:
    """An entry with its hash.

    Parameters
    ----------
    book, number, previous, kind, body, op, verdict, words
        See `Entry`.
    signed : (who, at, zone)
    """
    who, at, zone = signed
    text = canonical(body)
    digest = entry_hash(previous, book, (number, kind, op, who, at, zone, verdict, words, text))
    return Entry(book, number, kind, op, who, at, zone, verdict, words, json.loads(text), previous, digest)


def entry_hash(previous: str, book: Book, columns: tuple[Any, ...]) -> str:
    """The hash of an entry whose `columns` are number, kind, op, who, at, zone, verdict, words, body text."""
    return hashlib.sha256(canonical([previous, book.kind, book.name, *columns]).encode()).hexdigest()


def is_whole(at: Book, row: Any) -> bool:
    """Whether an entry's row (see `chain_faults`) is as its hash says."""
    digest = entry_hash(row.previous, at, tuple(getattr(row, column) for column in HASHED))
    return bool(digest == row.hash)


def chain_faults(at: Book, rows: Sequence[Any]) -> list[str]:
    """What is wrong with the chain of a book.

    Parameters
    ----------
    at : Book
    rows : sequence
        Its entries in order of their numbers, with the attributes of `tables.entry`; `body` is the text as it is kept.
    """
    faults = []
    before, expected = "", 1
    for row in rows:
        name = f"{at.kind} {at.name} entry {row.number}"
        if row.number != expected:
            missing = f"entry {expected}" if row.number == expected + 1 else f"entries {expected} to {row.number - 1}"
            faults.append(f"{at.kind} {at.name}: {missing} missing")
        elif row.previous != before:
            faults.append(f"{name}: does not follow the entry before it; one of the two was changed")
        if not is_whole(at, row):
            faults.append(f"{name} ({row.kind}, {row.at}): changed since it was written")
        before, expected = row.hash, row.number + 1
    return faults
