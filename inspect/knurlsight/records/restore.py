"""Take a job over from elsewhere, entry by entry as it was written there, hashes and all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from knurlsight.errors import RecordError
from knurlsight.records.chain import Book, Entry, canonical, entry_hash
from knurlsight.records.facts import facts_from
from knurlsight.records.photos import Picture, bring_in
from knurlsight.records.shape import check_shape
from knurlsight.records.store import Store, told
from knurlsight.records.wording import job_number, short_text
from knurlsight.records.write import CORRECTABLE, find_book, keep, new_book

FIELDS = ("number", "kind", "op", "who", "at", "zone", "verdict", "words", "body", "previous", "hash")
_TEXTS = ("kind", "op", "who", "at", "zone", "verdict", "words", "previous", "hash")


def entry_document(made: Entry) -> dict[str, Any]:
    """An entry as JSON values; `entry_from_document` reads it back."""
    return {name: dict(made.body) if name == "body" else getattr(made, name) for name in FIELDS}


def entry_from_document(at: Book, document: Mapping[str, Any]) -> Entry:
    """An entry from its JSON values.

    Raises
    ------
    RecordError
        A field is missing, unknown or of another type.
    """
    number = document.get("number")
    right = (
        set(document) == set(FIELDS)
        and isinstance(number, int)
        and not isinstance(number, bool)
        and 0 < number < 2**31
        and isinstance(document["body"], Mapping)
        and all(isinstance(document[name], str) for name in _TEXTS)
    )
    if not right:
        raise RecordError(f"{at.kind} {at.name}: an entry is not as this version writes it")
    return Entry(at, **{name: document[name] for name in FIELDS})


def restore_book(store: Store, written: Sequence[Entry], pictures: Sequence[Picture]) -> None:
    """Write a whole book as it was elsewhere.

    Parameters
    ----------
    store : Store
    written : sequence of Entry
        All of its entries, in order.
    pictures : sequence of Picture
        Every photo that they name.

    Raises
    ------
    RecordError
        The job is here already; the chain is broken; a photo is missing or named by no entry.
    StoreError
    """
    at = written[0].book if written else Book("job", "")
    if at.kind not in ("job", "wheel") or at != (Book("job", job_number(at.name)) if at.kind == "job" else at):
        raise RecordError(f"{at.kind} {at.name}: no job or wheel of that name can be kept")
    if at.kind == "wheel":
        short_text("the wheel's label", at.name)
    _check_chain(at, written)
    _check_corrections(at, written)
    _check_pictures(at, written, pictures)
    with store.reading() as connection:
        _check_new(at, find_book(connection, at))
    with told(store.place):
        incoming = bring_in(store.photos, pictures)
    try:
        with store.writing() as connection:
            _check_new(at, find_book(connection, at))
            book_id = new_book(connection, at)
            for made in written:
                keep(connection, book_id, made)
            incoming.settle()
    finally:
        incoming.discard()


def _check_new(at: Book, found: int | None) -> None:
    if found is not None:
        raise RecordError(f"{at.kind} {at.name} is kept here already; it is not taken over twice")


def _check_chain(at: Book, written: Sequence[Entry]) -> None:
    before = ""
    for number, made in enumerate(written, 1):
        name = f"{at.kind} {at.name} entry {made.number}"
        if made.book != at or made.number != number or made.previous != before:
            raise RecordError(f"{name}: does not follow the entry before it; the record was changed on its way")
        try:
            body = canonical(made.body)
        except (ValueError, TypeError, RecursionError) as e:
            raise RecordError(f"{name}: holds what no record holds") from e
        columns = (number, made.kind, made.op, made.who, made.at, made.zone, made.verdict, made.words, body)
        if entry_hash(before, at, columns) != made.hash:
            raise RecordError(f"{name}: was changed on its way; its hash does not fit")
        check_shape(made)
        before = made.hash


def _check_corrections(at: Book, written: Sequence[Entry]) -> None:
    """Corrected values are such as the entry could have had."""
    kinds = {made.number: made.kind for made in written}
    for made in written:
        if made.kind != "correction" or not made.body["values"]:
            continue
        model = CORRECTABLE.get(kinds.get(made.body["about"], ""))
        if model is None:
            raise RecordError(f"{at.kind} {at.name} entry {made.number}: corrects nothing that can be corrected")
        facts_from(model, made.body["values"])


def _check_pictures(at: Book, written: Sequence[Entry], pictures: Sequence[Picture]) -> None:
    named = {p["sha256"]: p["name"] for made in written for p in made.body.get("photos", ())}
    given = {p.named_as: p.name for p in pictures}
    missing = [name for sha256, name in named.items() if sha256 not in given]
    if missing:
        raise RecordError(f"{at.kind} {at.name}: {', '.join(missing[:5])} missing or changed on the way")
    extra = [name for sha256, name in given.items() if sha256 not in named]
    if extra:
        raise RecordError(f"{at.kind} {at.name}: {', '.join(extra[:5])} belongs to no entry")
