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
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

BookKind = Literal["job", "wheel"]
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
