"""Work backwards: which wheel and blank explain a knurl that was measured.

Rolling keeps the axial pitch, so that of a slanting family is the wheel's own, whatever the part grew. Around
the part the count is whole, and the blank that it was counted on must lie below the crest by a growth that some fill
gives. Both are held against every standard pitch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from knurlsight.errors import PlanError
from knurlsight.setup_math.expected import DEFAULT_BITE_MM
from knurlsight.setup_math.forms import FORMS, STANDARD_HELIX_DEG, is_diagonal
from knurlsight.setup_math.growth import fill_for_growth, growth_mm
from knurlsight.setup_math.standards import STANDARD_PITCHES
from knurlsight.setup_math.tracking import blank_for_teeth_mm

#: What a wheel of that name may be off it, as a standard uncertainty: a per cent (common practice).
LABEL_U = 0.01
#: What the fill of a part may be, and how far from it counts as one standard uncertainty.
USUAL_FILLS = (0.6, 1.0)


@dataclass(frozen=True)
class MeasuredKnurl:
    """What of a measured knurl bears on its wheel; lengths in mm with standard uncertainties.

    Attributes
    ----------
    form : str
    outside_diameter_mm, u_outside_diameter_mm : float
    teeth, u_teeth : float
        Around the part.
    axial_pitch_mm, u_axial_pitch_mm : float or None
    """

    form: str
    outside_diameter_mm: float
    u_outside_diameter_mm: float
    teeth: float
    u_teeth: float
    axial_pitch_mm: float | None = None
    u_axial_pitch_mm: float | None = None


@dataclass(frozen=True)
class Candidate:
    """One wheel and blank that could have made the knurl.

    Attributes
    ----------
    wheel : str
        Name of the standard pitch.
    source : str
    teeth : int
    blank_diameter_mm : float
        On which that count is whole at the usual first bite.
    fill : float or None
        Form fill that makes this blank grow to what was measured; None when no fill does.
    misfit : float
        Root mean square of the deviations in standard uncertainties; under 2 explains the knurl.
    """

    wheel: str
    source: str
    teeth: int
    blank_diameter_mm: float
    fill: float | None
    misfit: float


def measured_from_result(result: Mapping[str, Any], part: int = 0) -> MeasuredKnurl:
    """The knurl of a result file.

    Parameters
    ----------
    result : mapping
        As `inspect --json` writes it.
    part : int
        Index of the part.

    Raises
    ------
    PlanError
        When the file holds no such part, or no diameter or count was measured on it.
    """
    parts = result.get("parts")
    if not isinstance(parts, list) or not 0 <= part < len(parts) or not isinstance(parts[part], Mapping):
        raise PlanError("the result file holds no measured part: give one written by inspect --json")
    one = parts[part]
    form, families = one.get("form"), one.get("families") or []
    if form not in FORMS or not isinstance(families, list):
        raise PlanError(f"the result file names no knurl form ({form!r}): nothing to work back from")
    diameter = _quantity(one.get("outside_diameter"))
    counted = [f for f in families if isinstance(f, Mapping) and _quantity(f.get("teeth")) is not None]
    if diameter is None or not counted:
        raise PlanError(
            "the result file has no outside diameter or no count of teeth: inspect the part with a scale",
            hint="knurlsight inspect PHOTO --scale od:20.02mm --json result.json",
        )
    family = min(counted, key=lambda f: (_quantity(f.get("teeth")) or (0.0, math.inf))[1])
    teeth = _quantity(family.get("teeth")) or (0.0, 0.0)
    whole = family.get("teeth_whole")
    if isinstance(whole, int) and not isinstance(whole, bool):
        teeth = (float(whole), 0.0)
    axial = _quantity(family.get("axial_pitch"))
    return MeasuredKnurl(form, *diameter, *teeth, axial[0] if axial else None, axial[1] if axial else None)


def _quantity(value: object) -> tuple[float, float] | None:
    if not isinstance(value, Mapping):
        return None
    number, u = value.get("value"), value.get("u")
    if not isinstance(number, (int, float)) or not isinstance(u, (int, float)) or isinstance(number, bool):
        return None
    return (float(number), float(u)) if math.isfinite(number) and math.isfinite(u) and number > 0 else None


def candidates(knurl: MeasuredKnurl, bite_mm: float = DEFAULT_BITE_MM) -> tuple[Candidate, ...]:
    """Every standard wheel with the counts that could be, the best explanation first."""
    helix = STANDARD_HELIX_DEG if is_diagonal(knurl.form) else 0.0
    cos, sin = math.cos(math.radians(helix)), math.sin(math.radians(helix))
    found = []
    for standard in STANDARD_PITCHES:
        normal = standard.pitch.mm * (cos if standard.pitch.system == "diametral pitch" else 1.0)
        for teeth in _counts(knurl):
            blank = blank_for_teeth_mm(teeth, normal / cos, bite_mm)
            growth = knurl.outside_diameter_mm - blank
            offs = [(teeth - knurl.teeth) / knurl.u_teeth] if knurl.u_teeth > 0 else []
            # The label's doubt moves the blank it counts on, and with it the growth.
            u_growth = math.hypot(LABEL_U * blank, knurl.u_outside_diameter_mm)
            low, high = (growth_mm(knurl.form, normal, fill) for fill in USUAL_FILLS)
            offs.append((growth - min(max(growth, low), high)) / u_growth)
            if knurl.axial_pitch_mm is not None and sin > 0:
                expected = normal / sin
                u = math.hypot(LABEL_U * expected, knurl.u_axial_pitch_mm or 0.0)
                offs.append((knurl.axial_pitch_mm - expected) / u)
            misfit = math.sqrt(sum(o * o for o in offs) / len(offs))
            fill = fill_for_growth(knurl.form, normal, growth)
            found.append(Candidate(standard.name, standard.source, teeth, blank, fill, misfit))
    return tuple(sorted(found, key=lambda c: c.misfit))


def _counts(knurl: MeasuredKnurl) -> Sequence[int]:
    reach = 2.0 * knurl.u_teeth
    return range(max(1, math.ceil(knurl.teeth - reach - 1e-9)), math.floor(knurl.teeth + reach + 1e-9) + 1) or [
        max(1, round(knurl.teeth))
    ]
