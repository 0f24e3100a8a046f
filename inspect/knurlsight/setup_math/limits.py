"""The limits that a part is held against: those that the setup states, and the defaults for the rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from knurlsight.setup_math.expected import ExpectedFamily, ExpectedPattern, at_other_diameter, expectation
from knurlsight.setup_math.forms import Hand, is_diamond
from knurlsight.setup_math.setup_model import Setup
from knurlsight.setup_math.setup_values import PlusMinusLength, PlusMinusShare, Range

#: Defaults of the table of [tolerance]; the names are those of the file.
DEFAULT_PITCH_SHARE = 0.04
DEFAULT_HELIX_DEG = 2.0
DEFAULT_INCLUDED_ANGLE_DEG = 3.0
DEFAULT_TEETH = 0
DEFAULT_GHOST_RATIO = 0.10
DEFAULT_BALANCE = 0.75
DEFAULT_FORM_FILL = 0.67
DEFAULT_RUN_IN_PITCHES = 1.5
DEFAULT_LEAST_RUN_IN_MM = 1.0
DEFAULT_PITCH_DRIFT = 0.03
DEFAULT_DAMAGE_AREA = 0.02
DEFAULT_DEPTH_VARIATION = 0.20


@dataclass(frozen=True)
class Limit:
    """One limit of a setup.

    Attributes
    ----------
    name : str
        The key of [tolerance], or ``"form"``.
    hand : Hand or None
        The family it concerns, where each has its own.
    at : {"crest", "blank"} or None
        The diameter at which it compares. At the blank, a measured figure is carried there first
        (`knurlsight.setup_math.expected.at_other_diameter`).
    nominal : float, str or None
        What is wanted; a DIN 82 code for the form.
    lower, upper : float or None
        None is open.
    unit : {"mm", "deg", ""}
        Shares and counts have none.
    stated : bool
        Whether the setup states it; otherwise it is the default.
    off : bool
        Whether it is not judged: switched off, or nothing to judge by (then `note` says why).
    note : str
        One sentence, or nothing.
    """

    name: str
    hand: Hand | None
    at: Literal["crest", "blank"] | None
    nominal: float | str | None
    lower: float | None
    upper: float | None
    unit: Literal["mm", "deg", ""]
    stated: bool
    off: bool
    note: str = ""


def limits(setup: Setup, expected: ExpectedPattern | None = None) -> tuple[Limit, ...]:
    """Every limit of a setup, one a row of the table of [tolerance], per family where each has its own.

    Parameters
    ----------
    setup : Setup
    expected : ExpectedPattern, optional
        Of the same setup; worked out when not given.
    """
    basis = expectation(setup)
    expected = expected or basis.pattern
    tolerance = setup.tolerance
    at = tolerance.at
    families = expected.families
    if at == "blank":
        families = tuple(_on_blank(f, expected.outside_diameter_mm, basis.blank_diameter_mm) for f in families)
    rows = [Limit("form", None, None, expected.form, None, None, "", "pattern" in setup.model_fields_set, False)]
    rows += [_pitch(f, setup) for f in families]
    rows += [_helix(f, setup) for f in families]
    if is_diamond(expected.form):
        value = tolerance.included_angle_deg
        room = DEFAULT_INCLUDED_ANGLE_DEG if value is None or value == "off" else value
        middle = sum(f.helix_deg for f in families)
        rows.append(
            Limit(
                "included_angle",
                None,
                at,
                middle,
                middle - room,
                middle + room,
                "deg",
                value is not None,
                value == "off",
            )
        )
    elif tolerance.included_angle_deg is not None:
        note = f"{expected.form} has no two slanting families"
        rows.append(Limit("included_angle", None, None, None, None, None, "deg", True, True, note))
    rows += [_teeth(f, setup, basis.teeth_certain) for f in families if f.hand != "ring"]
    rows.append(_at_most("ghost_ratio", tolerance.ghost_ratio, DEFAULT_GHOST_RATIO))
    if len(families) == 2:
        rows.append(_at_least("balance", tolerance.balance, DEFAULT_BALANCE))
    elif tolerance.balance is not None:
        note = f"{expected.form} has one family only"
        rows.append(Limit("balance", None, None, None, None, None, "", True, True, note))
    rows.append(_at_least("form_fill", tolerance.form_fill, DEFAULT_FORM_FILL))
    rows.append(_at_most("run_in", tolerance.run_in_mm, default_run_in_mm(expected.families), "mm"))
    rows.append(_range("full_form_length", tolerance.full_form_length, setup.part.knurl_length_mm))
    rows.append(_range("knurl_length", tolerance.knurl_length, setup.part.knurl_length_mm))
    rows.append(_range("outside_diameter", tolerance.outside_diameter, setup.part.outside_diameter_mm, "crest"))
    rows.append(_at_most("pitch_drift", tolerance.pitch_drift, DEFAULT_PITCH_DRIFT))
    rows.append(_at_most("damage_area", tolerance.damage_area, DEFAULT_DAMAGE_AREA))
    rows.append(_at_most("depth_variation", tolerance.depth_variation, DEFAULT_DEPTH_VARIATION))
    rows.append(_not_allowed("wheel_mark", tolerance.wheel_mark))
    rows.append(_not_allowed("open_seam", tolerance.open_seam))
    return tuple(rows)


def default_run_in_mm(families: Sequence[ExpectedFamily]) -> float:
    """1.5 axial pitches, at least 1 mm; the coarsest family counts, straight ones have no axial pitch."""
    axial = [f.axial_pitch_mm for f in families if f.axial_pitch_mm is not None]
    return max([DEFAULT_LEAST_RUN_IN_MM, *(DEFAULT_RUN_IN_PITCHES * a for a in axial)])


def _on_blank(family: ExpectedFamily, crest_mm: float | None, blank_mm: float | None) -> ExpectedFamily:
    if family.hand == "ring" or crest_mm is None or blank_mm is None:
        return family
    pitch, helix = at_other_diameter(family.normal_pitch_mm, family.helix_deg, crest_mm, blank_mm)
    around = pitch / math.cos(math.radians(helix))
    return family.model_copy(update={"normal_pitch_mm": pitch, "helix_deg": helix, "transverse_pitch_mm": around})


def _pitch(family: ExpectedFamily, setup: Setup) -> Limit:
    value = setup.tolerance.pitch
    nominal = family.normal_pitch_mm
    room = nominal * DEFAULT_PITCH_SHARE
    if isinstance(value, PlusMinusShare):
        room = nominal * value.share
    elif isinstance(value, PlusMinusLength):
        room = value.mm
    return Limit(
        "pitch",
        family.hand,
        setup.tolerance.at,
        nominal,
        nominal - room,
        nominal + room,
        "mm",
        value is not None,
        value == "off",
    )


def _helix(family: ExpectedFamily, setup: Setup) -> Limit:
    value = setup.tolerance.helix_deg
    room = DEFAULT_HELIX_DEG if value is None or value == "off" else value
    nominal = family.helix_deg
    return Limit(
        "helix",
        family.hand,
        setup.tolerance.at,
        nominal,
        nominal - room,
        nominal + room,
        "deg",
        value is not None,
        value == "off",
    )


def _teeth(family: ExpectedFamily, setup: Setup, certain: bool) -> Limit:
    value = setup.tolerance.teeth
    room = DEFAULT_TEETH if value is None or value == "off" else value
    nominal = family.teeth
    if nominal is None:
        note = "" if value == "off" else "no count is expected: state [pattern] teeth, or a wheel and the blank"
        return Limit("teeth", family.hand, None, None, None, None, "", value is not None, True, note)
    off = value == "off" or (value is None and not certain)
    note = "the count does not follow surely enough from the setup to judge by it" if off and value != "off" else ""
    return Limit(
        "teeth",
        family.hand,
        None,
        float(nominal),
        float(nominal - room),
        float(nominal + room),
        "",
        value is not None,
        off,
        note,
    )


def _at_most(name: str, value: float | str | None, default: float, unit: Literal["mm", ""] = "") -> Limit:
    upper = value if isinstance(value, float) else default
    return Limit(name, None, None, None, None, upper, unit, value is not None, value == "off")


def _at_least(name: str, value: float | str | None, default: float) -> Limit:
    lower = value if isinstance(value, float) else default
    return Limit(name, None, None, None, lower, None, "", value is not None, value == "off")


def _range(name: str, value: object, nominal: float | None, at: Literal["crest"] | None = None) -> Limit:
    if isinstance(value, Range):
        return Limit(name, None, at, nominal, value.lower_mm, value.upper_mm, "mm", True, False)
    note = (
        "" if value == "off" else "reported, not judged, unless the setup states limits; measure fits with a micrometer"
    )
    return Limit(name, None, at, nominal, None, None, "mm", value == "off", True, note)


def _not_allowed(name: str, value: bool | str | None) -> Limit:
    """Upper limit 0: any is too much. Allowed and off are the same: not judged."""
    off = value is True or value == "off"
    return Limit(name, None, None, None, None, 0.0, "", value is not None, off)
