"""Keep what was just inspected: the last step of ``inspect`` and ``batch`` where a job is named."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from knurlsight.errors import RecordError

if TYPE_CHECKING:
    from knurlsight.inspection import Inspection
    from knurlsight.records.chain import Entry
    from knurlsight.records.facts import BenchFacts
    from knurlsight.reporting.figures import Units
    from knurlsight.setup_math.setup_model import Setup


@dataclass(frozen=True)
class Ticket:
    """Where inspections are to be kept.

    Attributes
    ----------
    job : str
        Its number.
    op : str
        Operation; may be empty.
    store : str or None
        As typed; see `place.find_place`.
    who : str or None
        The login name unless given.
    bench : BenchFacts or None
        What the photo does not show.
    """

    job: str
    op: str = ""
    store: str | None = None
    who: str | None = None
    bench: BenchFacts | None = None


def ticket(
    job: str | None, op: str | None, store: str | None, who: str | None, facts: Sequence[str] = ()
) -> Ticket | None:
    """The ticket that the options of a command ask for, held against the store before anything is measured.

    Parameters
    ----------
    job, op, store, who : str or None
        As typed; None where an option was not given.
    facts : sequence of str
        ``key=value`` of `facts.BenchFacts`.

    Returns
    -------
    Ticket or None
        None without a job.

    Raises
    ------
    RecordError
        No such job; a value that cannot be; other options without a job.
    StoreError
    """
    if job is None:
        if op is not None or who is not None or store is not None or facts:
            raise RecordError("--op, --record, --store and --who belong to --job, which is missing", hint="--job 2041")
        return None
    from knurlsight.records.facts import BenchFacts, facts_from
    from knurlsight.records.pairs import pairs
    from knurlsight.records.read import head
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.wording import job_number, short_text

    bench = facts_from(BenchFacts, pairs("--record", facts))
    asked = Ticket(job_number(job), short_text("--op", op) if op is not None else "", store, who, bench)
    sign(who)
    with open_store(store) as opened:
        head(opened, asked.job)
    return asked


def setup_of(asked: Ticket) -> Setup | None:
    """The setup kept with the ticket's operation, as corrections leave it; None where none is kept.

    Raises
    ------
    RecordError
        The one that is kept cannot be read any more.
    StoreError
    """
    from knurlsight.errors import SetupError
    from knurlsight.records.corrections import as_corrected
    from knurlsight.records.read import entries
    from knurlsight.records.store import open_store
    from knurlsight.setup_math.setup import setup_from_document

    with open_store(asked.store) as opened:
        written = as_corrected(entries(opened, asked.job))
    found = [
        c.entry.body["setup"]
        for c in written
        if c.entry.kind == "operation" and c.entry.op == asked.op and not c.withdrawn and c.entry.body.get("setup")
    ]
    if not asked.op or not found:
        return None
    try:
        return setup_from_document(found[-1]["content"])
    except SetupError as error:
        raise RecordError(
            f"job {asked.job}, operation {asked.op}: the setup kept there cannot be used: {error}",
            hint="--setup S.toml",
        ) from None


def keep_inspection(asked: Ticket, inspection: Inspection, units: Units = "mm") -> Entry:
    """Keep an inspection with its photos and the picture with its findings drawn.

    Raises
    ------
    RecordError, StoreError
        See `write.attach`.
    """
    from knurlsight.records.photos import Picture
    from knurlsight.reporting.pictures import annotated, encoded
    from knurlsight.result import json_line, result_of

    photos = [Picture(photo.name, photo.encoded) for photo in inspection.photos]
    picture = Picture("annotated.jpg", encoded(annotated(inspection, units), ".jpg"))
    return _keep(asked, json.loads(json_line(result_of(inspection))), photos, picture)


def keep_result(asked: Ticket, result: Mapping[str, Any], photos: Sequence[Path]) -> Entry:
    """Keep a result that was measured in a worker, with the photos that it was measured from.

    Raises
    ------
    RecordError, StoreError
        See `write.attach`.
    """
    from knurlsight.records.photos import read_picture

    return _keep(asked, result, [read_picture(photo) for photo in photos], None)


def kept_photos(asked: Ticket) -> frozenset[str]:
    """Hashes of the photos whose inspections the job and operation hold already: a batch that goes on skips them.

    Raises
    ------
    RecordError, StoreError
        See `read.entries`.
    """
    from knurlsight.records.corrections import as_corrected
    from knurlsight.records.read import entries
    from knurlsight.records.store import open_store

    with open_store(asked.store) as store:
        current = as_corrected(entries(store, asked.job))
    return frozenset(
        photo["sha256"]
        for now in current
        if now.entry.kind == "inspection" and now.entry.op == asked.op and not now.withdrawn
        for photo in now.entry.body["photos"]
        if photo["role"] == "photo"
    )


def kept_words(made: Entry) -> str:
    """What the screen says of it."""
    return f"kept: job {made.book.name} entry {made.number}, {made.hash[:12]}"


def _keep(asked: Ticket, result: Mapping[str, Any], photos: Sequence[Any], annotated: Any) -> Entry:
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import attach

    with open_store(asked.store) as store:
        return attach(
            store, asked.job, result, photos, annotated, op=asked.op, bench=asked.bench, signed=sign(asked.who)
        )
