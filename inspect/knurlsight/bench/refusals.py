"""What the bench refuses, in one shape: a status, a stable code, one sentence, and what to do."""

from __future__ import annotations

import errno
import sqlite3
from dataclasses import dataclass, field

from knurlsight.errors import KnurlsightError


@dataclass(frozen=True)
class Refused:
    """A refusal as it is shown and sent.

    Attributes
    ----------
    status : int
        HTTP status (RFC 9110).
    code : str
        Stable name of the kind of refusal.
    message, hint : str
        What is wrong, and what to do; the hint may be empty.
    retry_after_s : int or None
        When to try again, where that helps.
    """

    status: int
    code: str
    message: str
    hint: str = ""
    retry_after_s: int | None = None
    headers: dict[str, str] = field(default_factory=dict)

    def body(self) -> dict[str, dict[str, str]]:
        """The one shape of every error of the API."""
        return {"error": {"code": self.code, "message": self.message, "hint": self.hint}}


class RefusedError(KnurlsightError):
    """A request that the bench refuses."""

    def __init__(
        self, status: int, code: str, message: str, hint: str = "", *, retry_after_s: int | None = None
    ) -> None:
        super().__init__(message, hint=hint)
        self.refused = Refused(status, code, message, hint, retry_after_s)


class BenchError(KnurlsightError):
    """The bench cannot start or go on."""


DISK_FULL = Refused(
    507,
    "disk-full",
    "the disk of the bench computer is full; the photo was not taken in",
    "free some space on the computer, then send again: nothing is lost on the phone",
    30,
)


def of_disk(e: Exception) -> Refused | None:
    """The refusal for a full disk, whoever met it; None for every other error.

    >>> of_disk(OSError(errno.ENOSPC, "No space left on device")).code
    'disk-full'
    """
    causes = [e, e.__cause__, e.__context__]
    for cause in causes:
        if isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            return DISK_FULL
        if isinstance(cause, sqlite3.OperationalError) and "SQLITE_FULL" in getattr(cause, "sqlite_errorname", ""):
            return DISK_FULL
    return None
