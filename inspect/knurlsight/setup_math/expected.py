"""The pattern to expect on a part, as seen at its crest.

The number of teeth is fixed on the blank and seen on the finished diameter. Rolling keeps the axial pitch and spreads
the same teeth over a larger circle, so from the blank d2 to the crest d1 the transverse pitch and the tangent of the
helix grow by d1/d2. A check of the pitch has to say at which diameter it compares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict

from knurlsight.setup_math.forms import FORMS, STANDARD_HELIX_DEG, STANDARD_PROFILE_ANGLE_DEG, Form, Hand
from knurlsight.setup_math.growth import din82_growth_mm, growth_mm
from knurlsight.setup_math.setup_model import (
    Setup,
    WheelSetup,
    form_of_wheels,
    rolled_form,
    wheel_hand,
    wheel_helix_deg,
)

#: First bite of a wheel on the radius that a plan reckons with; makers allow 0.06 mm (plunging, 0.007 in on the wheel).
DEFAULT_BITE_MM = 0.05
#: Doubt about a wheel's pitch as a share of it: measured over all its teeth, or read off its label (common practice:
#: real wheels differ from their names by a per cent or two; DIN 403's own tooth counts by up to 2 %).
MEASURED_DOUBT = 0.001
LABEL_DOUBT = 0.01
#: Smallest slant that is seen as a family of its own and not as a straight one.
LEAST_SLANT_DEG = 1.0

TeethFrom = Literal["pattern", "blank", "outside diameter"]


class ExpectedFamily(BaseModel):
    """One expected line family at the crest; None where a figure has no meaning or does not follow from the setup."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    hand: Hand
    teeth: int | None
    normal_pitch_mm: float
    transverse_pitch_mm: float | None
    axial_pitch_mm: float | None
    helix_deg: float


class ExpectedPattern(BaseModel):
    """What the setup math says that the part will show, at the crest."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    form: Form
    at: Literal["crest"] = "crest"
    outside_diameter_mm: float | None
    included_angle_deg: float | None
    families: tuple[ExpectedFamily, ...]


@dataclass(frozen=True)
class Expectation:
    """An expected pattern with what it rests on.

    Attributes
    ----------
    pattern : ExpectedPattern
    blank_diameter_mm : float or None
        As stated, else the outside diameter less the growth at full form; None when neither is known.
    teeth_from : {"pattern", "blank", "outside diameter"} or None
        What the whole count follows from. From the outside diameter it is the likeliest count only.
    teeth_certain : bool
        Whether the count is sure enough to judge a part by.
    notes : tuple of str
        Remarks for the reader, one sentence each.
    """

    pattern: ExpectedPattern
    blank_diameter_mm: float | None
    teeth_from: TeethFrom | None
    teeth_certain: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class RolledFamily:
    """One family as its wheel prints it on the blank.

    Attributes
    ----------
    hand : Hand
        On the work.
    normal_pitch_mm : float
        Across the teeth, as on the wheel.
    helix_deg : float
        Between ridges and axis on the blank, 0 to 90.
    profile_angle_deg : float
        Of the wheel's teeth.
    """

    hand: Hand
    normal_pitch_mm: float
    helix_deg: float
    profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG

    @property
    def transverse_pitch_mm(self) -> float:
        """Around the circumference of the blank."""
        return self.normal_pitch_mm / math.cos(math.radians(self.helix_deg))

    def teeth_on(self, diameter_mm: float) -> float:
        """Teeth around that diameter, a real number: π d cos ψ / p_n (ANSI/ASME B94.6: N = D P cos ψ)."""
        return math.pi * diameter_mm / self.transverse_pitch_mm


def transverse_pitch_mm(normal_pitch_mm: float, helix_deg: float) -> float:
    """Pitch around the circumference, p_n / cos ψ.

    >>> round(transverse_pitch_mm(1.0, 30.0), 4)
    1.1547
    """
    return normal_pitch_mm / math.cos(math.radians(helix_deg))


def axial_pitch_mm(normal_pitch_mm: float, helix_deg: float) -> float | None:
    """Pitch along the axis, p_n / sin ψ; None for axial lines.

    >>> round(axial_pitch_mm(1.0, 30.0), 4)
    2.0
    """
    if helix_deg == 0:
        return None
    return normal_pitch_mm / math.sin(math.radians(helix_deg))


def at_other_diameter(normal_pitch_mm: float, helix_deg: float, from_mm: float, to_mm: float) -> tuple[float, float]:
    """Normal pitch (mm) and helix (deg) of a family of 0 to under 90°, carried from one diameter to another.

    The same teeth on another circle: p_t ∝ d, p_a kept, so tan ψ ∝ d.

    >>> p, psi = at_other_diameter(0.8, 30.0, 19.464, 20.0)
    >>> round(p, 4), round(psi, 2)
    (0.8164, 30.68)
    """
    psi = math.atan(math.tan(math.radians(helix_deg)) * to_mm / from_mm)
    pitch = normal_pitch_mm * to_mm / from_mm * math.cos(psi) / math.cos(math.radians(helix_deg))
    return pitch, math.degrees(psi)


def wheel_normal_pitch_mm(wheel: WheelSetup) -> float | None:
    """Pitch across a wheel's teeth, mm.

    A measured wheel (diameter and teeth) beats its label. A label counts across the teeth (DIN 403, teeth per inch,
    JIS module), a diametral pitch around the wheel (ANSI/ASME B94.6), unless `pitch_along` says otherwise.
    """
    cos = math.cos(math.radians(wheel_helix_deg(wheel)))
    if wheel.teeth is not None and wheel.diameter_mm is not None:
        return math.pi * wheel.diameter_mm / wheel.teeth * cos
    if wheel.pitch is None:
        return None
    default = "transverse" if wheel.pitch.system == "diametral pitch" else "normal"
    return wheel.pitch.mm * cos if (wheel.pitch_along or default) == "transverse" else wheel.pitch.mm


def rolled_families(setup: Setup) -> tuple[RolledFamily, ...]:
    """The families that the wheels of a setup print on the blank; empty when the wheels do not say.

    A left-hand wheel rolls right-hand ridges. Swivelling a wheel turns its lines: two straight wheels are swivelled
    one each way, any other wheels with the holder.
    """
    form = rolled_form(setup)
    if form is None or not setup.wheels:
        return ()
    swivel = setup.holder.swivel_deg or 0.0
    slants = _work_slants(setup.wheels, swivel)
    families = []
    for hand in FORMS[form].hands:
        if hand in ("axial", "ring"):
            wheel, slant = setup.wheels[0], 0.0 if hand == "axial" else 90.0
        else:
            sign = 1.0 if hand == "right" else -1.0
            fitting = [(w, abs(s)) for w, s in slants if s * sign >= LEAST_SLANT_DEG]
            any_slant = [(w, abs(s)) for w, s in slants if abs(s) >= LEAST_SLANT_DEG]
            wheel, slant = (fitting or any_slant or [(setup.wheels[0], STANDARD_HELIX_DEG)])[0]
        pitch = wheel_normal_pitch_mm(wheel)
        if pitch is None:
            return ()
        angle = wheel.tooth_angle_deg if wheel.tooth_angle_deg is not None else STANDARD_PROFILE_ANGLE_DEG
        families.append(RolledFamily(hand, pitch, slant, angle))
    return tuple(families)


def _work_slants(wheels: tuple[WheelSetup, ...], swivel_deg: float) -> list[tuple[WheelSetup, float]]:
    """Each wheel with the helix of its lines on the work in degrees; right-hand is positive."""
    own = []
    for wheel in wheels:
        helix, hand = wheel_helix_deg(wheel), wheel_hand(wheel)
        if hand is None and helix:
            own += [(wheel, helix), (wheel, -helix)]
        else:
            own.append((wheel, helix if hand == "left" else -helix))
    if len(wheels) == 2 and all(helix == 0 for _, helix in own):
        return [(own[0][0], swivel_deg), (own[1][0], -swivel_deg)]
    return [(wheel, slant + swivel_deg) for wheel, slant in own]


def expected_pattern(setup: Setup) -> ExpectedPattern:
    """The pattern that a setup leads to, as seen at the crest; see `expectation`.

    Examples
    --------
    >>> from knurlsight.setup_math.setup import setup_from_text
    >>> toml = '[part]\\noutside_diameter = "20 mm"\\n[[wheel]]\\ncode = "GV"\\npitch = "0.8 mm"\\n'
    >>> right = expected_pattern(setup_from_text(toml)).families[1]
    >>> right.hand, round(right.normal_pitch_mm, 4), round(right.helix_deg, 2), right.teeth
    ('right', 0.8164, 30.68, 66)
    """
    return expectation(setup).pattern


def expectation(setup: Setup) -> Expectation:
    """The expected pattern of a setup with what it rests on.

    Parameters
    ----------
    setup : Setup
        [pattern], where given, beats what follows from [[wheel]].

    Notes
    -----
    The whole count N follows from [pattern] teeth, else from a measured wheel and the blank (π d2 cos ψ / p_n).
    Then p_t = π d1 / N, p_a is the wheel's, tan ψ = p_t / p_a. Where the count is not sure (a label instead of a
    measured wheel, no blank) the likeliest one is named and the pitch is carried over by d1/d2. Without a blank, d2 is
    d1 less the growth at full form (DIN 82).
    """
    form = rolled_form(setup)
    if form is None:  # `read_setup` lets no such setup through; one built in Python may be.
        raise ValueError("a setup needs [pattern] form or wheels from which the form follows")
    notes = _form_notes(setup, form)
    rolled = rolled_families(setup)
    crest_mm, blank_mm = _diameters(setup, form, rolled)
    teeth_from: TeethFrom | None = None
    certain = False
    families = []
    if setup.pattern.normal_pitch_mm is not None or not rolled:
        families = _families_of_drawing(setup, form, rolled, crest_mm, blank_mm)
        if setup.pattern.teeth is not None:
            teeth_from, certain = "pattern", True
    else:
        teeth_from, certain = _teeth_basis(setup, rolled, blank_mm, crest_mm)
        families = [_family_of_wheel(setup, f, crest_mm, blank_mm, certain) for f in rolled]
        if teeth_from == "blank" and not certain:
            reals = " and ".join(f"{f.teeth_on(blank_mm or 0.0):.2f}" for f in rolled if f.helix_deg < 90)
            notes.append(
                f"{reals} teeth would fit round the blank; the label of a wheel and its first bite leave the whole "
                "count open, so it is not judged. A measured wheel (diameter and teeth) would settle it."
            )
        elif teeth_from == "outside diameter":
            notes.append("No blank diameter is stated: the count is the likeliest one and is not judged.")
    hands = [f.hand for f in families]
    included = sum(f.helix_deg for f in families) if sorted(hands) == ["left", "right"] else None
    pattern = ExpectedPattern(
        form=form, outside_diameter_mm=crest_mm, included_angle_deg=included, families=tuple(families)
    )
    return Expectation(pattern, blank_mm, teeth_from, certain, tuple(notes))


def _form_notes(setup: Setup, form: Form) -> list[str]:
    wheels = form_of_wheels(setup.wheels, setup.holder.swivel_deg or 0.0)
    known = any(w.code or w.hand for w in setup.wheels)
    if known and wheels is not None and wheels != form:
        return [
            f"The wheels roll {wheels} ({FORMS[wheels].words}), the pattern asks for {form} ({FORMS[form].words}): "
            "the pattern counts."
        ]
    return []


def _diameters(setup: Setup, form: Form, rolled: tuple[RolledFamily, ...]) -> tuple[float | None, float | None]:
    """(crest, blank) in mm, the missing one from the growth at full form, None where nothing says."""
    crest, blank = setup.part.outside_diameter_mm, setup.part.blank_diameter_mm
    pitch = rolled[0].normal_pitch_mm if rolled else setup.pattern.normal_pitch_mm
    if pitch is None or (crest is None) == (blank is None):
        return crest, blank
    angle = rolled[0].profile_angle_deg if rolled else STANDARD_PROFILE_ANGLE_DEG
    standard = angle == STANDARD_PROFILE_ANGLE_DEG
    growth = din82_growth_mm(form, pitch) if standard else growth_mm(form, pitch, 1.0, angle)
    if crest is not None:
        return crest, crest - growth
    return (blank + growth if blank is not None else None), blank


def _teeth_basis(
    setup: Setup, rolled: tuple[RolledFamily, ...], blank_mm: float | None, crest_mm: float | None
) -> tuple[TeethFrom | None, bool]:
    if setup.pattern.teeth is not None and crest_mm is not None:
        return "pattern", True
    if blank_mm is None:
        return None, False
    if setup.part.blank_diameter_mm is None:
        return "outside diameter", False
    # The wheel counts at its first bite, and a label is a per cent off: sure is only a count that neither changes.
    doubt = MEASURED_DOUBT if all(w.teeth and w.diameter_mm for w in setup.wheels) else LABEL_DOUBT
    bitten_mm = blank_mm - 2.0 * DEFAULT_BITE_MM
    certain = all(
        round(f.teeth_on(blank_mm) * (1.0 + doubt)) == round(f.teeth_on(bitten_mm) * (1.0 - doubt)) > 0
        for f in rolled
        if f.helix_deg < 90
    )
    return "blank", certain


def _family_of_wheel(
    setup: Setup, rolled: RolledFamily, crest_mm: float | None, blank_mm: float | None, whole: bool
) -> ExpectedFamily:
    if rolled.hand == "ring":
        return _ring(rolled.normal_pitch_mm)
    pitch, helix = rolled.normal_pitch_mm, rolled.helix_deg
    axial = axial_pitch_mm(pitch, helix)
    if crest_mm is None or blank_mm is None:
        return _family(rolled.hand, pitch, helix, None, axial)
    teeth = setup.pattern.teeth or max(1, round(rolled.teeth_on(blank_mm)))
    if not whole:
        pitch, helix = at_other_diameter(pitch, helix, blank_mm, crest_mm)
        return _family(rolled.hand, pitch, helix, teeth, axial)
    around = math.pi * crest_mm / teeth
    helix = math.degrees(math.atan2(around, axial)) if axial is not None else 0.0
    return _family(rolled.hand, around * math.cos(math.radians(helix)), helix, teeth, axial)


def _families_of_drawing(
    setup: Setup, form: Form, rolled: tuple[RolledFamily, ...], crest_mm: float | None, blank_mm: float | None
) -> list[ExpectedFamily]:
    """The families that [pattern] asks for, as seen at the crest; what it leaves out comes from the wheels."""
    pattern = setup.pattern
    families = []
    for index, hand in enumerate(FORMS[form].hands):
        helix = 0.0
        if hand in ("left", "right"):
            helix = pattern.helix_deg or STANDARD_HELIX_DEG
            if pattern.helix_deg is None and rolled:
                helix = rolled[index].helix_deg
                if crest_mm is not None and blank_mm is not None:
                    helix = at_other_diameter(1.0, helix, blank_mm, crest_mm)[1]
        pitch = pattern.normal_pitch_mm
        if pitch is None:
            if pattern.teeth is None or crest_mm is None:
                raise ValueError(
                    "a setup needs [pattern] normal_pitch, or teeth and [part] outside_diameter, or wheels"
                )
            pitch = math.pi * crest_mm / pattern.teeth * math.cos(math.radians(helix))
        if hand == "ring":
            families.append(_ring(pitch))
        else:
            families.append(_family(hand, pitch, helix, pattern.teeth, axial_pitch_mm(pitch, helix)))
    return families


def _ring(pitch_mm: float) -> ExpectedFamily:
    return ExpectedFamily(
        hand="ring",
        teeth=None,
        normal_pitch_mm=pitch_mm,
        transverse_pitch_mm=None,
        axial_pitch_mm=pitch_mm,
        helix_deg=90.0,
    )


def _family(hand: Hand, pitch: float, helix: float, teeth: int | None, axial: float | None) -> ExpectedFamily:
    return ExpectedFamily(
        hand=hand,
        teeth=teeth,
        normal_pitch_mm=pitch,
        transverse_pitch_mm=transverse_pitch_mm(pitch, helix),
        axial_pitch_mm=axial,
        helix_deg=helix,
    )
