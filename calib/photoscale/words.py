"""The words that name a scale (``--scale``) and its height (``--scale-height``), read into records.

::

    card | card:9.87mm | rule | rule:1mm | rule:0.5mm | rule:0.1mm | rule:1/16in | rule:1/32in | rule:1/64in
    pin:6.000mm | od:25.02mm | rig:NAME | 0.0512mm/px          each length also as 0.985in, and with +-0.01mm behind it
    rule:1mm; od:25.02mm                                       two of different kinds, which must agree
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import Literal

from photoscale.errors import ScaleWordError
from photoscale.quantity import Quantity

MM_PER_INCH = 25.4
NOMINAL_SQUARE_MM = 10.0

# default standard uncertainties; replaced by what stands behind +-
U_SQUARE_MM = 0.03  # a square found with a caliper
U_UNMEASURED_PRINT_REL = 0.01  # office printers: 1.5 % small measured on one, today a few tenths of a per cent
U_CALIPER_MM = 0.02
U_MICROMETER_MM = 0.005
U_PIN_MM = 0.003
RULE_HEIGHT_MM = (0.8, 0.3)  # face above the bench: thickness of a steel rule
CARD_HEIGHT_MM = (0.3, 0.2)  # thickness of a printed card

FORMS = "card, card:9.87mm, rule:1mm, rule:0.5mm, rule:1/32in, rule:1/64in, pin:6mm, od:25.02mm, rig:NAME, 0.0512mm/px"


@dataclass(frozen=True)
class CardWord:
    """A printed card; its square as measured, or as nominal with the doubt of an unmeasured print."""

    square_mm: float
    u_square_mm: float
    measured: bool


@dataclass(frozen=True)
class RuleWord:
    """A rule; its coarsest graduation that is certain, mm. None: whatever the pattern of its lines says."""

    step_mm: float | None


@dataclass(frozen=True)
class PinWord:
    """A ground pin that lies beside the part."""

    diameter: Quantity


@dataclass(frozen=True)
class DiameterWord:
    """The part's own outside diameter over the crests."""

    diameter: Quantity


@dataclass(frozen=True)
class RigWord:
    """A stored camera set-up."""

    name: str


@dataclass(frozen=True)
class PlainWord:
    """Millimetres per pixel at the crest; u 0 means that no uncertainty was stated."""

    mm_per_px: Quantity


OneScaleWord = CardWord | RuleWord | PinWord | DiameterWord | RigWord | PlainWord


@dataclass(frozen=True)
class TwoScalesWord:
    """Two scales that must agree."""

    first: OneScaleWord
    second: OneScaleWord


ScaleWord = OneScaleWord | TwoScalesWord


def each_word(word: ScaleWord | None) -> tuple[OneScaleWord, ...]:
    """The one or two scales that are named; none for None."""
    if isinstance(word, TwoScalesWord):
        return word.first, word.second
    return () if word is None else (word,)


@dataclass(frozen=True)
class ScaleHeight:
    """Height of the scale's face above the surface that the part rests on.

    Attributes
    ----------
    at : str
        ``"bench"`` (lies on it), ``"axis"`` or ``"crest"`` of the part, or ``"stated"``.
    height_mm, u_mm : float or None
        Only when stated.
    second : ScaleHeight or None
        That of the second of two scales; None: the same.
    """

    at: Literal["bench", "axis", "crest", "stated"] = "bench"
    height_mm: float | None = None
    u_mm: float | None = None
    second: ScaleHeight | None = None


_NUMBER = r"(\d+(?:[.,]\d*)?|[.,]\d+)"
_LENGTH = re.compile(rf"^{_NUMBER}\s*(mm|in|\"|inch)?(?:\s*(?:\+-|\+/-|±)\s*{_NUMBER}\s*(mm|in|\"|inch)?)?$")
_PER_PIXEL = re.compile(rf"^{_NUMBER}(?:\s*(?:\+-|\+/-|±)\s*{_NUMBER})?\s*(mm|um|µm)\s*/\s*px$")
_RULES = {"1mm": 1.0, "0.5mm": 0.5, "0.1mm": 0.1} | {f"1/{n}in": MM_PER_INCH / n for n in (16, 32, 64)}


def parse_scale(text: str) -> ScaleWord:
    """Read a ``--scale`` word.

    >>> parse_scale("card:9.87mm")
    CardWord(square_mm=9.87, u_square_mm=0.03, measured=True)
    >>> parse_scale("od:25.02+-0.01mm").diameter
    Quantity(value=25.02, u=0.01, unit='mm')
    >>> parse_scale("rule:1mm; od:25.02mm").first
    RuleWord(step_mm=1.0)

    Raises
    ------
    ScaleWordError
        What was typed, what would have been right.
    """
    named = [_one_scale(part) for part in text.split(";")]
    if len(named) == 1:
        return named[0]
    if len(named) > 2:
        raise ScaleWordError(f"scale {text!r}: {len(named)} scales are named", "name the two best")
    first, second = named
    if type(first) is type(second):
        raise ScaleWordError(
            f"scale {text!r}: both are of one kind", "name two of different kinds, such as rule and od:"
        )
    if any(isinstance(w, PlainWord) and w.mm_per_px.u == 0 for w in named):
        raise ScaleWordError(
            f"scale {text!r}: what states no uncertainty can agree with nothing", "write 0.0512+-0.0002mm/px"
        )
    return TwoScalesWord(first, second)


def _one_scale(text: str) -> OneScaleWord:
    word = text.strip()
    kind, colon, rest = (s.strip() for s in word.partition(":"))
    kind = kind.lower()
    if kind == "card":
        if not colon:
            return CardWord(NOMINAL_SQUARE_MM, NOMINAL_SQUARE_MM * U_UNMEASURED_PRINT_REL, False)
        square = _length(text, rest, U_SQUARE_MM, between=(1.0, 200.0))
        return CardWord(square.value, square.u, True)
    if kind == "rule":
        if not colon:
            return RuleWord(None)
        step = _RULES.get(rest.lower().replace(" ", "").replace(",", ".").replace("inch", "in").replace('"', "in"))
        if step is None:
            raise ScaleWordError(
                f"scale {text!r}: no rule with such lines is known", "use one of rule:" + ", rule:".join(_RULES)
            )
        return RuleWord(step)
    if kind == "pin":
        return PinWord(_length(text, rest, U_PIN_MM, between=(0.2, 100.0)))
    if kind == "od":
        return DiameterWord(_length(text, rest, None, between=(0.5, 500.0)))
    if kind == "rig":
        if not re.fullmatch(r"[\w.-]{1,60}", rest):
            raise ScaleWordError(f"scale {text!r}: a rig has a name of letters, digits, - and _", "write rig:NAME")
        return RigWord(rest)
    if match := _PER_PIXEL.match(word.lower()):
        factor = 1.0 if match[3] == "mm" else 1e-3
        value = _number(match[1]) * factor
        if not 1e-6 < value < 100:
            raise ScaleWordError(
                f"scale {text!r}: {value:g} mm per pixel cannot be", "a bench photo has 0.005 to 0.3 mm/px"
            )
        return PlainWord(Quantity(value, _number(match[2]) * factor if match[2] else 0.0, "mm"))
    raise ScaleWordError(f"scale {text!r} is not understood", f"use one of: {FORMS}")


def parse_height(text: str) -> ScaleHeight:
    """Read a ``--scale-height`` word: ``bench``, ``axis``, ``crest`` or a length.

    A stated height without ``+-`` carries 0.3 mm, 1 % when that is more: a guess with a rule. Heights of two scales:
    ``bench; crest``.

    Raises
    ------
    ScaleWordError
    """
    heights = [_one_height(part) for part in text.split(";")]
    if len(heights) > 2:
        raise ScaleWordError(f"scale height {text!r}: {len(heights)} heights for two scales", "give one for each scale")
    return heights[0] if len(heights) == 1 else replace(heights[0], second=heights[1])


def _one_height(text: str) -> ScaleHeight:
    word = text.strip().lower()
    if word in ("bench", "axis", "crest"):
        return ScaleHeight(word)  # type: ignore[arg-type]
    match = _LENGTH.match(word)
    if not match:
        raise ScaleWordError(
            f"scale height {text!r} is not understood", "use bench, axis, crest or a length such as 16mm"
        )
    value = _in_mm(_number(match[1]), match[2] or match[4])
    u = _in_mm(_number(match[3]), match[4] or match[2]) if match[3] else max(0.3, 0.01 * value)
    if value > 500:
        raise ScaleWordError(f"scale height {text!r}: {value:g} mm is out of reach", "give the height above the bench")
    return ScaleHeight("stated", value, u)


def _length(text: str, rest: str, u_default: float | None, between: tuple[float, float]) -> Quantity:
    match = _LENGTH.match(rest.lower())
    if not match:
        raise ScaleWordError(f"scale {text!r}: no length in it", f"use one of: {FORMS}")
    unit = match[2] or match[4]
    value = _in_mm(_number(match[1]), unit)
    if not between[0] <= value <= between[1]:
        raise ScaleWordError(
            f"scale {text!r}: {value:g} mm is outside {between[0]:g} to {between[1]:g} mm", "check number and unit"
        )
    if match[3]:
        u = _in_mm(_number(match[3]), match[4] or match[2])
        if not 0 < u < 0.2 * value:
            raise ScaleWordError(
                f"scale {text!r}: ± {u:g} mm cannot be", "give the standard uncertainty, such as +-0.01mm"
            )
    elif u_default is not None:
        u = u_default
    else:
        # three decimals of a millimetre, or four of an inch, are a micrometer's; fewer a caliper's
        decimals = len(re.split("[.,]", match[1])[1]) if re.search("[.,]", match[1]) else 0
        u = U_MICROMETER_MM if decimals >= (3 if unit in (None, "mm") else 4) else U_CALIPER_MM
    return Quantity(value, u, "mm")


def _number(text: str) -> float:
    value = float(text.replace(",", "."))
    return value if math.isfinite(value) else 0.0


def _in_mm(value: float, unit: str | None) -> float:
    return value if unit in (None, "mm") else value * MM_PER_INCH
