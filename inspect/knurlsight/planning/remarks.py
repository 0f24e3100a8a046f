"""What the reader of a plan must know beside its numbers, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knurlsight.planning.plan import LEAST_FILL, Plan, around, has_tracking_correction, is_measured
from knurlsight.setup_math.growth import fill_for_growth
from knurlsight.setup_math.practice import material_group
from knurlsight.setup_math.tracking import DOUBLE_TRACK_MISMATCH, SURE_MISMATCH, tracking
from knurlsight.units import LengthUnit, format_both, format_length

if TYPE_CHECKING:
    from knurlsight.exchange.spring import DialFigure


def remarks(plan: Plan, unit: LengthUnit = "mm") -> tuple[str, ...]:
    """Remarks on a plan, the most pressing first; lengths in the unit asked for."""
    request, blank = plan.request, plan.blank
    said: list[str] = []
    wanted = request.outside_diameter_mm
    if wanted is not None:
        off = blank.outside_diameter_mm - wanted
        if abs(off) >= 0.0005:
            side = "over" if off > 0 else "under"
            said.append(
                f"The finished diameter comes out {format_both(abs(off), unit)} {side} the "
                f"{format_length(wanted, unit)} "
                f"wanted, on the diameter{_fill_that_fits(plan, wanted)}."
            )
    if not blank.proposed:
        said.append(_given_blank_words(plan, unit))
    bite = plan.bite_mm
    pitch = plan.transverse_pitch_mm
    no_bite = tracking(blank.blank_diameter_mm, pitch, 0.0).teeth_real
    twice = tracking(blank.blank_diameter_mm, pitch, max(0.1, 2 * bite)).teeth_real
    said.append(
        f"The count is taken at the first bite, {format_both(bite, unit)} deep on the radius: "
        f"{blank.counts[0].teeth_real:.2f} "
        f"teeth there; {no_bite:.2f} if it only kissed the blank, {twice:.2f} at a bite of "
        f"{format_length(max(0.1, 2 * bite), unit)}."
    )
    if bite == 0.0 and all(has_tracking_correction(w) for w in request.wheels):
        said.append(
            "Wheels by diametral pitch are made smaller by Q a tooth (ANSI/ASME B94.6, Q from memory), which allows "
            "for the "
            "first bite: teeth = P × blank diameter holds as it stands."
        )
    said.append(
        f"0.01 mm (0.0004 in) on the blank's diameter is {plan.teeth_per_hundredth:.3f} of a tooth; whole counts lie "
        f"{format_both(plan.step_mm, unit)} apart on the diameter."
    )
    said.append(
        "A deep first bite within one turn pulls the wheel into track even off a whole count; a timid one may double "
        "track "
        "even on it."
    )
    if not all(is_measured(w) for w in request.wheels):
        said.append(
            "The wheel's pitch is its label's, which may be a per cent or two off: that is a tooth in fifty. Measure "
            "the "
            "wheel (diameter and teeth, or an ink print) and plan again; until then the setup does not judge the count."
        )
    said.append(
        f"The wheel's teeth go {format_both(plan.penetration_mm, unit)} below the blank's surface, on the radius "
        f"({format_length(2 * plan.penetration_mm, unit)} on the diameter). {_infeed_words(plan)} "
        f"{_spring_words(plan, unit)}"
    )
    said.append(
        "A corrected blank is for the next part, or for turning a spoilt pattern off, which leaves that part under "
        "size."
    )
    if request.material and material_group(request.material) is None:
        said.append(
            f"Material {request.material!r} is not in the lists of practice: the ranges are those of plain steel."
        )
    said += [note for note in plan.expectation.notes if "pattern counts" in note]
    return tuple(said)


def _fill_that_fits(plan: Plan, wanted_mm: float) -> str:
    """What fill would bring the chosen blank to the wanted diameter."""
    if len(around(plan.families)) > 1:
        return ""
    first = plan.families[0]
    fill = fill_for_growth(
        plan.request.form, first.normal_pitch_mm, wanted_mm - plan.blank.blank_diameter_mm, first.profile_angle_deg
    )
    if fill is None or not LEAST_FILL <= fill <= 1.0:
        return ""
    return f"; rolled to a fill of {fill:.2f} it would be right"


def _given_blank_words(plan: Plan, unit: LengthUnit) -> str:
    miss = plan.blank.mismatch
    proposed = [b.blank_diameter_mm for b in plan.blanks if b.proposed]
    nearest = min(proposed, key=lambda d: abs(d - plan.blank.blank_diameter_mm), default=None)
    away = f"; the nearest whole count is {format_both(nearest, unit)}" if nearest is not None else ""
    if abs(miss) <= SURE_MISMATCH:
        return f"This blank is {abs(miss):.2f} of a tooth off a whole count and should track{away}."
    if abs(miss) <= DOUBLE_TRACK_MISMATCH:
        return f"This blank is {abs(miss):.2f} of a tooth off a whole count: bite firmly at once{away}."
    return f"This blank is {abs(miss):.2f} of a tooth off a whole count and invites double tracking{away}."


def _infeed_words(plan: Plan) -> str:
    kind = plan.setup.holder.kind
    if kind == "straddle":
        return "A straddle holder closes by the figure on the diameter."
    if kind == "two wheels pivoting":
        return (
            "In a pivoting holder the wheels stand above and below the centre line and press at a slant, so the tool "
            "travels a little further than the wheels go in."
        )
    if kind == "two wheels fixed":
        return "Two wheels in a fixed head go in by the figure on the radius and a little for their slant."
    return "One wheel goes in by the figure on the radius."


def dial_words(dial: DialFigure, unit: LengthUnit) -> str:
    """What the dial must read on the radius, with the interval in which the next part lies."""
    low, high = (format_length(mm, unit) for mm in (dial.low_mm, dial.high_mm))
    return f"{format_both(dial.dial_mm, unit)}; {low} to {high} for the next part (95 %)"


def _spring_words(plan: Plan, unit: LengthUnit) -> str:
    if plan.dial is None:
        return (
            "What the dial must read is that plus the spring of your machine, which nobody knows beforehand: work in "
            "until the tops look as wanted, note the dial, and use that for the next part."
        )
    return (
        f"On the radius the dial of this machine must read {dial_words(plan.dial, unit)}, {plan.dial.words}: work in "
        "from the low end and look."
    )
