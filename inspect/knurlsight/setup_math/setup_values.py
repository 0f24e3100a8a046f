"""How each value of the setup file is read: one reader per kind of value, each with a hint of what would be right."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator

from knurlsight.errors import UnitError
from knurlsight.setup_math.forms import Form, WheelCode
from knurlsight.units import (
    Pitch,
    parse_count,
    parse_length,
    parse_length_or_zero,
    parse_number,
    parse_pitch,
    parse_ratio,
    parse_signed_angle,
    parse_signed_length,
)

Off = Literal["off"]


@dataclass(frozen=True)
class PlusMinusShare:
    """± a share of the nominal value."""

    share: float


@dataclass(frozen=True)
class PlusMinusLength:
    """± a length in mm."""

    mm: float


@dataclass(frozen=True)
class Range:
    """Limits in mm; None is open."""

    lower_mm: float | None
    upper_mm: float | None


@dataclass(frozen=True)
class Deviations:
    """Limits as they stand behind a nominal length, mm; `_resolved` turns them into a `Range`."""

    lower_mm: float
    upper_mm: float


def _percent(value: object) -> float:
    """A share that people give in per cent; a bare number over 1 is taken for a forgotten % sign and refused."""
    share = parse_ratio(value)
    if share < 0:
        raise UnitError(f"{value!r} is less than nought", hint='"4 %"')
    if share > 1:
        sign = "" if "%" in str(value) else " or a % sign is missing"
        raise UnitError(f"{value!r} is more than the whole{sign}", hint='"4 %" or 0.04')
    return share


def _share_or_length(value: object) -> PlusMinusShare | PlusMinusLength:
    text = re.sub(r"^\s*(?:±|\+/-|\+-)\s*", "", value) if isinstance(value, str) else value
    if isinstance(text, str) and "%" in text:
        share = _percent(text)
        if share == 0:
            raise UnitError(f"{value!r} leaves no room at all", hint='"4 %" or "off"')
        return PlusMinusShare(share)
    return PlusMinusLength(parse_length(text))


def _plus_minus_angle(value: object) -> float:
    text = re.sub(r"^\s*(?:±|\+/-|\+-)\s*", "", value) if isinstance(value, str) else value
    angle = parse_signed_angle(text)
    if not 0 < angle <= 90:
        raise UnitError(f"{value!r} is not an angle above 0 and up to 90 degrees", hint='"2 deg"')
    return angle


def _plus_minus_count(value: object) -> int:
    text = re.sub(r"^\s*(?:±|\+/-|\+-)\s*", "", value) if isinstance(value, str) else value
    if text in (0, "0", 0.0) and not isinstance(text, bool):
        return 0
    return parse_count(text)


def _unit_share(value: object) -> float:
    share = parse_ratio(value)
    if not 0 <= share <= 1:
        raise UnitError(f"{value!r} is not between 0 and 1", hint="0.75")
    return share


def _allowed(value: object) -> bool:
    if not isinstance(value, bool):
        raise UnitError(f"{value!r} is not true or false", hint='false, or "off"')
    return value


_RANGE_HINT = '["19.9 mm", "20.1 mm"], "20 +- 0.05 mm", "+0.02 -0.05 mm" or ">= 12 mm"'
_SIGNED = r"[+\-−]\s*[\d.]+(?:\s*/\s*\d+)?\s*[a-zµ\"″]*"


def read_range(value: object) -> Range | Deviations:
    """Limits of a length: a pair, ``20 +- 0.05 mm``, ``+0.02 -0.05 mm``, ``+- 0.05 mm``, ``>= 12 mm``."""
    if isinstance(value, list):
        if len(value) != 2:
            raise UnitError(f"{value!r} is not a lower and an upper limit", hint=_RANGE_HINT)
        return _ordered(Range(parse_length_or_zero(value[0]), parse_length(value[1])), value)
    if not isinstance(value, str):
        raise UnitError(f"{value!r} is not a range of lengths", hint=_RANGE_HINT)
    text = value.strip().lower()
    if match := re.fullmatch(r"(?:±|\+/-|\+-)\s*(.+)", text):
        room = parse_length(match[1])
        return Deviations(-room, room)
    if match := re.fullmatch(r"(.+?)\s*(?:±|\+/-|\+-)\s*(.+)", text):
        middle, room = _with_shared_unit(match[1], match[2])
        return _ordered(Range(middle - room, middle + room), value)
    if match := re.fullmatch(rf"({_SIGNED})[\s,/]*({_SIGNED}|0)", text):
        upper, lower = _with_shared_unit(match[1].replace(" ", ""), match[2].replace(" ", ""))
        upper, lower = max(upper, lower), min(upper, lower)
        if upper == lower:
            raise UnitError(f"{value!r} leaves no room at all", hint=_RANGE_HINT)
        return Deviations(lower, upper)
    if match := re.fullmatch(r"(.+?)\s*(?:\.\.+|\bto\b|–)\s*(.+)", text):
        return _ordered(Range(*_with_shared_unit(match[1], match[2])), value)
    if match := re.fullmatch(r"(?:>=|≥|at least|min\.?)\s*(.+)", text):
        return Range(parse_length(match[1]), None)
    if match := re.fullmatch(r"(?:<=|≤|at most|max\.?)\s*(.+)", text):
        return Range(None, parse_length(match[1]))
    raise UnitError(f"{value!r} is not a range of lengths", hint=_RANGE_HINT)


def _with_shared_unit(first: str, second: str) -> tuple[float, float]:
    """Two lengths; a unit that stands only behind the second counts for both."""
    unit = re.search(r"[a-zµ\"″]+\s*$", second)
    if unit and not re.search(r"[a-zµ\"″]\s*$", first):
        first = f"{first}{unit[0]}"
    return parse_signed_length(first), parse_signed_length(second)


def _ordered(limits: Range, value: object) -> Range:
    if limits.lower_mm is not None and limits.upper_mm is not None and limits.lower_mm >= limits.upper_mm:
        raise UnitError(f"{value!r} has no room between its limits", hint=_RANGE_HINT)
    return limits


def _or_off(parse: Callable[[object], Any]) -> Callable[[object], Any]:
    """The same reader, which also takes the word off."""

    def read(value: object) -> Any:
        if isinstance(value, (PlusMinusShare, PlusMinusLength, Range)):
            return value
        if isinstance(value, str) and value.strip().lower() == "off":
            return "off"
        return parse(value)

    return read


def _wheel_helix(value: object) -> float:
    angle = parse_signed_angle(value)
    if not 0 <= angle < 90:
        raise UnitError(
            f"{value!r} is not a helix from 0 to under 90 degrees; the hand says which way", hint='"30 deg"'
        )
    return angle


def _small_angle(value: object) -> float:
    angle = parse_signed_angle(value)
    if not -90 < angle < 90:
        raise UnitError(f"{value!r} is not between -90 and 90 degrees", hint='"30 deg"')
    return angle


def _tooth_angle(value: object) -> float:
    angle = parse_signed_angle(value)
    if not 30 <= angle <= 150:
        raise UnitError(f"{value!r} is not a tooth angle between 30 and 150 degrees", hint='"90 deg"')
    return angle


def _pattern_pitch(value: object) -> float:
    pitch = parse_pitch(value)
    if pitch.system == "diametral pitch":
        raise UnitError(
            f"{value!r} counts teeth on the blank's diameter: put it in [[wheel]] as diametral_pitch",
            hint='normal_pitch = "0.8 mm"',
        )
    return pitch_in_range(pitch, value).mm


def pitch_in_range(pitch: Pitch, value: object) -> Pitch:
    if not 0.05 <= pitch.mm <= 25:
        raise UnitError(f"{value!r} is a pitch of {pitch.mm:.4g} mm; knurls have 0.05 to 25 mm", hint="0.8mm or 21tpi")
    return pitch


def _any_pitch(value: object) -> Pitch:
    return pitch_in_range(value if isinstance(value, Pitch) else parse_pitch(value), value)


def _word(value: object) -> str:
    if not isinstance(value, str):
        raise UnitError(f"{value!r} is not text", hint='"text in quotes"')
    if len(value) > 200:
        raise UnitError(f"a text of {len(value)} characters is too long: 200 at most")
    return value


def _named(value: object) -> str:
    """Part numbers are often plain numbers."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else _word(value)


def _upper(value: object) -> object:
    return value.strip().upper() if isinstance(value, str) else value


def _lower(value: object) -> object:
    return value.strip().lower() if isinstance(value, str) else value


def _guard(value: object) -> float:
    number = parse_number(value)
    if number > 10:
        raise UnitError(f"{value!r} is too large a guard factor: 10 at most", hint="2")
    return number


def _diameter(value: object) -> float:
    mm = parse_length(value)
    if not 0.5 <= mm <= 3000:
        raise UnitError(f"{value!r} is {mm:g} mm; a knurled part or wheel has 0.5 to 3000 mm", hint='"20 mm" or "1 in"')
    return mm


Text = Annotated[str, BeforeValidator(_word)]
Name = Annotated[str, BeforeValidator(_named)]
Length = Annotated[float, BeforeValidator(parse_length)]
Diameter = Annotated[float, BeforeValidator(_diameter)]
SmallLength = Annotated[float, BeforeValidator(parse_length_or_zero)]
Count = Annotated[int, BeforeValidator(parse_count)]
Number = Annotated[float, BeforeValidator(parse_number)]
WheelHelix = Annotated[float, BeforeValidator(_wheel_helix)]
SmallAngle = Annotated[float, BeforeValidator(_small_angle)]
ToothAngle = Annotated[float, BeforeValidator(_tooth_angle)]
PitchLabel = Annotated[Pitch, BeforeValidator(_any_pitch)]
PatternPitch = Annotated[float, BeforeValidator(_pattern_pitch)]
ShareTolerance = Annotated[float | Off, BeforeValidator(_or_off(_percent))]
UnitShareTolerance = Annotated[float | Off, BeforeValidator(_or_off(_unit_share))]
AngleTolerance = Annotated[float | Off, BeforeValidator(_or_off(_plus_minus_angle))]
RangeTolerance = Annotated[Range | Deviations | Off, BeforeValidator(_or_off(read_range))]
AllowedTolerance = Annotated[bool | Off, BeforeValidator(_or_off(_allowed))]


PitchTolerance = Annotated[PlusMinusShare | PlusMinusLength | Off, BeforeValidator(_or_off(_share_or_length))]
CountTolerance = Annotated[int | Off, BeforeValidator(_or_off(_plus_minus_count))]
LengthTolerance = Annotated[float | Off, BeforeValidator(_or_off(parse_length_or_zero))]
GuardFactor = Annotated[float, BeforeValidator(_guard)]
LeftOrRight = Annotated[Literal["left", "right"], BeforeValidator(_lower)]
PitchDirection = Annotated[Literal["normal", "transverse"], BeforeValidator(_lower)]
HolderKind = Annotated[
    Literal["one wheel", "two wheels fixed", "two wheels pivoting", "straddle"], BeforeValidator(_lower)
]
DialScale = Annotated[Literal["radius", "diameter"], BeforeValidator(_lower)]
CrestOrBlank = Annotated[Literal["crest", "blank"], BeforeValidator(_lower)]
FormCode = Annotated[Form, BeforeValidator(_upper)]
WheelCodeName = Annotated[WheelCode, BeforeValidator(_upper)]
