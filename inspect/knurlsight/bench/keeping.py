"""From an answer to a job record: kept ten seconds after the tap, so that the tap can be taken back.

The records are never changed once written; taking back therefore means not having written yet.
"""

from __future__ import annotations

import json
import threading
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from knurlsight.bench import submissions
from knurlsight.bench.measuring import answer_folder
from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.state import BenchFolder, now
from knurlsight.bench.submissions import ANSWER, PICTURE, THUMB, Submission
from knurlsight.errors import KnurlsightError, RecordError
from knurlsight.records.chain import Entry
from knurlsight.records.facts import DispositionFacts, OperationFacts, facts_from
from knurlsight.records.photos import Picture
from knurlsight.records.place import Place
from knurlsight.records.read import entries, head
from knurlsight.records.signature import sign
from knurlsight.records.store import Store, open_store
from knurlsight.records.wording import job_number, long_text, short_text
from knurlsight.records.write import add_operation, attach, dispose

UNDO_S = 10.0


@dataclass(frozen=True)
class KeepAsked:
    """Where a part is kept, and what is said of it.

    Attributes
    ----------
    job, operation : str
        The operation may be empty.
    note : str
    decision : str
        ``accept``, ``rework``, ``scrap``, ``concession`` or empty.
    why : str
        Reason of the decision; needed for all but accept.
    who : str
        Name of the device.
    """

    job: str
    operation: str = ""
    note: str = ""
    decision: str = ""
    why: str = ""
    who: str = ""


@dataclass(frozen=True)
class Kept:
    """How far the keeping of a submission is: `entry` is its number in the job once it is written."""

    asked: KeepAsked
    due: float
    entry: int | None
    trouble: str

    @property
    def seconds_left(self) -> float:
        """Time in which it can be taken back."""
        return max(0.0, self.due - now()) if self.entry is None else 0.0


class Records:
    """The record store, opened when it is first needed."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self._store: Store | None = None
        self._lock = threading.Lock()
        self.writing = threading.Lock()

    def store(self) -> Store:
        """The open store, made where there is none.

        Raises
        ------
        StoreError
        """
        with self._lock:
            if self._store is None:
                self._store = open_store(self.place, create=True, patience_s=10)
            return self._store

    def close(self) -> None:
        """Let go of it."""
        with self._lock:
            if self._store is not None:
                self._store.close()
                self._store = None


def keep(folder: BenchFolder, records: Records, this: Submission, asked: KeepAsked, *, undo_s: float = UNDO_S) -> Kept:
    """Ask for a submission to be kept in a job; it is written when the time to take it back is over.

    Raises
    ------
    RecordError
        No such job; words that cannot be kept; a decision without a reason.
    RefusedError
        It is not measured, or kept already.
    StoreError
    """
    if this.state != "done":
        raise RefusedError(409, "not-measured", "there is no result to keep", "wait for the verdict, or shoot again")
    asked = _checked(records, asked)
    with folder.open() as db:
        known = db.execute("SELECT * FROM keep WHERE submission = ?", (this.id,)).fetchone()
        if known is not None and not known["trouble"]:
            raise RefusedError(409, "kept-already", "this part is kept already", "see the history of the job")
        db.execute(
            "INSERT INTO keep (submission, asked, due) VALUES (?, ?, ?) "
            "ON CONFLICT (submission) DO UPDATE SET asked = excluded.asked, due = excluded.due, trouble = ''",
            (this.id, json.dumps(asdict(asked)), now() + undo_s),
        )
    found = kept(folder, this.id)
    if found is None:
        raise RefusedError(409, "taken-back", "it was taken back in the same moment", "keep it again")
    return found


def take_back(folder: BenchFolder, identity: str) -> None:
    """Take the keeping back while it is not written.

    Raises
    ------
    RefusedError
        Too late, or nothing to take back.
    """
    with folder.open() as db:
        gone = db.execute(
            "DELETE FROM keep WHERE submission = ? AND entry IS NULL AND (begun IS NULL OR trouble != '')", (identity,)
        ).rowcount
    if not gone:
        raise RefusedError(
            409, "too-late", "it is written already, and records are never changed", "add a note or a decision instead"
        )


def kept(folder: BenchFolder, identity: str) -> Kept | None:
    """How far the keeping of a submission is; None where it was not asked for."""
    with folder.look() as db:
        row = db.execute("SELECT * FROM keep WHERE submission = ?", (identity,)).fetchone()
    if row is None:
        return None
    return Kept(KeepAsked(**json.loads(row["asked"])), row["due"], row["entry"], row["trouble"])


def settle_due(folder: BenchFolder, records: Records) -> int:
    """Write what is due into the records; returns how many."""
    with folder.look() as db:
        rows = db.execute(
            "SELECT submission FROM keep WHERE entry IS NULL AND trouble = '' AND due <= ?", (now(),)
        ).fetchall()
    return sum(settle(folder, records, row[0]) for row in rows)


def settle(folder: BenchFolder, records: Records, identity: str) -> bool:
    """Write one of them, once; one is written at a time."""
    with records.writing:
        return _settle(folder, records, identity)


def _settle(folder: BenchFolder, records: Records, identity: str) -> bool:
    with folder.open() as db:
        row = db.execute("SELECT * FROM keep WHERE submission = ? AND entry IS NULL", (identity,)).fetchone()
        if row is None:
            return False
        again = row["begun"] is not None  # the server stopped while it was written, or half of it was refused
        db.execute("UPDATE keep SET begun = ? WHERE submission = ?", (now(), identity))
    asked = KeepAsked(**json.loads(row["asked"]))
    try:
        number, trouble = _write(folder, records, submissions.submission(folder, identity), asked, again), ""
    except KnurlsightError as e:
        number, trouble = None, e.message
    with folder.open() as db:
        db.execute("UPDATE keep SET entry = ?, trouble = ? WHERE submission = ?", (number, trouble, identity))
    return not trouble


def operations(records: Records, job: str) -> dict[str, dict[str, Any] | None]:
    """Names of a job's operations with their setup's content, where they have one.

    Raises
    ------
    RecordError
        No such job.
    """
    found: dict[str, dict[str, Any] | None] = {}
    for entry in entries(records.store(), job):
        if entry.kind == "operation":
            found[entry.op] = (entry.body.get("setup") or {}).get("content")
        elif entry.op:
            found.setdefault(entry.op, None)
    return found


def name_operation(records: Records, job: str, operation: str, who: str) -> None:
    """Write an operation down, unless the job has one of that name.

    Raises
    ------
    RecordError
    """
    if operation not in operations(records, job):
        add_operation(records.store(), job, operation, OperationFacts(), sign(who))


def _checked(records: Records, asked: KeepAsked) -> KeepAsked:
    """What was typed, checked at the door: later nobody is there to correct it."""
    job = job_number(asked.job)
    head(records.store(), job)
    decision = facts_from(DispositionFacts, {"decision": asked.decision, "why": asked.why or None}).decision if (
        asked.decision
    ) else ""  # fmt: skip
    if decision not in ("", "accept") and not asked.why.strip():
        raise RecordError(f"{decision}: say why", hint="a few words beside the decision")
    return KeepAsked(
        job,
        short_text("the operation", asked.operation) if asked.operation.strip() else "",
        long_text("the note", asked.note) if asked.note.strip() else "",
        decision,
        long_text("the reason", asked.why) if asked.why.strip() else "",
        asked.who,
    )


def _write(folder: BenchFolder, records: Records, this: Submission, asked: KeepAsked, again: bool) -> int:
    store, files = records.store(), answer_folder(submissions.folder_of(folder, this))
    result: dict[str, Any] = json.loads((files / ANSWER).read_text(encoding="utf-8"))
    signed = sign(asked.who or None)
    made = _written_before(store, asked, result) if again else None
    picture = Picture(PICTURE, (files / PICTURE).read_bytes())
    if made is None:
        photos = [
            Picture(name, (files.parent / file).read_bytes())
            for file, name in zip(this.asked.photos, this.asked.named, strict=True)
        ]
        made = attach(store, asked.job, result, photos, picture, op=asked.operation, note=asked.note, signed=signed)
    thumb_path(folder, picture.sha256).write_bytes((files / THUMB).read_bytes())
    if asked.decision and not _decided_before(store, asked, made.number):
        facts = facts_from(
            DispositionFacts, {"decision": asked.decision, "why": asked.why or None, "about": made.number}
        )
        dispose(store, asked.job, facts, signed)
    return made.number


def thumb_path(folder: BenchFolder, sha256: str) -> Path:
    """Where the small copy of a kept picture lies, by the hash of the large one."""
    thumbs = folder.path / "thumbs"
    thumbs.mkdir(exist_ok=True)
    return thumbs / f"{sha256}.jpg"


def _written_before(store: Store, asked: KeepAsked, result: dict[str, Any]) -> Entry | None:
    """The entry that was written just before the server stopped; the next one must not be a second."""
    for entry in reversed(entries(store, asked.job)):
        if entry.kind == "inspection" and entry.op == asked.operation and entry.body.get("result") == result:
            return entry
    return None


def _decided_before(store: Store, asked: KeepAsked, number: int) -> bool:
    return any(e.kind == "disposition" and e.body.get("about") == number for e in entries(store, asked.job))
