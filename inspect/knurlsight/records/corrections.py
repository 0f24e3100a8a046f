"""Entries as later corrections leave them. What was written stays in the chain; this is how it is read now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from knurlsight.records.chain import Entry


@dataclass(frozen=True)
class Current:
    """An entry as it counts now.

    Attributes
    ----------
    entry : Entry
        Its body with the corrected values; its hash is still that of what was written.
    withdrawn : bool
        It does not count.
    corrected_by : tuple of int
        Numbers of the corrections that changed a value.
    """

    entry: Entry
    withdrawn: bool = False
    corrected_by: tuple[int, ...] = ()


def as_corrected(written: Sequence[Entry]) -> tuple[Current, ...]:
    """All entries of a book but the corrections, each as it counts now.

    A correction that was itself withdrawn counts no more.
    """
    undone = withdrawn(written)
    current = {e.number: Current(e, e.number in undone) for e in written if e.kind != "correction"}
    for change in written:
        about = change.body["about"] if change.kind == "correction" else None
        if about not in current or change.number in undone or not change.body["values"]:
            continue
        was = current[about]
        current[about] = Current(
            _with(was.entry, change.body["values"]), was.withdrawn, (*was.corrected_by, change.number)
        )
    return tuple(current.values())


def withdrawn(written: Sequence[Entry]) -> frozenset[int]:
    """Numbers of the entries that do not count any more, corrections that were themselves withdrawn among them."""
    undone: set[int] = set()
    for change in reversed(written):  # the last word counts first
        if change.kind == "correction" and change.body["withdrawn"] and change.number not in undone:
            undone.add(change.body["about"])
    return frozenset(undone)


def _with(was: Entry, values: dict[str, object]) -> Entry:
    if not values:
        return was
    if was.kind == "inspection":  # its facts from the bench are what can be corrected
        return replace(was, body={**was.body, "bench": {**was.body["bench"], **values}})
    return replace(was, body={**was.body, **values})
