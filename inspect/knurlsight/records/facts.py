"""What people type into a record: one model for each kind of entry, checked at the door.

Lengths are mm inside; typed with their unit as in a setup (``19.62mm``, ``0.77in``), a bare number is mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from knurlsight.errors import KnurlsightError, RecordError
from knurlsight.records.wording import long_text, short_text, shown
from knurlsight.setup_math.setup_values import Count, Diameter, Length

Decision = Literal["accept", "rework", "scrap", "concession"]
PlaceInRun = Literal["first-off", "in-process", "last-off"]


class _Refused(ValueError):
    """A `RecordError` on its way through pydantic."""


def _short(words: str) -> str:
    try:
        return short_text("the text", words)
    except RecordError as e:
        raise _Refused(e.message) from e


def _long(words: str) -> str:
    try:
        return long_text("the text", words)
    except RecordError as e:
        raise _Refused(e.message) from e


def _number(value: object) -> object:
    """Whole numbers may be typed as text; 0 is allowed, which `Count` is not."""
    return int(value) if isinstance(value, str) and value.strip().isdecimal() else value


def _one_or_more(value: object) -> object:
    return [value] if isinstance(value, (str, int, float)) else value


def _rolled(value: object) -> object:
    """``W1:340``, or several of that kind, as a table."""
    if not isinstance(value, (str, list)):
        return value
    table = {}
    for words in [value] if isinstance(value, str) else value:
        label, colon, count = str(words).rpartition(":")
        if not colon:
            raise ValueError("write the wheel's label and the number: rolled=W1:340")
        table[label] = count
    return table


ShortText = Annotated[str, AfterValidator(_short)]
LongText = Annotated[str, AfterValidator(_long)]
PartsRolled = Annotated[int, BeforeValidator(_number), Field(ge=0, le=100_000_000)]


class Facts(BaseModel):
    """Base of the models: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    def stated(self) -> dict[str, Any]:
        """What was typed, without what was left out; plain JSON values."""
        return self.model_dump(mode="json", exclude_none=True, exclude_defaults=True)


class JobFacts(Facts):
    """What a job is about."""

    customer: ShortText | None = None
    part: ShortText | None = None
    revision: ShortText | None = None
    quantity: Count | None = None
    material: ShortText | None = None
    due: date | None = None
    drawing: ShortText | None = None
    drawing_revision: ShortText | None = None
    bar_lot: ShortText | None = None


class OperationFacts(Facts):
    """One operation of a job: how it is set up.

    `setup` is ``{"content_hash", "content"}`` as in the result file, `expected` the expected pattern.
    """

    words: ShortText | None = None
    machine: ShortText | None = None
    holder: ShortText | None = None
    setup: dict[str, Any] | None = None
    expected: dict[str, Any] | None = None


class BenchFacts(Facts):
    """What the photo does not show, typed at the bench with an inspection.

    `wheels_rolled` is how many parts a wheel has rolled by then, by its label; inspections are a sample, so that
    counting them would not tell.
    """

    serial: ShortText | None = None
    place: PlaceInRun | None = None
    bar_lot: ShortText | None = None
    machine: ShortText | None = None
    holder: ShortText | None = None
    dial_readings_mm: Annotated[tuple[Length, ...], BeforeValidator(_one_or_more), Field(max_length=50)] = ()
    blank_diameter_mm: Diameter | None = None
    part_diameter_mm: Diameter | None = None
    wheels_rolled: Annotated[dict[ShortText, PartsRolled], BeforeValidator(_rolled), Field(max_length=8)] = {}


class DispositionFacts(Facts):
    """What is done with a part or a job; `about` is the number of the entry that it judges, None the whole job."""

    decision: Decision
    why: LongText | None = None
    about: int | None = None


class CorrectionFacts(Facts):
    """What is corrected in an earlier entry: values of its facts, or that it does not count at all."""

    values: dict[str, Any] = {}
    withdrawn: bool = False
    why: LongText


class WheelFacts(Facts):
    """A wheel as a thing of its own, as measured."""

    diameter_mm: Diameter | None = None
    teeth: Count | None = None
    parts_rolled: PartsRolled | None = None
    words: ShortText | None = None


F = TypeVar("F", bound=Facts)

#: Short keys for the command line.
TYPED_KEYS = {"dial": "dial_readings_mm", "rolled": "wheels_rolled"}


def facts_from(kind: type[F], values: Mapping[str, Any]) -> F:
    """Facts from typed values; None is left out.

    Keys are field names, or as people type them: without ``_mm``, and those of `TYPED_KEYS`.

    Raises
    ------
    RecordError
        A value that cannot be; every one is named, a line each.
    """
    given = {_field(kind, key): value for key, value in values.items() if value is not None}
    try:
        return kind.model_validate(given)
    except ValidationError as e:
        raise RecordError("\n".join(_fault(kind, given, error) for error in e.errors())) from e


def typed_keys(kind: type[Facts]) -> list[str]:
    """The keys of a model as people type them."""
    short = {field: key for key, field in TYPED_KEYS.items()}
    return [short.get(name, name.removesuffix("_mm")) for name in kind.model_fields]


def _field(kind: type[Facts], key: str) -> str:
    known = TYPED_KEYS.get(key, key)
    return f"{known}_mm" if f"{known}_mm" in kind.model_fields else known


def _fault(kind: type[Facts], given: Mapping[str, Any], error: Mapping[str, Any]) -> str:
    key = str(error["loc"][0]) if error["loc"] else ""
    if error["type"] == "extra_forbidden":
        return f"{shown(key)}: unknown; known here: {', '.join(typed_keys(kind))}"
    cause = (error.get("ctx") or {}).get("error")
    if isinstance(cause, KnurlsightError):
        why = f"{cause.message}; write {cause.hint}" if cause.hint else cause.message
    elif isinstance(cause, ValueError):
        why = str(cause)
    elif error["type"].startswith("date"):
        why = "is no day; write 2026-03-02"
    elif error["type"].startswith("int_"):
        why = "is no whole number"
    elif error["type"] == "literal_error":
        why = f"is none of {error['ctx']['expected']}"
    else:
        why = str(error["msg"])
    return f"{key.removesuffix('_mm').replace('_', ' ')} {shown(str(given.get(key, '')))}: {why}"
