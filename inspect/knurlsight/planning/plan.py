"""Plan a knurl: from what is wanted to the blank, the depth, the pattern to expect and the setup to inspect with.

The finished diameter follows from the blank by volume conservation at the form fill asked for; the blank is chosen so
that the wheel meets a whole number of teeth at its first bite.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from knurlsight.errors import PlanError
from knurlsight.setup_math.expected import (
    DEFAULT_BITE_MM,
    Expectation,
    ExpectedPattern,
    RolledFamily,
    expectation,
    rolled_families,
    wheel_normal_pitch_mm,
)
from knurlsight.setup_math.forms import FORMS, STANDARD_HELIX_DEG, Form, WheelCode, is_diagonal
from knurlsight.setup_math.growth import Groove, growth_of_grooves_mm
from knurlsight.setup_math.practice import USUAL_MATERIAL, Advice, Material, Method, advice, material_group
from knurlsight.setup_math.setup_model import (
    HolderSetup,
    PartSetup,
    PatternSetup,
    ProcessSetup,
    Setup,
    ToleranceSetup,
    WheelSetup,
)
from knurlsight.setup_math.setup_values import Range
from knurlsight.setup_math.standard_tables import ASME_TRACKING_CORRECTION_IN
from knurlsight.setup_math.tracking import (
    SURE_MISMATCH,
    Tracking,
    blank_for_teeth_mm,
    blank_step_mm,
    teeth_per_diameter,
    tracking,
)
from knurlsight.units import MM_PER_INCH, LengthUnit, Pitch, format_length

if TYPE_CHECKING:
    from knurlsight.exchange.spring import DialFigure

#: Form fill that a plan reckons with when none is asked for: stopping at 80 to 90 % of full form is common practice.
DEFAULT_FILL = 0.9
#: Fill down to which a pattern is complete enough (the least of the company guideline after DIN 82).
LEAST_FILL = 0.67
#: Fewest teeth for which the setup math means anything.
LEAST_TEETH = 8

HolderKindName = Literal["one wheel", "two wheels fixed", "two wheels pivoting", "straddle"]


@dataclass(frozen=True)
class WheelWanted:
    """What is known of the wheels, before they are mirrored to the form.

    Attributes
    ----------
    pitch : Pitch or None
        As the label says.
    pitch_along : {"normal", "transverse"} or None
        What the label counts, where it differs from the custom of its system.
    helix_deg : float or None
        Of the wheel's own teeth.
    teeth, diameter_mm
        Measured; together they beat the label.
    width_mm, tooth_angle_deg
    """

    pitch: Pitch | None = None
    pitch_along: Literal["normal", "transverse"] | None = None
    helix_deg: float | None = None
    teeth: int | None = None
    diameter_mm: float | None = None
    width_mm: float | None = None
    tooth_angle_deg: float | None = None


@dataclass(frozen=True)
class PlanRequest:
    """What is asked of a plan, in mm and degrees.

    Attributes
    ----------
    form : Form
    wheels : tuple of WheelSetup
        See `wheels_for`.
    outside_diameter_mm : float or None
        Wanted over the crests.
    outside_limits : Range or None
        What it may be.
    blank_diameter_mm : float or None
        A blank that is already turned.
    bar_mm : float or None
        A bar from which the blank is to be turned.
    fill : float
        Form fill, above 0 to 1.
    bite_mm : float or None
        First bite on the radius; None takes the default.
    swivel_deg : float
        Of straight wheels, 0 and up; the form says which way.
    holder : str or None
    method : {"axial", "plunge"} or None
        None chooses by wheel width and knurl length.
    knurl_length_mm : float or None
    material, name : str or None
    """

    form: Form
    wheels: tuple[WheelSetup, ...]
    outside_diameter_mm: float | None = None
    outside_limits: Range | None = None
    blank_diameter_mm: float | None = None
    bar_mm: float | None = None
    fill: float = DEFAULT_FILL
    bite_mm: float | None = None
    swivel_deg: float = 0.0
    holder: HolderKindName | None = None
    method: Method | None = None
    knurl_length_mm: float | None = None
    material: str | None = None
    name: str | None = None


@dataclass(frozen=True)
class BlankOption:
    """One blank and what comes of it.

    Attributes
    ----------
    blank_diameter_mm, growth_mm, outside_diameter_mm : float
    counts : tuple of Tracking
        One for each family that runs around the part; two differ only with wheels that are not alike.
    proposed : bool
        Whether it is proposed for its whole count; otherwise it is the blank that was given.
    within_limits : bool or None
        Whether the finished diameter keeps the limits asked for.
    next_blank_mm : float
        The next larger blank with a whole count.
    """

    blank_diameter_mm: float
    growth_mm: float
    outside_diameter_mm: float
    counts: tuple[Tracking, ...]
    proposed: bool
    within_limits: bool | None
    next_blank_mm: float

    @property
    def teeth(self) -> int:
        """Whole count of the first family."""
        return self.counts[0].teeth

    @property
    def mismatch(self) -> float:
        """Largest mismatch of any family, share of a tooth, signed."""
        return max((c.mismatch for c in self.counts), key=abs)


@dataclass(frozen=True)
class Plan:
    """A finished plan; lengths in mm, depths on the radius unless a name says otherwise.

    Attributes
    ----------
    request : PlanRequest
    families : tuple of RolledFamily
        As the wheels print them on the blank.
    bite_mm : float
        First bite on the radius that was reckoned with.
    blanks : tuple of BlankOption
        By diameter.
    chosen : int
        Index of the one that the rest of the plan is for.
    setup : Setup
        To inspect with.
    expectation : Expectation
    depth_mm : float
        Groove depth below the crest of the deepest family.
    penetration_mm : float
        Of the wheel's teeth below the blank's surface.
    method : {"axial", "plunge"}
    material : Material
    advice : tuple of Advice
    dial : DialFigure or None
        What the dial of one machine must read, learnt from its records.
    dial_unknown : str
        Why the records of the machine asked for do not tell it; empty where none was asked for.
    """

    request: PlanRequest
    families: tuple[RolledFamily, ...]
    bite_mm: float
    blanks: tuple[BlankOption, ...]
    chosen: int
    setup: Setup
    expectation: Expectation
    depth_mm: float
    penetration_mm: float
    method: Method
    material: Material
    advice: tuple[Advice, ...]
    dial: DialFigure | None = None
    dial_unknown: str = ""

    @property
    def blank(self) -> BlankOption:
        """The chosen blank."""
        return self.blanks[self.chosen]

    @property
    def expected(self) -> ExpectedPattern:
        """The pattern to expect at the crest."""
        return self.expectation.pattern

    @property
    def transverse_pitch_mm(self) -> float:
        """Of the first family that runs around, on the blank."""
        return around(self.families)[0].transverse_pitch_mm

    @property
    def step_mm(self) -> float:
        """From one whole count to the next, on the diameter."""
        return blank_step_mm(self.transverse_pitch_mm)

    @property
    def teeth_per_hundredth(self) -> float:
        """Teeth more for each 0.01 mm of blank diameter."""
        return 0.01 * teeth_per_diameter(self.transverse_pitch_mm)


def around(families: tuple[RolledFamily, ...]) -> tuple[RolledFamily, ...]:
    """The families that have a count around the part: all but rings; of two alike only the first."""
    found: list[RolledFamily] = []
    for family in families:
        if family.hand == "ring":
            continue
        if not any(math.isclose(family.transverse_pitch_mm, f.transverse_pitch_mm, rel_tol=1e-9) for f in found):
            found.append(family)
    return tuple(found)


def wheels_for(
    form: Form,
    first: WheelWanted,
    second: WheelWanted | None = None,
    swivel_deg: float = 0.0,
    one_wheel: bool = False,
) -> tuple[WheelSetup, ...]:
    """The DIN 403 wheels that roll a form, mirror images included.

    Parameters
    ----------
    form : Form
    first : WheelWanted
    second : WheelWanted, optional
        The other wheel of a diamond, when it is not like the first: the first rolls the left-hand ridges.
    swivel_deg : float
        Above 0 for straight wheels swivelled in the holder.
    one_wheel : bool
        Roll a raised diamond with one crossed wheel instead of two.

    Raises
    ------
    PlanError
        For a helix that the form cannot have.
    """
    if second is not None and form != "RGE":
        raise PlanError(f"a second wheel is given, but {form} ({FORMS[form].words}) is rolled with one wheel")
    if not is_diagonal(form):
        if first.helix_deg:
            raise PlanError(
                f"helix {first.helix_deg:g} deg does not go with {form} ({FORMS[form].words}), which has none",
                hint="--form RBL, RBR, RGE or RGV, or leave --helix out",
            )
        if swivel_deg:
            raise PlanError(f"swivel {swivel_deg:g} deg does not go with {form} ({FORMS[form].words})")
        return (_wheel({"RAA": "AA", "RKE": "KV", "RKV": "KE"}[form], first),)  # type: ignore[arg-type]
    if swivel_deg:
        if form == "RGV":
            raise PlanError("RGV (recessed points) is rolled by a GE wheel, not by swivelled straight wheels")
        if first.helix_deg:
            raise PlanError("swivel is for straight wheels, and helix is stated too: give one of the two")
        pair = (_wheel("AA", first), _wheel("AA", second or first))
        return pair if form == "RGE" else pair[:1]
    if first.helix_deg == 0 or (second is not None and second.helix_deg == 0):
        raise PlanError(
            f"helix 0 deg does not go with {form} ({FORMS[form].words})",
            hint="--helix 30deg, or --swivel 30deg for straight wheels",
        )
    if form in ("RBL", "RBR"):
        return (_wheel("BR" if form == "RBL" else "BL", first),)
    if form == "RGV" or one_wheel:
        if second is not None:
            raise PlanError("a crossed wheel rolls the diamond alone: a second wheel does not go with one")
        return (_wheel("GE" if form == "RGV" else "GV", first),)
    return (_wheel("BR", first), _wheel("BL", second or first))


def _wheel(code: WheelCode, wanted: WheelWanted) -> WheelSetup:
    slanting = code in ("BL", "BR", "GE", "GV")
    return WheelSetup(
        code=code,
        hand={"BL": "left", "BR": "right"}.get(code),  # type: ignore[arg-type]
        pitch=wanted.pitch,
        pitch_along=wanted.pitch_along,
        helix_deg=(wanted.helix_deg if wanted.helix_deg is not None else STANDARD_HELIX_DEG) if slanting else None,
        teeth=wanted.teeth,
        diameter_mm=wanted.diameter_mm,
        width_mm=wanted.width_mm,
        tooth_angle_deg=wanted.tooth_angle_deg,
    )


def make_plan(request: PlanRequest, unit: LengthUnit = "mm") -> Plan:
    """Plan a knurl.

    Parameters
    ----------
    request : PlanRequest
    unit : {"mm", "in"}
        For the lengths in the remarks.

    Raises
    ------
    PlanError
        With one line that says what cannot be, and what to do.
    """
    _check(request)
    method = _method(request)
    families = _families(request)
    bite = _bite(request)
    counted = around(families)
    growth = growth_of_grooves_mm(FORMS[request.form].points, _grooves(families, request.fill))
    blanks, chosen = _blanks(request, counted, growth, bite, unit)
    blank = blanks[chosen]
    if blank.teeth < LEAST_TEETH:
        raise PlanError(
            f"{blank.teeth} teeth on {blank.blank_diameter_mm:.3g} mm are too few to roll: take a finer pitch",
            hint="--pitch 0.5mm",
        )
    setup = _setup(request, blank, unit)
    depth = max(g.depth_mm for g in _grooves(families, request.fill))
    penetration = depth - growth / 2.0
    if bite > penetration:
        raise PlanError(
            f"a first bite of {bite:g} mm is deeper than the whole penetration, {penetration:.3f} mm (both on the "
            "radius)",
            hint=f"--bite {min(DEFAULT_BITE_MM, penetration / 2):.2g}mm",
        )
    material = material_group(request.material) or USUAL_MATERIAL
    width = request.wheels[0].width_mm
    return Plan(
        request=request,
        families=families,
        bite_mm=bite,
        blanks=blanks,
        chosen=chosen,
        setup=setup,
        expectation=expectation(setup),
        depth_mm=depth,
        penetration_mm=penetration,
        method=method,
        material=material,
        advice=advice(material, families[0].normal_pitch_mm, blank.blank_diameter_mm, method, width),
    )


# --- what is asked --------------------------------------------------------------------------------------------------


def _check(request: PlanRequest) -> None:
    if not 0 < request.fill <= 1:
        raise PlanError(f"fill {request.fill:g} is not above 0 and up to 1 (1 is sharp crests)", hint="--fill 0.9")
    if request.bite_mm is not None and request.bite_mm < 0:
        raise PlanError(f"bite {request.bite_mm:g} mm is less than nought", hint="--bite 0.05mm")
    od, blank, bar = request.outside_diameter_mm, request.blank_diameter_mm, request.bar_mm
    if od is None and request.outside_limits is None and blank is None and bar is None:
        raise PlanError(
            "no diameter is given: state the finished diameter, a blank or a bar",
            hint="--outside-diameter 20mm, --blank-diameter 19.46mm or --bar 20mm",
        )
    if blank is not None and bar is not None:
        raise PlanError("a blank and a bar are given: state the one that is in the lathe")
    if od is not None and blank is not None and blank >= od:
        raise PlanError(
            f"blank diameter {blank:g} mm is not below the finished diameter {od:g} mm: rolling makes a part larger",
            hint="leave --blank-diameter out and take one from the list",
        )
    limits = request.outside_limits
    if limits is not None and od is not None:
        low, high = limits.lower_mm, limits.upper_mm
        if (low is not None and od < low) or (high is not None and od > high):
            raise PlanError(
                f"the finished diameter {od:g} mm lies outside its own limits: state both so that they agree"
            )
    if not request.wheels:
        raise PlanError("no wheel is given", hint="--pitch 0.8mm")
    for wheel in request.wheels:
        if wheel_normal_pitch_mm(wheel) is None:
            raise PlanError(
                "the wheel has no pitch: state it, or its diameter and teeth",
                hint="--pitch 0.8mm, --pitch 21tpi or --wheel-diameter 20mm --wheel-teeth 68",
            )


def _method(request: PlanRequest) -> Method:
    width, length = request.wheels[0].width_mm, request.knurl_length_mm
    crossed = any(w.code in ("GE", "GV", "KE", "KV") for w in request.wheels)
    wider = width is not None and length is not None and width > length
    if request.method == "axial" and crossed:
        raise PlanError(
            f"a {request.wheels[0].code} wheel is plunged: fed along the work it would wipe its own points out",
            hint="--method plunge",
        )
    if request.method != "plunge" and wider and not crossed:
        raise PlanError(
            f"the wheel ({width:g} mm) is wider than the knurl ({length:g} mm) and would run over its ends",
            hint="--method plunge if it may, or a narrower wheel",
        )
    if crossed and width is not None and length is not None and length > width:
        raise PlanError(
            f"a {request.wheels[0].code} wheel is plunged and rolls no more than its width: {length:g} mm of knurl "
            f"do not come from a wheel of {width:g} mm",
            hint="a wider wheel, or --holder 'two wheels fixed' with --form RGE",
        )
    return request.method or ("plunge" if crossed else "axial")


def _signed_swivel(request: PlanRequest) -> float:
    return -request.swivel_deg if request.form == "RBL" else request.swivel_deg


def _families(request: PlanRequest) -> tuple[RolledFamily, ...]:
    setup = Setup(
        wheels=request.wheels,
        holder=HolderSetup(swivel_deg=_signed_swivel(request) or None),
        pattern=PatternSetup(form=request.form),
    )
    return rolled_families(setup)


def _grooves(families: tuple[RolledFamily, ...], fill: float) -> tuple[Groove, ...]:
    return tuple(Groove(f.normal_pitch_mm, fill, f.profile_angle_deg) for f in families)


def is_measured(wheel: WheelSetup) -> bool:
    """Whether the wheel's pitch comes from its diameter and teeth instead of its label."""
    return wheel.teeth is not None and wheel.diameter_mm is not None


def has_tracking_correction(wheel: WheelSetup) -> bool:
    """A wheel by diametral pitch is made smaller by Q a tooth, so that N = P d holds with its bite included."""
    pitch = wheel.pitch
    return (
        pitch is not None
        and pitch.system == "diametral pitch"
        and pitch.number in ASME_TRACKING_CORRECTION_IN
        and not is_measured(wheel)
    )


def _bite(request: PlanRequest) -> float:
    if request.bite_mm is not None:
        return request.bite_mm
    return 0.0 if all(has_tracking_correction(w) for w in request.wheels) else DEFAULT_BITE_MM


# --- blanks ---------------------------------------------------------------------------------------------------------


def _within(limits: Range | None, diameter_mm: float) -> bool | None:
    if limits is None:
        return None
    low, high = limits.lower_mm, limits.upper_mm
    return (low is None or diameter_mm >= low) and (high is None or diameter_mm <= high)


def blank_option(
    blank_mm: float, counted: tuple[RolledFamily, ...], growth: float, bite: float, limits: Range | None, proposed: bool
) -> BlankOption:
    """What comes of one blank."""
    counts = tuple(tracking(blank_mm, f.transverse_pitch_mm, bite) for f in counted)
    first = counted[0].transverse_pitch_mm
    following = math.floor(counts[0].teeth_real + 1e-6) + 1
    return BlankOption(
        blank_diameter_mm=blank_mm,
        growth_mm=growth,
        outside_diameter_mm=blank_mm + growth,
        counts=counts,
        proposed=proposed,
        within_limits=_within(limits, blank_mm + growth),
        next_blank_mm=blank_for_teeth_mm(following, first, bite),
    )


def _whole_blanks(counted: tuple[RolledFamily, ...], bite: float, low_mm: float, high_mm: float) -> list[float]:
    """Blank diameters between the two with a whole count of any family."""
    found: list[float] = []
    for family in counted:
        pitch = family.transverse_pitch_mm
        first = max(1, math.ceil(tracking_real(low_mm, pitch, bite) - 1e-9))
        last = math.floor(tracking_real(high_mm, pitch, bite) + 1e-9)
        found += [blank_for_teeth_mm(n, pitch, bite) for n in range(first, min(last, first + 400) + 1)]
    return sorted(found)


def tracking_real(blank_mm: float, pitch_mm: float, bite_mm: float) -> float:
    """Teeth around, as a real number."""
    return tracking(blank_mm, pitch_mm, bite_mm).teeth_real


def _blanks(
    request: PlanRequest, counted: tuple[RolledFamily, ...], growth: float, bite: float, unit: LengthUnit
) -> tuple[tuple[BlankOption, ...], int]:
    step = blank_step_mm(counted[0].transverse_pitch_mm)
    limits = request.outside_limits
    wanted = _wanted_od(request, growth)
    centre = wanted - growth
    low, high = centre - 2.6 * step, centre + 2.6 * step
    if limits is not None:
        low = min(low, limits.lower_mm - growth - step) if limits.lower_mm is not None else low
        high = max(high, limits.upper_mm - growth + step) if limits.upper_mm is not None else high
        low, high = max(low, centre - 12 * step), min(high, centre + 12 * step)
    if request.bar_mm is not None:
        high = min(high, request.bar_mm)
        low = min(low, high - 4.6 * step)
    if low <= 2.0 * bite:
        low = 2.0 * bite + step
    options = [blank_option(d, counted, growth, bite, limits, True) for d in _whole_blanks(counted, bite, low, high)]
    if request.blank_diameter_mm is not None:
        mine = blank_option(request.blank_diameter_mm, counted, growth, bite, limits, False)
        options = sorted([*options, mine], key=lambda o: o.blank_diameter_mm)
        return tuple(options), options.index(mine)
    if not options:
        raise PlanError(
            f"no blank with a whole count gives about {format_length(wanted, unit)}: take a finer pitch",
            hint="--pitch 0.5mm",
        )
    if limits is not None and not any(o.within_limits for o in options):
        raise _no_blank_within(request, options, limits, unit)

    def worth(option: BlankOption) -> tuple[bool, float, float]:
        worst = abs(option.mismatch)
        return (
            option.within_limits is False,
            round(max(worst - SURE_MISMATCH, 0.0), 3),
            abs(option.outside_diameter_mm - wanted),
        )

    return tuple(options), options.index(min(options, key=worth))


def _wanted_od(request: PlanRequest, growth: float) -> float:
    if request.outside_diameter_mm is not None:
        return request.outside_diameter_mm
    limits = request.outside_limits
    if limits is not None:
        ends = [e for e in (limits.lower_mm, limits.upper_mm) if e is not None]
        return sum(ends) / len(ends)
    blank = request.blank_diameter_mm if request.blank_diameter_mm is not None else request.bar_mm
    return (blank or 0.0) + growth


def _no_blank_within(request: PlanRequest, options: list[BlankOption], limits: Range, unit: LengthUnit) -> PlanError:
    low = format_length(limits.lower_mm, unit) if limits.lower_mm is not None else "nothing"
    high = format_length(limits.upper_mm, unit) if limits.upper_mm is not None else "any"
    middle = _wanted_od(request, options[0].growth_mm)
    near = sorted(options, key=lambda o: abs(o.outside_diameter_mm - middle))[:2]
    near.sort(key=lambda o: o.teeth)
    have = " and ".join(f"{o.teeth} teeth give {format_length(o.outside_diameter_mm, unit)}" for o in near)
    return PlanError(
        f"no whole count finishes between {low} and {high} at fill {request.fill:g}: {have}",
        hint="wider limits, another --fill between 0.67 and 1, a finer --pitch, or --swivel for straight wheels",
    )


# --- the setup file -------------------------------------------------------------------------------------------------


def _setup(request: PlanRequest, blank: BlankOption, unit: LengthUnit) -> Setup:
    alike = len(blank.counts) == 1
    measured = all(is_measured(w) for w in request.wheels)
    kind = request.holder or _default_holder(request)
    return Setup(
        part=PartSetup(
            name=request.name,
            outside_diameter_mm=_rounded(blank.outside_diameter_mm, unit),
            blank_diameter_mm=_rounded(blank.blank_diameter_mm, unit),
            knurl_length_mm=request.knurl_length_mm,
            material=request.material,
        ),
        wheels=request.wheels,
        holder=HolderSetup(kind=kind, swivel_deg=_signed_swivel(request) or None),
        pattern=PatternSetup(form=request.form, teeth=blank.teeth if alike else None),
        process=ProcessSetup(),
        tolerance=ToleranceSetup(
            teeth=None if measured or not alike else "off", outside_diameter=request.outside_limits
        ),
    )


def _default_holder(request: PlanRequest) -> HolderKindName:
    return "two wheels fixed" if len(request.wheels) == 2 else "one wheel"


def _rounded(mm: float, unit: LengthUnit) -> float:
    """A tenth of a micrometre or a hundred-thousandth of an inch: more than anybody can turn, and it reads well."""
    return round(mm / MM_PER_INCH, 5) * MM_PER_INCH if unit == "in" else round(mm, 4)
