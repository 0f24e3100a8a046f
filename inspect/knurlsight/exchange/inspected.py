"""One inspection as it is handed on: its result file, and what the record says about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from photoscale.quantity import Quantity

from knurlsight.errors import ExchangeError
from knurlsight.verdict import FIGURE_WORDS, HAND_WORDS

if TYPE_CHECKING:
    from knurlsight.result import CheckRecord, PartRecord, Q, ResultFile

Unit = Literal["mm", "deg", ""]

#: Checks that have a word for an answer, not a number.
WORD_CHECKS = tuple(FIGURE_WORDS[key] for key in ("form", "wheel_mark", "open_seam"))
LENGTH_WORDS = ("pitch", "run-in", "length", "diameter")
ANGLE_WORDS = ("helix", "angle")


@dataclass(frozen=True)
class Inspected:
    """One inspection with what is known about it.

    Attributes
    ----------
    result : ResultFile
    job, operation, serial : str
        As in the record; empty where unknown.
    who : str
    when : str
        ISO 8601 with its zone.
    record_hash : str
        Of the entry that holds it; empty when it is in no record.
    wheels : tuple of str
        Labels of the wheels used.
    machine : str
    bench : mapping
        What was typed at the bench: dial readings, blank and part diameter, parts rolled by wheel (`BenchFacts`).
    entry : int
        Its number in the job; 0 when it is in no record.
    photo : bytes or None
        The photo as it was measured.
    picture : bytes or None
        The annotated picture, PNG or JPEG.
    """

    result: ResultFile
    job: str = ""
    operation: str = ""
    serial: str = ""
    who: str = ""
    when: str = ""
    record_hash: str = ""
    wheels: tuple[str, ...] = ()
    machine: str = ""
    bench: Mapping[str, Any] = field(default_factory=dict)
    entry: int = 0
    photo: bytes | None = None
    picture: bytes | None = None


def read_result(result: Mapping[str, Any], source: str) -> ResultFile:
    """A result file from its JSON object.

    Raises
    ------
    ExchangeError
        It is not one, or one of another version.
    """
    from pydantic import ValidationError

    from knurlsight.result import ResultFile

    try:
        return ResultFile.model_validate(result)
    except ValidationError as e:
        fault = e.errors(include_url=False)[0]
        place = ".".join(str(p) for p in fault["loc"]) or "the whole"
        raise ExchangeError(
            f"{source}: is not a result file of this version ({place}: {fault['msg']})",
            hint="write it again with knurlsight inspect … --json",
        ) from None


def quantity(q: Q | None) -> Quantity | None:
    """A figure of a result file as the quantity that the rest of the program knows."""
    return None if q is None else Quantity(q.value, q.u, q.unit)


def part_figures(part: PartRecord) -> dict[str, Quantity]:
    """Every figure that was measured on a part, by the name that its check has."""
    named: dict[str, Q | None] = {}
    several = len(part.families) > 1
    for family in part.families:
        hand = HAND_WORDS[family.hand]
        of = f"of the {hand} family"
        named[f"normal pitch {of}"] = family.normal_pitch
        named[f"transverse pitch {of}"] = family.transverse_pitch
        named[f"axial pitch {of}"] = family.axial_pitch
        if family.hand in ("left", "right"):
            named[f"helix {of}"] = family.helix_angle
        named[f"teeth {of}"] = family.teeth
        named[f"form fill {of}"] = family.fill
        named[f"strength {of}"] = family.strength
        ghost = FIGURE_WORDS["ghost_ratio"] + (f", {hand} family" if several else "")
        named[ghost] = family.double_track.ghost_ratio
    named[FIGURE_WORDS["included_angle"]] = part.included_angle
    named[FIGURE_WORDS["balance"]] = part.balance
    named[FIGURE_WORDS["form_fill"]] = part.form_fill
    named[FIGURE_WORDS["outside_diameter"]] = part.outside_diameter
    named[FIGURE_WORDS["knurl_length"]] = part.knurled_length
    named[FIGURE_WORDS["full_form_length"]] = part.full_form_length
    for number, end in enumerate(part.ends, 1):
        named[f"{FIGURE_WORDS['run_in']} at end {number}"] = end.fade
    return {name: q for name, figure in named.items() if (q := quantity(figure)) is not None}


def check_name(check: CheckRecord) -> str:
    """The name of a check, told apart from the figure at the crest where the limit holds at the blank."""
    return f"{check.name} (at the blank)" if check.at == "blank" else check.name


def unit_of(name: str) -> Unit:
    """The unit of a figure or check by its name, also where it was not measured."""
    words = name.split(" of the ")[0]
    if words == FIGURE_WORDS["pitch_drift"]:
        return ""
    if any(w in words for w in ANGLE_WORDS):
        return "deg"
    return "mm" if any(w in words for w in LENGTH_WORDS) else ""


def part_named(result: ResultFile) -> str:
    """Number and name of the part as the setup says; empty where it does not."""
    part = result.setup.content.get("part", {}) if result.setup is not None else {}
    return " ".join(str(part[key]) for key in ("number", "name") if part.get(key))


def title_of(result: ResultFile) -> str:
    """Number and name of the part as the setup says, else the names of the photos."""
    return part_named(result) or ", ".join(photo.file for photo in result.photos)
