"""Who wrote an entry and when."""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from datetime import UTC, datetime

from knurlsight.records.wording import short_text


@dataclass(frozen=True)
class Signature:
    """Who and when.

    Attributes
    ----------
    who : str
    at : str
        UTC, ISO 8601 to the millisecond, ``2026-03-02T14:05:09.250Z``: all of one length, so that text sorts by time.
    zone : str
        Where the clock on the wall stood, ``+01:00 CET``.
    """

    who: str
    at: str
    zone: str


def sign(who: str | None = None, now: datetime | None = None) -> Signature:
    """A signature of this moment.

    Parameters
    ----------
    who : str, optional
        The login name unless given.
    now : datetime, optional
        With its zone; the clock unless given.

    Raises
    ------
    RecordError
        `who` is empty, too long, or not one line of text.
    """
    moment = now if now is not None else datetime.now(UTC).astimezone()
    utc = moment.astimezone(UTC)
    offset = moment.strftime("%z")
    zone = f"{offset[:3]}:{offset[3:5]} {moment.tzname() or ''}".rstrip()
    return Signature(
        short_text("--who", who if who is not None else login_name()),
        f"{utc:%Y-%m-%dT%H:%M:%S}.{utc.microsecond // 1000:03d}Z",
        zone,
    )


def login_name() -> str:
    """The name that the user is logged in by; ``unknown`` where the machine knows none."""
    try:
        return getpass.getuser() or "unknown"
    except (OSError, KeyError, ImportError):
        return "unknown"
