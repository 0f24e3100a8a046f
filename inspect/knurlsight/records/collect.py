"""The inspections that a search finds, whole and as corrections leave them: for trends and comparisons."""

from __future__ import annotations

from dataclasses import dataclass

from knurlsight.records.chain import Entry
from knurlsight.records.corrections import as_corrected
from knurlsight.records.facts import JobFacts
from knurlsight.records.read import entries, facts_now
from knurlsight.records.search import Wanted, find
from knurlsight.records.store import Store


@dataclass(frozen=True)
class Collected:
    """An inspection with what its job is about."""

    entry: Entry
    job: JobFacts


def inspections(store: Store, wanted: Wanted, limit: int = 1000) -> tuple[Collected, ...]:
    """The newest inspections that match, the oldest of them first; withdrawn ones are left out.

    Raises
    ------
    RecordError, StoreError
        See `search.find` and `read.entries`.
    """
    numbers: dict[str, set[int]] = {}
    for line in find(store, wanted, limit).lines:
        if line.kind == "inspection":
            numbers.setdefault(line.job, set()).add(line.number)
    collected = []
    for job, of_it in numbers.items():
        written = entries(store, job)
        facts = facts_now(written)
        collected += [
            Collected(now.entry, facts)
            for now in as_corrected(written)
            if now.entry.number in of_it and not now.withdrawn
        ]
    return tuple(sorted(collected, key=lambda c: (c.entry.at, c.entry.book.name, c.entry.number)))
