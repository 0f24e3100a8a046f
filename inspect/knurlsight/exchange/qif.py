"""Inspections as QIF 3.0 results (ANSI/DMSC QIF 3.0, ISO 23952): what stands in such a file, before it is XML.

What the schema does not refuse is refused here when a file is read: lists whose count is wrong, half an uncertainty,
a PASS outside its limits. Lengths are mm, angles degrees, uncertainties standard (k = 1).
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from knurlsight.exchange.inspected import (
    WORD_CHECKS,
    Inspected,
    check_name,
    part_figures,
    quantity,
    title_of,
    unit_of,
)

if TYPE_CHECKING:
    from knurlsight.result import CheckRecord, PartRecord

Kind = Literal["length", "angle", "diameter", "ratio", "text"]
Status = Literal["PASS", "FAIL", "INDETERMINATE", "NOT_ANALYZED", "REWORK", "SYSERROR", "BASIC_OR_TED", "UNDEFINED"]
PartStatus = Literal["PASS", "FAIL", "UNKNOWN", "NOT_CALCULATED", "NOT_MEASURED", "REWORK", "SYSERROR", "UNDEFINED"]

#: Cannot tell is INDETERMINATE for a characteristic; the enumeration for a part has UNKNOWN in its place.
STATUS: dict[str | None, Status] = {
    "pass": "PASS",
    "fail": "FAIL",
    "cannot_tell": "INDETERMINATE",
    None: "NOT_ANALYZED",
}
PART_STATUS: dict[str | None, PartStatus] = {
    "pass": "PASS",
    "fail": "FAIL",
    "cannot_tell": "UNKNOWN",
    None: "NOT_CALCULATED",
}
#: Ids of files and of results are made from what they say, so that the same record gives the same file.
NAMESPACE = uuid.UUID("6c1f0a52-8a7e-5d0b-9b1e-2f3f0f6f7a10")
DESCRIPTION = (
    "Knurl inspection from photos. combinedUncertainty is the standard uncertainty (k = 1); a characteristic passes "
    "when value +- guard factor x uncertainty lies inside its limits, fails when wholly outside, else INDETERMINATE "
    "(JCGM 106). NOT_ANALYZED: reported, not judged. Lengths in mm at the crest unless the name says otherwise."
)


@dataclass(frozen=True)
class QifFigure:
    """One characteristic of one part.

    Attributes
    ----------
    name : str
    kind : {"length", "angle", "diameter", "ratio", "text"}
    status : str
        CharacteristicStatusEnum.
    value, u : float or None
        u is None where none is stated.
    text : str
        The answer of a characteristic that has a word for one.
    nominal, lower, upper : float or None
    pass_text : str
        The word wanted; empty where there is none.
    words : str
        One line for people.
    """

    name: str
    kind: Kind
    status: Status
    value: float | None = None
    u: float | None = None
    text: str = ""
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None
    pass_text: str = ""
    words: str = ""


@dataclass(frozen=True)
class QifPhoto:
    """A photo that the figures come from: a file name and its SHA-256."""

    file: str
    sha256: str


@dataclass(frozen=True)
class QifPart:
    """The results of one part.

    Attributes
    ----------
    name : str
        Title and place: ``"12-3 knob A1"``.
    status : str
        InspectionStatusEnum.
    job, operation, serial, who, when, record_hash : str
    photos : tuple of QifPhoto
    figures : tuple of QifFigure
    left_out : tuple of str
        Names of characteristics of other kinds that were read over.
    """

    name: str
    status: PartStatus
    figures: tuple[QifFigure, ...]
    job: str = ""
    operation: str = ""
    serial: str = ""
    who: str = ""
    when: str = ""
    record_hash: str = ""
    photos: tuple[QifPhoto, ...] = ()
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class QifResults:
    """A whole file: parts with their results, and which program wrote it."""

    parts: tuple[QifPart, ...]
    program: str = ""


def qif_results(inspections: Sequence[Inspected]) -> QifResults:
    """The parts of some inspections as QIF results; a photo without a part is NOT_MEASURED."""
    parts = [_part(done, part) for done in inspections for part in done.result.parts or (None,)]
    version = inspections[0].result.tool_version if inspections else ""
    return QifResults(tuple(parts), f"knurlsight {version}".strip())


def _token(text: str) -> str:
    """Text as xs:token keeps it: blanks and line ends become single blanks."""
    return re.sub(r"\s+", " ", text).strip()


def _part(done: Inspected, part: PartRecord | None) -> QifPart:
    judged = [_check(check, part, done) for check in part.checks] if part is not None else []
    names = {figure.name for figure in judged}
    reported = [
        QifFigure(name, _kind(name), "NOT_ANALYZED", q.value, q.u or None)
        for name, q in (part_figures(part) if part is not None else {}).items()
        if name not in names
    ]
    return QifPart(
        name=_token(f"{title_of(done.result)} {part.id if part is not None else ''}"),
        status=PART_STATUS[part.verdict] if part is not None else "NOT_MEASURED",
        figures=(*judged, *reported),
        job=done.job,
        operation=done.operation,
        serial=done.serial,
        who=_token(done.who),
        when=done.when,
        record_hash=done.record_hash,
        photos=tuple(QifPhoto(photo.file, photo.sha256) for photo in done.result.photos),
    )


def _check(check: CheckRecord, part: PartRecord, done: Inspected) -> QifFigure:
    name = check_name(check)
    if check.name in WORD_CHECKS:
        text, wanted = check.verdict.replace("_", " "), ""
        if check.name == "form":
            text = part.form or "not recognised"
            wanted = done.result.expected.form if done.result.expected is not None else ""
        return QifFigure(name, "text", STATUS[check.verdict], text=text, pass_text=wanted, words=check.words)
    measured = quantity(check.measured)
    return QifFigure(
        name=name,
        kind=_kind(name),
        status=STATUS[check.verdict],
        value=measured.value if measured else None,
        u=(measured.u or None) if measured else None,
        nominal=check.nominal,
        lower=check.lower,
        upper=check.upper,
        words=check.words,
    )


def _kind(name: str) -> Kind:
    if name.startswith("outside diameter"):
        return "diameter"
    kinds: dict[str, Kind] = {"mm": "length", "deg": "angle", "": "ratio"}
    return kinds[unit_of(name)]
