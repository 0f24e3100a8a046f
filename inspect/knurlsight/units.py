"""Units at the door: words typed by a user become mm, degrees and ratios, and go back to words at the exit.

Inside the package every length is in mm and every angle in degrees, as plain floats.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Literal

from knurlsight.errors import UnitError

MM_PER_INCH = 25.4

LengthUnit = Literal["mm", "in"]
PitchSystem = Literal["length", "teeth per inch", "module", "diametral pitch"]

_LENGTH_UNITS = {
    "mm": Decimal(1),
    "cm": Decimal(10),
    "um": Decimal("0.001"),
    "µm": Decimal("0.001"),
    "μm": Decimal("0.001"),
    "in": Decimal("25.4"),
    "inch": Decimal("25.4"),
    "inches": Decimal("25.4"),
    '"': Decimal("25.4"),
    "″": Decimal("25.4"),
    "thou": Decimal("0.0254"),
    "mil": Decimal("0.0254"),
}
_ANGLE_UNITS = {"deg", "degree", "degrees", "°"}
_NUMBER = r"[+\-−]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+\-]?\d+)?"
_FRACTION = r"(?:\d+[\s\-])?\d+\s*/\s*\d+"
_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")


@dataclass(frozen=True)
class Pitch:
    """A pitch as a label or drawing names it.

    Attributes
    ----------
    mm : float
        Distance from one tooth to the next, mm. Along which direction is not part of the label.
    system : {"length", "teeth per inch", "module", "diametral pitch"}
        What kind of number the label carries.
    number : float
        That number: mm, teeth per inch, module in mm, or teeth per inch of diameter.

    Notes
    -----
    25.4 / TPI by definition; π m for a module (JIS B 0951:1962); 25.4 π / P for a diametral pitch (ANSI/ASME
    B94.6, P = N / D on the blank).
    """

    mm: float
    system: PitchSystem
    number: float

    @property
    def words(self) -> str:
        """The label in a form that `parse_pitch` reads back."""
        number = _plain(self.number)
        return {
            "length": f"{number} mm",
            "teeth per inch": f"{number} tpi",
            "module": f"m{number}",
            "diametral pitch": f"dp{number}",
        }[self.system]


def pitch_from_length(mm: float) -> Pitch:
    """A pitch given as a length in mm."""
    return Pitch(mm, "length", mm)


def pitch_from_tpi(teeth_per_inch: float) -> Pitch:
    """A pitch given as teeth per inch."""
    return Pitch(MM_PER_INCH / teeth_per_inch, "teeth per inch", teeth_per_inch)


def pitch_from_module(module_mm: float) -> Pitch:
    """A pitch given as a module in mm: π m (JIS B 0951:1962)."""
    return Pitch(math.pi * module_mm, "module", module_mm)


def pitch_from_diametral(diametral_pitch: float) -> Pitch:
    """A pitch given as teeth per inch of blank diameter: 25.4 π / P (ANSI/ASME B94.6)."""
    return Pitch(MM_PER_INCH * math.pi / diametral_pitch, "diametral pitch", diametral_pitch)


def _shown(value: object) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _decimal(text: str, value: object, kind: str, hint: str) -> Decimal:
    """A number or a fraction such as 3/4 or 1 1/2; anything else is refused."""
    text = text.strip().replace("−", "-")
    if re.fullmatch(_FRACTION, text):
        parts = re.split(r"[\s\-]+(?=\d+\s*/)", text)
        top, bottom = (int(p) for p in parts[-1].split("/"))
        if bottom == 0:
            raise UnitError(f"{_shown(value)} is not a {kind}: it divides by nought", hint=hint)
        whole = int(parts[0]) if len(parts) > 1 else 0
        fraction = Fraction(top, bottom) + whole
        return Decimal(fraction.numerator) / Decimal(fraction.denominator)
    if re.fullmatch(r"[+\-]?\d+,\d+", text):
        raise UnitError(
            f"{_shown(value)} is not a {kind}: write the decimal with a point", hint=str(value).replace(",", ".")
        )
    if not re.fullmatch(_NUMBER, text):
        raise UnitError(f"{_shown(value)} is not a {kind}", hint=hint)
    try:
        number = Decimal(text)
    except InvalidOperation:  # pragma: no cover - the pattern above admits only numbers
        raise UnitError(f"{_shown(value)} is not a {kind}", hint=hint) from None
    if abs(number) > Decimal("1e9"):
        raise UnitError(f"{_shown(value)} is out of any range a {kind} could have", hint=hint)
    return number


def _bare_number(value: object, kind: str, hint: str) -> Decimal | None:
    """The value as a decimal if it is a bare number and not text."""
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise UnitError(f"{_shown(value)} is not a {kind}", hint=hint)
    if isinstance(value, str):
        return None
    if not math.isfinite(value) or abs(value) > 1e9:
        raise UnitError(f"{_shown(value)} is not a {kind}", hint=hint)
    return Decimal(repr(value))


def _split_unit(text: str) -> tuple[str, str]:
    """The number and the unit behind it: ``"1 1/2 in"`` gives ``("1 1/2", "in")``."""
    match = re.fullmatch(r"(.*?[\d.])\s*([^\d\s.,/+\-−][^\d]*)?", text.strip())
    if not match:
        return text.strip(), ""
    return match[1], (match[2] or "").strip().lower()


def _length_decimal(value: object) -> Decimal:
    hint = "25.4mm, 1in, 3/4in or 2.5thou"
    number = _bare_number(value, "length", hint)
    if number is not None:
        return number
    digits, unit = _split_unit(str(value))
    if unit and unit not in _LENGTH_UNITS:
        raise UnitError(f"{_shown(value)} is not a length: unit {unit!r} is not known", hint=hint)
    return _decimal(digits, value, "length", hint) * (_LENGTH_UNITS[unit] if unit else Decimal(1))


def parse_signed_length(value: object) -> float:
    """A length of either sign in mm.

    Parameters
    ----------
    value : str, int or float
        Such as ``"25.4mm"``, ``"1 in"``, ``"1 1/2in"``, ``"2.5thou"``; a bare number is mm.

    Returns
    -------
    float
        mm.

    Raises
    ------
    UnitError
        If it is not a length.

    Examples
    --------
    >>> parse_signed_length("3/4in")
    19.05
    """
    return float(_length_decimal(value))


def parse_length(value: object) -> float:
    """A length above nought, in mm; see `parse_signed_length`.

    >>> parse_length("1in")
    25.4
    """
    mm = parse_signed_length(value)
    if mm <= 0:
        raise UnitError(f"{_shown(value)} is not a length above nought", hint="25.4mm or 1in")
    return mm


def parse_length_or_zero(value: object) -> float:
    """A length of nought or more, in mm; see `parse_signed_length`."""
    mm = parse_signed_length(value)
    if mm < 0:
        raise UnitError(f"{_shown(value)} is less than nought", hint="0.05mm or 2thou")
    return mm


def parse_signed_angle(value: object) -> float:
    """An angle in degrees; a bare number is degrees.

    >>> parse_signed_angle("30 deg")
    30.0
    """
    hint = "30deg"
    number = _bare_number(value, "angle", hint)
    if number is not None:
        return float(number)
    digits, unit = _split_unit(str(value))
    if unit and unit not in _ANGLE_UNITS:
        raise UnitError(f"{_shown(value)} is not an angle: unit {unit!r} is not known", hint=hint)
    return float(_decimal(digits, value, "angle", hint))


def parse_ratio(value: object) -> float:
    """A ratio; ``"4 %"`` is 0.04 and a bare number is the ratio itself.

    >>> parse_ratio("4 %")
    0.04
    """
    hint = '"4 %" or 0.04'
    number = _bare_number(value, "ratio", hint)
    if number is not None:
        return float(number)
    digits, unit = _split_unit(str(value))
    if unit not in ("", "%"):
        raise UnitError(f"{_shown(value)} is not a ratio: unit {unit!r} is not known", hint=hint)
    return float(_decimal(digits, value, "ratio", hint) / (100 if unit == "%" else 1))


def parse_count(value: object) -> int:
    """A whole number above nought."""
    if isinstance(value, str) and re.fullmatch(r"\s*\d+\s*", value):
        value = int(value)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or value <= 0:
        raise UnitError(f"{_shown(value)} is not a whole number above nought", hint="47")
    return value


def parse_number(value: object) -> float:
    """A plain number above nought, without a unit."""
    number = _bare_number(value, "number", "96")
    digits = _decimal(str(value), value, "number", "96") if number is None else number
    if digits <= 0:
        raise UnitError(f"{_shown(value)} is not a number above nought", hint="96")
    return float(digits)


def parse_pitch(value: object) -> Pitch:
    """A pitch in any system: ``"0.8mm"``, ``"21tpi"``, ``"m0.3"``, ``"dp96"``, ``"1/32in"``; a bare number is mm.

    >>> round(parse_pitch("21tpi").mm, 4)
    1.2095
    """
    hint = "0.8mm, 21tpi, m0.3 or dp96"
    if isinstance(value, str):
        text = value.strip().lower()
        tpi = re.fullmatch(rf"({_NUMBER})\s*(?:tpi|teeth\s+per\s+inch|per\s+inch|/\s*in(?:ch)?)", text)
        module = re.fullmatch(rf"(?:m|module)\s*({_NUMBER})(?:\s*mm)?", text)
        diametral = re.fullmatch(rf"(?:dp|diametral\s+pitch)\s*({_NUMBER})", text)
        diametral = diametral or re.fullmatch(rf"({_NUMBER})\s*dp", text)
        for match, make in (
            (tpi, pitch_from_tpi),
            (module, pitch_from_module),
            (diametral, pitch_from_diametral),
        ):
            if match:
                number = float(_decimal(match[1], value, "pitch", hint))
                if number <= 0:
                    raise UnitError(f"{_shown(value)} is not a pitch above nought", hint=hint)
                return make(number)
    try:
        mm = parse_signed_length(value)
    except UnitError:
        raise UnitError(f"{_shown(value)} is not a pitch", hint=hint) from None
    if mm <= 0:
        raise UnitError(f"{_shown(value)} is not a pitch above nought", hint=hint)
    return pitch_from_length(mm)


def parse_with_plus_minus(value: object) -> tuple[float, float | None]:
    """A length with what stands behind ``±``, both in mm: ``"25.02+-0.01mm"`` gives (25.02, 0.01).

    A unit at the end counts for both unless the first has its own.
    """
    if not isinstance(value, str) or not _PLUS_MINUS.search(value):
        return parse_signed_length(value), None
    first, *rest = _PLUS_MINUS.split(value)
    if len(rest) != 1 or not first.strip() or not rest[0].strip():
        raise UnitError(f"{_shown(value)} is not a length with its ±", hint="25.02+-0.01mm")
    _, unit = _split_unit(rest[0])
    if unit and not _split_unit(first)[1]:
        first = f"{first}{unit}"
    return parse_signed_length(first), parse_length_or_zero(rest[0])


def _plain(number: float) -> str:
    """Shortest decimal text that reads back as the same float, without an exponent."""
    return _trimmed(Decimal(repr(number)))


def _trimmed(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def format_mm(mm: float, digits: int = 3) -> str:
    """``"19.464 mm"``."""
    return f"{mm:.{digits}f} mm"


def format_inch(mm: float, digits: int = 4) -> str:
    """``"0.7663 in"`` for a length in mm."""
    return f"{mm / MM_PER_INCH:.{digits}f} in"


def format_length(mm: float, unit: LengthUnit = "mm") -> str:
    """A length in the unit asked for."""
    return format_inch(mm) if unit == "in" else format_mm(mm)


def format_both(mm: float, unit: LengthUnit = "mm") -> str:
    """A length in the unit asked for, the other behind it: ``"19.464 mm (0.7663 in)"``."""
    first, second = (format_inch(mm), format_mm(mm)) if unit == "in" else (format_mm(mm), format_inch(mm))
    return f"{first} ({second})"


def length_words(mm: float, unit: LengthUnit = "mm") -> str:
    """A length for a file: all digits in mm, a billionth of an inch in inch."""
    if unit == "in":
        return f"{_trimmed(round(Decimal(repr(mm)) / Decimal('25.4'), 9))} in"
    return f"{_plain(mm)} mm"


def angle_words(degrees: float) -> str:
    """An angle for a file: ``"30 deg"``."""
    return f"{_plain(degrees)} deg"


def ratio_words(ratio: float) -> str:
    """A ratio for a file: ``"4 %"``."""
    return f"{_trimmed(Decimal(repr(ratio)) * 100)} %"
