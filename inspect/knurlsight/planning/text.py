"""A plan as words for the terminal, as JSON, as a commented setup file, and explained formula by formula."""

from __future__ import annotations

import math
import textwrap
from dataclasses import asdict
from typing import Any

from knurlsight.planning.plan import BlankOption, Plan, around, is_measured
from knurlsight.planning.remarks import dial_words, remarks
from knurlsight.planning.tracking_line import tracking_line
from knurlsight.setup_math.forms import FORMS, designation
from knurlsight.setup_math.growth import growth_mm, sharp_depth_mm
from knurlsight.setup_math.practice import CAUTIONS, COMMON_PRACTICE, Advice
from knurlsight.setup_math.setup_model import WheelSetup, setup_document, setup_text
from knurlsight.units import MM_PER_INCH, LengthUnit, format_both, format_length

WIDTH = 100


def wheel_words(wheel: WheelSetup) -> str:
    """A wheel in one line."""
    said = [f"{wheel.code}" if wheel.code else "wheel"]
    if wheel.hand:
        said.append(f"{wheel.hand}-hand")
    if wheel.helix_deg:
        said.append(f"{wheel.helix_deg:g} deg")
    if is_measured(wheel):
        said.append(f"{wheel.teeth} teeth on {wheel.diameter_mm:g} mm (measured)")
    if wheel.pitch is not None:
        said.append(wheel.pitch.words)
    if wheel.width_mm:
        said.append(f"{wheel.width_mm:g} mm wide")
    if wheel.tooth_angle_deg:
        said.append(f"teeth of {wheel.tooth_angle_deg:g} deg")
    return ", ".join(said)


def advice_words(advice: Advice) -> str:
    """One line of advice without its reason."""
    if advice.low is None or advice.high is None:
        return advice.reason
    same = advice.low == advice.high
    numbers = f"{advice.low:g}" if same else f"{advice.low:g} to {advice.high:g}"
    if advice.unit.startswith("mm"):
        low, high = (v / MM_PER_INCH for v in (advice.low, advice.high))
        return f"{numbers} {advice.unit} ({low:.3f} to {high:.3f} in)"
    return f"{numbers} {advice.unit}".rstrip()


def chosen_rows(plan: Plan, unit: LengthUnit) -> list[tuple[str, str]]:
    """The numbers needed at the lathe, each with radius or diameter said where it matters."""
    blank, expected = plan.blank, plan.expected
    family = next(f for f in expected.families if f.hand != "ring")
    rows = [
        ("blank diameter", format_both(blank.blank_diameter_mm, unit)),
        ("finished diameter", f"{format_both(blank.outside_diameter_mm, unit)} at fill {plan.request.fill:g}"),
        ("growth, on the diameter", format_both(blank.growth_mm, unit)),
        (
            "teeth around",
            f"{blank.teeth}" if abs(blank.mismatch) < 0.005 else f"{blank.teeth} ({blank.mismatch:+.2f} off)",
        ),
        ("first bite, on the radius", format_both(plan.bite_mm, unit)),
        ("full penetration, on the radius", format_both(plan.penetration_mm, unit)),
        ("full penetration, on the diameter", format_both(2 * plan.penetration_mm, unit)),
        *([("dial on this machine, on the radius", dial_words(plan.dial, unit))] if plan.dial is not None else []),
        *([("dial on this machine", f"unknown: {plan.dial_unknown}")] if plan.dial_unknown else []),
        ("groove depth, on the radius", format_both(plan.depth_mm, unit)),
        ("normal pitch at the crest", format_both(family.normal_pitch_mm, unit)),
    ]
    if family.axial_pitch_mm is not None:
        rows += [
            ("axial pitch", format_both(family.axial_pitch_mm, unit)),
            ("helix at the crest", f"{family.helix_deg:.2f} deg"),
        ]
    if expected.included_angle_deg is not None:
        rows.append(("angle between the families", f"{expected.included_angle_deg:.2f} deg"))
    return rows


def plan_text(plan: Plan, unit: LengthUnit = "mm") -> str:
    """The plan for a terminal, `WIDTH` columns."""
    request = plan.request
    form = FORMS[request.form]
    label = designation(request.form, plan.families[0].normal_pitch_mm, plan.families[0].profile_angle_deg)
    lines = [f"{request.form}, {form.words}" + (f" ({label})" if label else "")]
    lines += [f"  wheel: {wheel_words(w)}" for w in request.wheels]
    how = "rolled along the axis" if plan.method == "axial" else "plunged"
    lines += [f"  holder: {plan.setup.holder.kind}, {how}", ""]
    rows = chosen_rows(plan, unit)
    wide = max(len(name) for name, _ in rows)
    for name, value in rows:
        lines += textwrap.wrap(value, WIDTH, initial_indent=f"  {name:{wide}s}  ", subsequent_indent=" " * (wide + 4))
    lines += ["", "Blanks with a whole count (chosen one marked *):"]
    lines += blank_table(plan, unit)
    zones, pointer = tracking_line(plan)
    lines += ["", f"  {zones}", f"  {pointer}"]
    lines += ["  | whole count   # tracks   . needs a firm start   x double tracking likely", ""]
    lines.append(f"How to run it ({COMMON_PRACTICE}, starting points and not limits; {plan.material.name}):")
    for row in plan.advice:
        reason = "" if row.low is None else f": {row.reason}"
        lines += _wrapped(f"{row.what}: {advice_words(row)}{reason}")
    lines += ["", "Mind:"]
    for remark in remarks(plan, unit):
        lines += _wrapped(remark)
    lines += ["", "Safety:"]
    for caution in CAUTIONS:
        lines += _wrapped(caution)
    return "\n".join(lines) + "\n"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")


def blank_table(plan: Plan, unit: LengthUnit) -> list[str]:
    """One line a blank."""
    head = f"    {'blank ' + unit:>10s} {'teeth':>6s} {'off':>6s} {'growth':>8s} {'finished':>9s} {'next blank':>11s}"
    lines = [head + ("  within limits" if plan.request.outside_limits else "")]
    for index, blank in enumerate(plan.blanks):
        mark = "*" if index == plan.chosen else " "
        numbers = [_number(v, unit) for v in (blank.blank_diameter_mm, blank.growth_mm, blank.outside_diameter_mm)]
        away = _number(blank.next_blank_mm - blank.blank_diameter_mm, unit)
        within = {None: "", True: "  yes", False: "  no"}[blank.within_limits]
        given = "" if blank.proposed else "  as given"
        lines.append(
            f"  {mark} {numbers[0]:>10s} {blank.teeth:>6d} {_mismatch(blank):>6s} {numbers[1]:>8s} {numbers[2]:>9s} "
            f"{'+' + away:>11s}{within}{given}"
        )
    return lines


def _mismatch(blank: BlankOption) -> str:
    return "0" if abs(blank.mismatch) < 0.005 else f"{blank.mismatch:+.2f}"


def _number(mm: float, unit: LengthUnit) -> str:
    return f"{mm / MM_PER_INCH:.4f}" if unit == "in" else f"{mm:.3f}"


# --- JSON -----------------------------------------------------------------------------------------------------------


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan as plain values for JSON; lengths in mm, angles in degrees."""
    return {
        "expected": plan.expected.model_dump(mode="json"),
        "blanks": [_blank_json(b) for b in plan.blanks],
        "chosen": plan.chosen,
        "fill": plan.request.fill,
        "bite_mm": plan.bite_mm,
        "penetration_mm": plan.penetration_mm,
        "depth_mm": plan.depth_mm,
        "dial": asdict(plan.dial) if plan.dial is not None else None,
        "dial_unknown": plan.dial_unknown or None,
        "blank_step_mm": plan.step_mm,
        "teeth_per_hundredth_mm": plan.teeth_per_hundredth,
        "method": plan.method,
        "practice": [
            {"what": a.what, "low": a.low, "high": a.high, "unit": a.unit, "reason": a.reason, "source": a.source}
            for a in plan.advice
        ],
        "remarks": list(remarks(plan)),
        "setup": setup_document(plan.setup),
        "setup_hash": plan.setup.content_hash,
    }


def _blank_json(blank: BlankOption) -> dict[str, Any]:
    return {
        "blank_diameter_mm": blank.blank_diameter_mm,
        "teeth": blank.teeth,
        "outside_diameter_mm": blank.outside_diameter_mm,
        "growth_mm": blank.growth_mm,
        "teeth_real": blank.counts[0].teeth_real,
        "mismatch": blank.mismatch,
        "next_blank_mm": blank.next_blank_mm,
        "proposed": blank.proposed,
        "within_limits": blank.within_limits,
    }


# --- the setup file -------------------------------------------------------------------------------------------------


def plan_setup_text(plan: Plan, unit: LengthUnit = "mm") -> str:
    """The setup file of a plan, with comments."""
    blank, request = plan.blank, plan.request
    wanted = request.outside_diameter_mm
    over = f", wanted {format_length(wanted, unit)}" if wanted is not None else ""
    comments = {
        "file": (
            "Setup for knurlsight, written by its plan. Lengths carry their unit; lines may be changed or taken out.\n"
            "Use: knurlsight inspect PHOTO --setup THIS_FILE --scale od:THE_DIAMETER_BY_CALIPER"
        ),
        "[part] outside_diameter": f"over the crests, as planned at fill {request.fill:g}{over}",
        "[part] blank_diameter": f"{blank.teeth} teeth at a first bite of {plan.bite_mm:g} mm on the radius",
        "[pattern]": f"{FORMS[request.form].words}; pitch and helix follow from the wheel, the blank and the count",
        "[pattern] teeth": "around the part",
        "[tolerance]": "anything left out has its default: pitch 4 %, helix 2 deg, ghost_ratio 0.10, ...",
        "[tolerance] teeth": "the wheel is not measured: its label may be a tooth off; measure it, plan again, judge "
        "it then",
    }
    return setup_text(plan.setup, unit, comments)


# --- explanations ---------------------------------------------------------------------------------------------------


def explain_text(plan: Plan) -> str:
    """Each formula of the plan with its numbers put in and its source."""
    request, blank = plan.request, plan.blank
    family = around(plan.families)[0]
    p, psi, pt, alpha = family.normal_pitch_mm, family.helix_deg, family.transverse_pitch_mm, family.profile_angle_deg
    fill, bite = request.fill, plan.bite_mm
    steps: list[tuple[str, str, str]] = []
    wheel = request.wheels[0]
    if is_measured(wheel):
        steps.append(
            (
                "pitch across the wheel's teeth",
                f"p = π d_w cos ψ / z = π × {wheel.diameter_mm:g} × cos {wheel.helix_deg or 0:g}° / {wheel.teeth} = "
                f"{p:.4f} mm",
                "geometry; the measured wheel beats its label",
            )
        )
    elif wheel.pitch is not None:
        rule = {
            "length": f"p = {wheel.pitch.mm:g} mm as the label says",
            "teeth per inch": f"25.4 / {wheel.pitch.number:g} = {wheel.pitch.mm:.4f} mm",
            "module": f"π m = π × {wheel.pitch.number:g} = {wheel.pitch.mm:.4f} mm",
            "diametral pitch": f"25.4 π / P = 25.4 π / {wheel.pitch.number:g} = {wheel.pitch.mm:.4f} mm around",
        }[wheel.pitch.system]
        source = {
            "length": "label (DIN 82, DIN 403)",
            "teeth per inch": "definition",
            "module": "JIS B 0951",
            "diametral pitch": "ANSI/ASME B94.6, P = N / D",
        }[wheel.pitch.system]
        steps.append(
            ("pitch of the wheel", rule + ("" if abs(p - wheel.pitch.mm) < 1e-9 else f"; across {p:.4f} mm"), source)
        )
    steps.append(("pitch around the blank", f"p_t = p / cos ψ = {p:.4f} / cos {psi:g}° = {pt:.4f} mm", "geometry"))
    h0 = sharp_depth_mm(p, alpha)
    steps.append(("sharp depth", f"p / (2 tan(α/2)) = {p:.4f} / (2 tan {alpha / 2:g}°) = {h0:.4f} mm", "geometry"))
    depth = fill * h0
    steps.append(
        ("groove depth H", f"fill × sharp depth = {fill:g} × {h0:.4f} = {depth:.4f} mm on the radius", "definition")
    )
    points = FORMS[request.form].points
    formula = {
        "ridges": f"f H = {fill:g} × {depth:.4f}",
        "raised": f"2 H (f - f²/3) = 2 × {depth:.4f} × ({fill:g} - {fill:g}²/3)",
        "recessed": f"2 H f²/3 = 2 × {depth:.4f} × {fill:g}²/3",
    }[points]
    alike = len(around(plan.families)) == 1
    full = growth_mm(request.form, p, 1.0, alpha) / p
    steps.append(
        (
            "growth of the diameter",
            f"{formula} = {growth_mm(request.form, p, fill, alpha):.4f} mm"
            + ("" if alike else f"; with both wheels {blank.growth_mm:.4f} mm"),
            f"volume conservation; full form {full:.3f} p, DIN 82 tabulates {FORMS[request.form].growth_factor:g} p "
            "at 90°",
        )
    )
    steps.append(
        (
            "teeth at the first bite",
            f"N = π (d - 2 b) / p_t = π × ({blank.blank_diameter_mm:.4f} - 2 × {bite:g}) / {pt:.4f} = "
            f"{blank.counts[0].teeth_real:.3f}",
            "JIS B 0951 and ANSI/ASME B94.6 for b = 0; b from a maker's worked example (0.06 mm)",
        )
    )
    steps.append(
        (
            "blank for the whole count",
            f"d = N p_t / π + 2 b = {blank.teeth} × {pt:.4f} / π + 2 × {bite:g} = "
            f"{blank.teeth * pt / math.pi + 2 * bite:.4f} mm",
            "the same, turned round",
        )
    )
    steps.append(
        (
            "finished diameter",
            f"d + growth = {blank.blank_diameter_mm:.4f} + {blank.growth_mm:.4f} = {blank.outside_diameter_mm:.4f} mm",
            "volume conservation",
        )
    )
    steps.append(
        (
            "penetration",
            f"H - growth / 2 = {plan.depth_mm:.4f} - {blank.growth_mm:.4f} / 2 = {plan.penetration_mm:.4f} mm on the "
            "radius",
            "volume conservation",
        )
    )
    for seen in plan.expected.families:
        steps += _explained_family(plan, seen)
    lines = []
    for name, rule, source in steps:
        lines += [name, *textwrap.wrap(rule, WIDTH, initial_indent="    ", subsequent_indent="      ")]
        lines.append(f"    source: {source}")
    return "\n".join(lines) + "\n"


def _explained_family(plan: Plan, seen: Any) -> list[tuple[str, str, str]]:
    crest = plan.blank.outside_diameter_mm
    if seen.hand == "ring":
        return [("pitch of the rings", f"{seen.normal_pitch_mm:.4f} mm, as on the wheel", "rings do not grow")]
    steps = [
        (
            f"{seen.hand}: pitch around at the crest",
            f"p_t = π OD / N = π × {crest:.4f} / {seen.teeth} = {seen.transverse_pitch_mm:.4f} mm",
            "the same teeth on a larger circle",
        )
    ]
    if seen.axial_pitch_mm is not None:
        steps += [
            (
                f"{seen.hand}: helix at the crest",
                f"tan ψ = p_t / p_a = {seen.transverse_pitch_mm:.4f} / {seen.axial_pitch_mm:.4f}, ψ = "
                f"{seen.helix_deg:.3f}°",
                "rolling keeps the axial pitch",
            ),
            (
                f"{seen.hand}: normal pitch at the crest",
                f"p_n = p_t cos ψ = {seen.transverse_pitch_mm:.4f} × cos {seen.helix_deg:.3f}° = "
                f"{seen.normal_pitch_mm:.4f} mm",
                "geometry",
            ),
        ]
    return steps
