"""Photos handed in, and how far they are: the queue, which lies on disk and so outlasts a stopped server.

A submission is a row and a folder. The row says ``waiting``, ``working``, ``done`` or ``failed``; the folder holds the
photos as they came and, once it is done, the files of the answer. A device names each upload by a name of its own, so
that an upload sent twice is one submission.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import shutil
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

from knurlsight.bench.refusals import DISK_FULL, RefusedError
from knurlsight.bench.state import BenchFolder, free_bytes, now

State = Literal["waiting", "working", "done", "failed"]

MOST_PHOTOS = 8
MOST_BYTES = 60_000_000  # one photo
MOST_PIXELS = 64_000_000
MOST_WAITING, MOST_WAITING_EACH = 40, 12
MOST_ATTEMPTS = 2
SPARE_BYTES = 200_000_000  # left free on the disk for records and answers
KEPT_DAYS = 30  # submissions that were not put into a job record
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")

ANSWER, VIEW = "result.json", "view.json"
PICTURE, THUMB = "picture.jpg", "thumb.jpg"
REPORT, SHEET = "report.html", "report.pdf"


@dataclass(frozen=True)
class Asked:
    """What is asked of a submission.

    Attributes
    ----------
    photos : tuple of str
        Names of the files in its folder, made here.
    named : tuple of str
        What the device called them, cleaned; for reading only.
    setup : str
        Content hash of the setup; empty: measure only.
    scale : str
        A ``--scale`` word; empty: whatever is found.
    units : "mm" or "in"
    turned : str
        A ``--turn`` word: the photos show the part turned by this step from one to the next; empty: they are repeats.
    """

    photos: tuple[str, ...]
    named: tuple[str, ...]
    setup: str
    scale: str
    units: Literal["mm", "in"]
    turned: str = ""


@dataclass(frozen=True)
class Submission:
    """One part handed in.

    Attributes
    ----------
    number : int
        Counts up.
    id : str
    device : str
    asked : Asked
    state : State
    attempts : int
        How often it was begun.
    made : float
        Seconds since 1970.
    seconds : float or None
        What the measuring took.
    verdict : str or None
    part, why : str
        Name of the part wanted, and the first reason of the verdict.
    trouble : str
        Why it failed.
    """

    number: int
    id: str
    device: str
    asked: Asked
    state: State
    attempts: int
    made: float
    seconds: float | None
    verdict: str | None
    part: str
    why: str
    trouble: str


def hand_in(
    folder: BenchFolder,
    device: str,
    upload: str,
    photos: Sequence[tuple[str, BinaryIO]],
    *,
    setup: str,
    scale: str,
    units: Literal["mm", "in"],
    turned: str = "",
) -> tuple[Submission, bool]:
    """Take photos of one part in; returns the submission, and whether it is new.

    Parameters
    ----------
    folder : BenchFolder
    device : str
        Its id.
    upload : str
        The device's own name of this upload; the same name with the same photos gives the submission it has already.
    photos : sequence of (name, open file)
    setup, scale, units, turned
        See `Asked`.

    Raises
    ------
    RefusedError
        Too many, too large, too much waiting, disk full, or `upload` was used for other photos.
    """
    if not re.fullmatch(r"[\w-]{8,64}", upload, re.ASCII):
        raise RefusedError(422, "upload-id", "the upload id is not 8 to 64 letters, digits, - or _", "make a new one")
    if not photos:
        raise RefusedError(422, "no-photo", "no photo came along", "take or choose a photo, then send")
    if len(photos) > MOST_PHOTOS:
        raise RefusedError(
            413, "too-many-photos", f"{len(photos)} photos at once; {MOST_PHOTOS} are taken", "send fewer at a time"
        )
    if free_bytes(folder.work) < SPARE_BYTES:
        raise RefusedError(DISK_FULL.status, DISK_FULL.code, DISK_FULL.message, DISK_FULL.hint, retry_after_s=30)
    identity = secrets.token_hex(8)
    arriving = folder.work / f"{identity}.arriving"
    try:
        arriving.mkdir()
        names = [f"photo-{n}{_suffix(name)}" for n, (name, _) in enumerate(photos, 1)]
        content = hashlib.sha256()
        for name, (_, file) in zip(names, photos, strict=True):
            content.update(_written(file, arriving / name))
        asked = Asked(tuple(names), tuple(clean_name(name) for name, _ in photos), setup, scale, units, turned)
        content.update(json.dumps([setup, scale, *([turned] if turned else [])]).encode())
        return _entered(folder, device, upload, identity, arriving, asked, content.hexdigest())
    finally:
        shutil.rmtree(arriving, ignore_errors=True)


def _entered(
    folder: BenchFolder, device: str, upload: str, identity: str, arriving: Path, asked: Asked, content: str
) -> tuple[Submission, bool]:
    """The row, and the folder renamed to stay; a folder without a row is swept up at the next start."""
    with folder.open() as db:
        known = db.execute("SELECT * FROM submission WHERE device = ? AND upload = ?", (device, upload)).fetchone()
        if known is not None:
            if known["content"] != content:
                raise RefusedError(
                    409, "upload-used", "this upload id was used for another photo", "send with a new upload id"
                )
            return _submission(known), False
        waiting = db.execute("SELECT device FROM submission WHERE state IN ('waiting', 'working')").fetchall()
        own = sum(1 for row in waiting if row[0] == device)
        if own >= MOST_WAITING_EACH:
            raise RefusedError(
                429, "too-many-waiting", f"{own} photos of this device are waiting", "wait for one", retry_after_s=10
            )
        if len(waiting) >= MOST_WAITING:
            raise RefusedError(
                503, "queue-full", f"{len(waiting)} photos are waiting; the bench is full", "again in a little while",
                retry_after_s=20,
            )  # fmt: skip
        arriving.rename(folder.work / identity)
        _sync_folder(folder.work)
        db.execute(
            "INSERT INTO submission (id, device, upload, content, asked, state, made) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (identity, device, upload, content, json.dumps(asdict(asked)), "waiting", now()),
        )
        row = db.execute("SELECT * FROM submission WHERE id = ?", (identity,)).fetchone()
    return _submission(row), True


def folder_of(folder: BenchFolder, submission: Submission) -> Path:
    """Where the files of a submission lie."""
    return folder.work / submission.id


def submission(folder: BenchFolder, identity: str) -> Submission:
    """A submission by its id.

    Raises
    ------
    RefusedError
        There is none.
    """
    with folder.look() as db:
        row = db.execute("SELECT * FROM submission WHERE id = ?", (identity,)).fetchone()
    if row is None:
        raise RefusedError(
            404, "no-inspection", "no such inspection is kept here", "those put into no job go after 30 days"
        )
    return _submission(row)


def latest(folder: BenchFolder, count: int, *, before: int | None = None) -> tuple[Submission, ...]:
    """The newest submissions, newest first."""
    with folder.look() as db:
        rows = db.execute(
            "SELECT * FROM submission WHERE number < ? ORDER BY number DESC LIMIT ?", (before or 2**62, count)
        ).fetchall()
    return tuple(_submission(row) for row in rows)


def one_before(folder: BenchFolder, this: Submission) -> Submission | None:
    """The last one done by the same device for the same setup: the part to compare with."""
    with folder.look() as db:
        rows = db.execute(
            "SELECT * FROM submission WHERE device = ? AND state = 'done' AND number < ? ORDER BY number DESC LIMIT 50",
            (this.device, this.number),
        ).fetchall()
    return next((s for s in map(_submission, rows) if s.asked.setup == this.asked.setup), None)


def ahead(folder: BenchFolder, this: Submission) -> int:
    """How many are waited for before this one begins."""
    with folder.look() as db:
        row = db.execute(
            "SELECT count(*) FROM submission WHERE state IN ('waiting', 'working') AND number < ?", (this.number,)
        ).fetchone()
    return int(row[0])


def usual_seconds(folder: BenchFolder) -> float:
    """What measuring a photo took of late (median of ten); 4 s before there is any."""
    with folder.look() as db:
        rows = db.execute(
            "SELECT seconds FROM submission WHERE seconds IS NOT NULL ORDER BY number DESC LIMIT 10"
        ).fetchall()
    found = sorted(float(row[0]) for row in rows)
    return found[len(found) // 2] if found else 4.0


# --- what the pool does with them ------------------------------------------------------------------------------------


def begin_next(folder: BenchFolder) -> Submission | None:
    """Take the one that waits longest, marked as being worked on; None when none waits."""
    with folder.look() as db:
        if db.execute("SELECT 1 FROM submission WHERE state = 'waiting' LIMIT 1").fetchone() is None:
            return None
    with folder.open() as db:
        row = db.execute("SELECT * FROM submission WHERE state = 'waiting' ORDER BY number LIMIT 1").fetchone()
        if row is None:
            return None
        db.execute(
            "UPDATE submission SET state = 'working', attempts = attempts + 1 WHERE number = ?", (row["number"],)
        )
        row = db.execute("SELECT * FROM submission WHERE number = ?", (row["number"],)).fetchone()
    return _submission(row)


def finish(folder: BenchFolder, this: Submission, *, seconds: float, verdict: str | None, part: str, why: str) -> None:
    """Mark it as done; its files are there."""
    with folder.open() as db:
        db.execute(
            "UPDATE submission SET state = 'done', seconds = ?, verdict = ?, part = ?, why = ?, trouble = '' "
            "WHERE number = ?",
            (seconds, verdict, part, why, this.number),
        )


def give_up(folder: BenchFolder, this: Submission, trouble: str) -> None:
    """Mark it as failed, and say why."""
    with folder.open() as db:
        db.execute("UPDATE submission SET state = 'failed', trouble = ? WHERE number = ?", (trouble, this.number))


def postpone(folder: BenchFolder, this: Submission, trouble: str) -> None:
    """Let it wait again for something that is not its own fault, and say what for."""
    with folder.open() as db:
        db.execute(
            "UPDATE submission SET state = 'waiting', attempts = attempts - 1, trouble = ? WHERE number = ?",
            (trouble, this.number),
        )


def put_back(folder: BenchFolder, this: Submission) -> None:
    """Let it wait again."""
    with folder.open() as db:
        db.execute("UPDATE submission SET state = 'waiting' WHERE number = ?", (this.number,))


def recover(folder: BenchFolder) -> None:
    """At the start: what was being worked on waits again, and leftovers of uploads cut short are swept up.

    A photo that was being measured when two servers stopped may be what stopped them; it is not tried a third time.
    """
    with folder.open() as db:
        db.execute(
            "UPDATE submission SET state = 'failed', trouble = ? WHERE state = 'working' AND attempts >= ?",
            ("the measuring was cut short twice; take the photo again", MOST_ATTEMPTS),
        )
        db.execute("UPDATE submission SET state = 'waiting' WHERE state = 'working'")
        known = {row[0] for row in db.execute("SELECT id FROM submission")}
    for path in folder.work.iterdir():
        if path.name not in known:
            shutil.rmtree(path, ignore_errors=True)


def sweep(folder: BenchFolder) -> int:
    """Forget submissions older than `KEPT_DAYS`; job records have their own copies. Returns how many."""
    with folder.open() as db:
        rows = db.execute(
            "SELECT id FROM submission WHERE made < ? AND state IN ('done', 'failed') AND id NOT IN "
            "(SELECT submission FROM keep WHERE entry IS NULL)",
            (now() - KEPT_DAYS * 86_400,),
        ).fetchall()
        db.executemany("DELETE FROM submission WHERE id = ?", [tuple(row) for row in rows])
    for row in rows:
        shutil.rmtree(folder.work / row[0], ignore_errors=True)
    return len(rows)


def _sync_folder(folder: Path) -> None:
    """Make a new name outlast a power cut; folders cannot be opened everywhere."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def clean_name(name: str) -> str:
    """A device's file name as it may be shown and kept: the last part of any path, printable, at most 80 letters.

    >>> clean_name("../../etc/passwd"), clean_name("IMG 1.jpg")
    ('passwd', 'IMG 1.jpg')
    """
    last = re.split(r"[\\/]", name)[-1]
    return "".join(c for c in last if c.isprintable()).strip()[-80:] or "photo"


def _suffix(name: str) -> str:
    """The ending of a known format, so that a reader may use it; the bytes decide what it is."""
    suffix = Path(clean_name(name)).suffix.lower()
    return suffix if suffix in SUFFIXES else ".jpg"


def _written(file: BinaryIO, path: Path) -> bytes:
    """Copy to disk, synced; returns the SHA-256 of what was written."""
    digest, size = hashlib.sha256(), 0
    with path.open("wb") as out:
        while chunk := file.read(1 << 20):
            size += len(chunk)
            if size > MOST_BYTES:
                raise RefusedError(
                    413,
                    "photo-too-large",
                    f"the photo is larger than {MOST_BYTES // 1_000_000} MB",
                    "save it as JPEG, or choose a smaller picture size on the camera",
                )
            digest.update(chunk)
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    if size == 0:
        raise RefusedError(422, "empty-photo", "the photo is empty", "take it again")
    return digest.digest()


def _submission(row: sqlite3.Row) -> Submission:
    asked: dict[str, Any] = json.loads(row["asked"])
    return Submission(
        row["number"],
        row["id"],
        row["device"],
        Asked(
            tuple(asked["photos"]),
            tuple(asked["named"]),
            asked["setup"],
            asked["scale"],
            asked["units"],
            asked.get("turned", ""),  # those of older versions are repeats
        ),
        row["state"],
        row["attempts"],
        row["made"],
        row["seconds"],
        row["verdict"],
        row["part"],
        row["why"],
        row["trouble"],
    )
