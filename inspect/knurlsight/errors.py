"""Everything that knurlsight raises on purpose.

::

    KnurlsightError            one sentence: what, where, what was found, what to do
    ├── UnitError              a length, pitch, angle or ratio that cannot be read
    ├── SetupError             a setup file; carries all faults of the file together
    ├── PlanError              a plan that cannot be made from what was asked
    ├── OutputError            a file that cannot be written
    ├── RequestError           options that do not go together
    ├── FilmError              a film that cannot be read or used
    └── ExchangeError          a file from elsewhere that cannot be taken in, or a record that cannot be handed on

Only the command line turns these into text and an exit status; any other exception is a bug of ours and says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class KnurlsightError(Exception):
    """Base of all errors that are raised on purpose.

    Parameters
    ----------
    message : str
        One sentence: what, which file or key, what was found, what to do.
    hint : str, optional
        Something to type that would be right.
    """

    def __init__(self, message: str, *, hint: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class UnitError(KnurlsightError, ValueError):
    """A length, pitch, angle or ratio that cannot be read.

    It is a `ValueError` too, so that pydantic collects it with the other faults of a file.
    """


class PlanError(KnurlsightError):
    """What was asked of `plan` or `wheel` cannot be had."""


class OutputError(KnurlsightError):
    """A file that cannot be written."""


class RequestError(KnurlsightError):
    """Options that do not go together."""


class FilmError(KnurlsightError):
    """A film that cannot be read or used."""


class StoreError(KnurlsightError):
    """A record store that cannot be opened, read or written."""


class RecordError(KnurlsightError):
    """What was asked of the records cannot be had, or must not be kept in them."""


class ExchangeError(KnurlsightError):
    """A file from elsewhere that cannot be taken in, or a record that cannot be handed on as asked."""


@dataclass(frozen=True)
class SetupFault:
    """One fault of a setup file.

    Attributes
    ----------
    code : str
        Stable name of the kind of fault, such as ``"unknown-key"``.
    key : str
        Where it stands, such as ``"[part] outside_diameter"``.
    words : str
        What was found and what to do, in one line.
    """

    code: str
    key: str
    words: str

    def __str__(self) -> str:
        return f"{self.key}: {self.words}"


class SetupError(KnurlsightError):
    """A setup that cannot be used, with every fault found in it."""

    def __init__(self, source: str, faults: Sequence[SetupFault], *, hint: str | None = None) -> None:
        self.source = source
        self.faults = tuple(faults)
        lines = [f"{source}: {fault}" for fault in self.faults]
        super().__init__("\n".join(lines), hint=hint)
