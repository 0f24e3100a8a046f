"""Who may use the bench: this computer, paired phones, and programs with a token. Tokens are kept as hashes only."""

from __future__ import annotations

import hashlib
import json
import secrets
import sqlite3
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.state import BenchFolder, now

Kind = Literal["computer", "phone", "program"]

DAY_S = 86_400.0
PHONE_DAYS, PROGRAM_DAYS = 30, 365  # a phone's time runs from its last use, a program's from the making of its token
SEEN_EVERY_S = 3600.0
MOST_DEVICES = 50
NAME_LENGTH = 40
COMPUTER = "computer"


@dataclass(frozen=True)
class Choice:
    """What a device has chosen once.

    Attributes
    ----------
    setup : str
        Content hash of the setup; empty: measure only.
    scale : str
        ``"auto"``, ``"od"`` (a caliper reading with every photo) or a ``--scale`` word.
    job, operation : str
        Where parts are kept.
    units : "mm" or "in"
    theme : "auto", "light" or "dark"
    """

    setup: str = ""
    scale: str = "auto"
    job: str = ""
    operation: str = ""
    units: Literal["mm", "in"] = "mm"
    theme: Literal["auto", "light", "dark"] = "auto"


@dataclass(frozen=True)
class Device:
    """One device."""

    id: str
    name: str
    kind: Kind
    made: float
    seen: float
    expires: float | None
    choice: Choice


def hashed(token: str) -> str:
    """How a token is kept: it is random and long, so a plain hash is as good as a slow one."""
    return hashlib.sha256(token.encode()).hexdigest()


def computer(folder: BenchFolder) -> Device:
    """The computer that the bench runs on: always there, without a token."""
    found = device(folder, COMPUTER)
    if found is None or found.seen < now() - SEEN_EVERY_S:
        with folder.open() as db:
            db.execute(
                "INSERT INTO device (id, name, kind, made, seen) VALUES (?, ?, 'computer', ?, ?) "
                "ON CONFLICT (id) DO UPDATE SET seen = excluded.seen",
                (COMPUTER, "this computer", now(), now()),
            )
        found = device(folder, COMPUTER)
    if found is None:
        raise RuntimeError("the computer's own row is missing")
    return found


def add_device(folder: BenchFolder, name: str, kind: Kind) -> tuple[Device, str]:
    """Let a device in; returns it and its token, which is not kept anywhere.

    Raises
    ------
    RefusedError
        There are too many.
    """
    token = secrets.token_urlsafe(32)
    time = now()
    days = PROGRAM_DAYS if kind == "program" else PHONE_DAYS
    with folder.open() as db:
        db.execute("DELETE FROM device WHERE expires < ?", (time,))
        count = int(db.execute("SELECT count(*) FROM device WHERE kind = ?", (kind,)).fetchone()[0])
        if count >= MOST_DEVICES:
            raise RefusedError(
                409, "too-many-devices", f"{count} of these are let in already", "drop those not in use on the computer"
            )
        identity = secrets.token_hex(6)
        shown = _printable(name) or _free_name(db, kind)
        db.execute(
            "INSERT INTO device (id, name, kind, token_hash, made, seen, expires) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (identity, shown, kind, hashed(token), time, time, time + days * DAY_S),
        )
    found = device(folder, identity)
    if found is None:
        raise RuntimeError("a device that was just added is missing")
    return found, token


def device_of_token(folder: BenchFolder, token: str) -> Device | None:
    """The device that a token belongs to, its time prolonged; None for a token that is unknown or has run out."""
    if not token or len(token) > 200:
        return None
    with folder.look() as db:
        row = db.execute(
            "SELECT * FROM device WHERE token_hash = ? AND (expires IS NULL OR expires > ?)", (hashed(token), now())
        ).fetchone()
    if row is None:
        return None
    found = _device(row)
    if found.seen < now() - SEEN_EVERY_S:
        until = found.expires if found.kind == "program" else now() + PHONE_DAYS * DAY_S
        with folder.open() as db:
            db.execute("UPDATE device SET seen = ?, expires = ? WHERE id = ?", (now(), until, found.id))
    return found


def device(folder: BenchFolder, identity: str) -> Device | None:
    """A device by its id."""
    with folder.look() as db:
        row = db.execute("SELECT * FROM device WHERE id = ?", (identity,)).fetchone()
    return _device(row) if row is not None else None


def devices(folder: BenchFolder) -> tuple[Device, ...]:
    """All that are let in, newest first."""
    with folder.look() as db:
        rows = db.execute(
            "SELECT * FROM device WHERE expires IS NULL OR expires > ? ORDER BY made DESC, id", (now(),)
        ).fetchall()
    return tuple(_device(row) for row in rows)


def drop(folder: BenchFolder, identity: str) -> None:
    """Let a device in no longer.

    Raises
    ------
    RefusedError
        Unknown, or the computer itself.
    """
    if identity == COMPUTER:
        raise RefusedError(409, "own-computer", "this computer cannot be dropped", "stop the bench instead: Ctrl-C")
    with folder.open() as db:
        if db.execute("DELETE FROM device WHERE id = ?", (identity,)).rowcount == 0:
            raise RefusedError(404, "no-device", "no such device is let in", "it may have been dropped already")


def choose(folder: BenchFolder, who: Device, **changes: str) -> Device:
    """Remember what a device has chosen."""
    choice = replace(who.choice, **changes)  # type: ignore[arg-type]
    with folder.open() as db:
        db.execute("UPDATE device SET choice = ? WHERE id = ?", (json.dumps(asdict(choice)), who.id))
    return replace(who, choice=choice)


def _device(row: sqlite3.Row) -> Device:
    stored: dict[str, Any] = json.loads(row["choice"])
    known = {f.name for f in fields(Choice)}
    choice = Choice(**{k: v for k, v in stored.items() if k in known})
    return Device(row["id"], row["name"], row["kind"], row["made"], row["seen"], row["expires"], choice)


def _printable(name: str) -> str:
    return "".join(c for c in name if c.isprintable()).strip()[:NAME_LENGTH]


def _free_name(db: sqlite3.Connection, kind: Kind) -> str:
    taken = {row[0] for row in db.execute("SELECT name FROM device")}
    return next(name for name in (f"{kind} {n}" for n in range(1, 10_000)) if name not in taken)
