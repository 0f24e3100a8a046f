"""How figures are written for people: one place, so that terminal, report and picture never disagree.

Everything inside is mm and degrees; here lengths become inches for those who read inches. An uncertainty is shown
expanded (k = 2) with one digit, two when it begins with 1 or 2; the value is rounded to the same place.
"""

from __future__ import annotations

import math
from typing import Literal

from photoscale.quantity import Quantity

Units = Literal["mm", "in"]
MM_PER_INCH = 25.4


def decimals_of(expanded: float) -> int:
    """Decimal places that an expanded uncertainty deserves."""
    exponent = math.floor(math.log10(expanded))
    digits = 2 if expanded / 10**exponent < 2.95 else 1
    return min(6, max(0, digits - 1 - exponent))


def in_units(value: float, unit: str, units: Units) -> tuple[float, str]:
    """`value` and its unit as the reader wants them: lengths in mm or inch, all else unchanged."""
    return (value / MM_PER_INCH, "in") if unit == "mm" and units == "in" else (value, unit)


def with_unit(number: str, unit: str) -> str:
    """A written number followed by its unit: a degree sign hangs on, other units stand off."""
    if unit == "deg":
        return f"{number}°"
    return f"{number} {unit}" if unit else number


def plain(value: float, unit: str = "", units: Units = "mm") -> str:
    """A number without uncertainty (a limit, a nominal value), trailing zeros dropped.

    >>> plain(1.0400001, "mm"), plain(30, "deg"), plain(25.4, "mm", "in")
    ('1.04 mm', '30°', '1 in')
    """
    value, unit = in_units(value, unit, units)
    return with_unit(bare(value, unit), unit)


def bare(value: float, unit: str = "") -> str:
    """A number without its unit, to the places that the unit deserves: a micrometre, a tenth of a thou, 0.01°."""
    places = {"mm": 3, "in": 4, "deg": 2}.get(unit, 3)
    text = f"{value:.{places}f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def measured(q: Quantity | None, units: Units = "mm") -> str:
    """A measured figure with its expanded uncertainty, or a dash.

    >>> measured(Quantity(1.0083, 0.0031, "mm")), measured(Quantity(30.12, 0.14, "deg"))
    ('1.008 ± 0.006 mm', '30.12 ± 0.28°')
    >>> measured(Quantity(25.4, 0.0254, "mm"), "in")
    '1.0000 ± 0.0020 in'
    """
    if q is None:
        return "–"
    value, unit = in_units(q.value, q.unit, units)
    expanded = in_units(2 * q.u, q.unit, units)[0]
    if expanded <= 0:  # a pasted scale states no uncertainty: then neither does the figure
        return with_unit(bare(value, unit), unit) + " (uncertainty not stated)"
    places = decimals_of(expanded)
    return with_unit(f"{value:.{places}f} ± {expanded:.{places}f}", unit)


def span(lower: float | None, upper: float | None, unit: str = "", units: Units = "mm") -> str:
    """Limits in words: "0.96 to 1.04 mm", "at most 0.1", "at least 0.75"."""
    if lower is not None and upper is not None:
        if lower == upper:
            return plain(lower, unit, units)
        low, shown = in_units(lower, unit, units)
        return f"{bare(low, shown)} to {plain(upper, unit, units)}"
    if upper is not None:
        return f"at most {plain(upper, unit, units)}"
    if lower is not None:
        return f"at least {plain(lower, unit, units)}"
    return "no limit"


def percent(share: float) -> str:
    """A share as a percentage with two significant digits at most: 0.0034 gives 0.34 %."""
    value = 100 * share
    places = 0 if abs(value) >= 10 else 1 if abs(value) >= 1 else 2
    return f"{value:.{places}f} %"
