"""The inspections of a job's record, as they count now, ready to be handed on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from knurlsight.errors import ExchangeError
from knurlsight.exchange.inspected import Inspected, read_result
from knurlsight.records.corrections import as_corrected

if TYPE_CHECKING:
    from knurlsight.records.chain import Entry
    from knurlsight.records.facts import JobFacts

#: Bytes of a kept photo by its hash.
PhotoBytes = Callable[[str], bytes]


def inspections_of(
    written: Sequence[Entry], photo: PhotoBytes | None = None, only: Sequence[int] = ()
) -> tuple[Inspected, ...]:
    """The inspections of a job with all corrections; withdrawn ones are left out.

    Parameters
    ----------
    written : sequence of Entry
        All entries of the job.
    photo : callable, optional
        Gives the bytes of a kept photo; without it pictures are left out.
    only : sequence of int
        Numbers of the entries wanted; all when empty.

    Raises
    ------
    ExchangeError
        A number that is no inspection, or is withdrawn.
    """
    current = {now.entry.number: now.entry for now in as_corrected(written) if not now.withdrawn}
    found = {number: entry for number, entry in current.items() if entry.kind == "inspection"}
    for number in only:
        if number not in found:
            job, there = written[0].book.name, ", ".join(map(str, found)) or "none"
            raise ExchangeError(f"job {job} entry {number}: is no inspection that counts; these are: {there}")
    machines = {
        entry.op: str(entry.body.get("machine") or "") for entry in current.values() if entry.kind == "operation"
    }
    return tuple(inspected(found[n], photo, machines.get(found[n].op, "")) for n in (only or found))


def inspected(entry: Entry, photo: PhotoBytes | None = None, machine: str = "") -> Inspected:
    """One inspection from its entry; `machine` is the operation's, used where the bench names none."""
    bench: Mapping[str, Any] = entry.body["bench"]
    result = read_result(entry.body["result"], f"job {entry.book.name} entry {entry.number}")
    by_role: dict[str, str] = {}
    for kept in entry.body["photos"]:
        by_role.setdefault(kept["role"], kept["sha256"])
    # a photo that several are joined from is drawn on first
    drawn = result.photos[0].sha256 if result.photos else by_role.get("photo", "")

    def data(sha256: str) -> bytes | None:
        return photo(sha256) if photo is not None and sha256 else None

    return Inspected(
        result=result,
        job=entry.book.name,
        operation=entry.op,
        serial=str(bench.get("serial") or ""),
        who=entry.who,
        when=entry.at,
        record_hash=entry.hash,
        wheels=wheel_labels(entry.body),
        machine=str(bench.get("machine") or machine),
        bench=bench,
        entry=entry.number,
        photo=data(drawn),
        picture=data(by_role.get("annotated", "")),
    )


def wheel_labels(body: Mapping[str, Any]) -> tuple[str, ...]:
    """Labels of the wheels that an inspection's setup and bench name."""
    setup = (body["result"].get("setup") or {}).get("content") or {}
    labels = [str(wheel["label"]) for wheel in setup.get("wheel", ()) if wheel.get("label")]
    return tuple(dict.fromkeys([*labels, *body["bench"].get("wheels_rolled", {})]))


def facts_shown(facts: JobFacts) -> tuple[tuple[str, str], ...]:
    """What a job is about, for the head of a report."""
    return tuple((name.replace("_", " "), str(value)) for name, value in facts.stated().items())
