"""The pictures of a plan: how well blanks track, and what the pattern will look like."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from knurlsight.planning.plan import Plan
from knurlsight.reporting.drawing import Drawing, Line, Mark, Picture, Text, rectangle
from knurlsight.setup_math.expected import RolledFamily
from knurlsight.setup_math.forms import FORMS
from knurlsight.setup_math.rolling import Rolled, infeed_schedule_mm, roll, straight_penetration_mm, surface_patch
from knurlsight.setup_math.tracking import DOUBLE_TRACK_MISMATCH, SURE_MISMATCH, teeth_on_blank
from knurlsight.units import LengthUnit, format_length

TRACKS = "#d7e8d4"
DOUBTFUL = "#f4f4f4"
DOUBLE_TRACKS = "#c9c9c9"
RED = "#b01515"
#: Of the larger of the two pictures of each pattern.
ENLARGED = 5.0
#: Starts that are tried for a double track: teeth off the count, place of the first tooth.
_BAD_STARTS = ((0.4, 0.0), (0.4, 0.4), (0.5, 0.0), (0.5, 0.4), (0.6, 0.7))


def tracking_picture(plan: Plan, unit: LengthUnit = "mm", width_mm: float = 180.0, height_mm: float = 62.0) -> Drawing:
    """Mismatch against blank diameter, with the zones, the whole counts, the limits and the chosen blank."""
    pitch, bite, chosen = plan.transverse_pitch_mm, plan.bite_mm, plan.blank
    low, high = chosen.blank_diameter_mm - 2.1 * plan.step_mm, chosen.blank_diameter_mm + 2.1 * plan.step_mm
    left, right, top, bottom = 22.0, width_mm - 4.0, 13.0, height_mm - 14.0

    def x_of(diameter: float) -> float:
        return left + (right - left) * (diameter - low) / (high - low)

    def y_of(mismatch: float) -> float:
        return (top + bottom) / 2.0 - mismatch * (bottom - top)

    marks: list[Mark] = [rectangle(left, top, right - left, bottom - top, DOUBTFUL)]
    first, last = (teeth_on_blank(d, pitch, bite) for d in (low, high))

    def blank_at(teeth: float) -> float:
        return teeth * pitch / math.pi + 2.0 * bite

    for teeth in range(math.floor(first), math.ceil(last) + 1):
        for reach, colour, base in (
            (SURE_MISMATCH, TRACKS, float(teeth)),
            (0.5 - DOUBLE_TRACK_MISMATCH, DOUBLE_TRACKS, teeth + 0.5),
        ):
            a, b = (min(max(blank_at(base + s * reach), low), high) for s in (-1.0, 1.0))
            if b > a:
                marks.append(rectangle(x_of(a), top, x_of(b) - x_of(a), bottom - top, colour))
    for teeth in range(math.floor(first), math.ceil(last) + 1):
        ends = [min(max(blank_at(teeth + s), low), high) for s in (-0.5, 0.5)]
        if ends[1] > ends[0]:
            line = tuple((x_of(d), y_of(teeth_on_blank(d, pitch, bite) - teeth)) for d in ends)
            marks.append(Line(line, 0.4))
        if low <= blank_at(teeth) <= high:
            x = x_of(blank_at(teeth))
            marks.append(Line(((x, bottom), (x, bottom + 1.2)), 0.25))
            label = format_length(blank_at(teeth), unit).removesuffix(f" {unit}")
            marks.append(Text(x, bottom + 4.4, label, 2.8, "middle"))
            if abs(x - x_of(chosen.blank_diameter_mm)) > 9.0:
                marks.append(Text(x, top - 1.2, f"{teeth} teeth", 2.8, "middle"))
    marks.append(Line(((left, y_of(0.0)), (right, y_of(0.0))), 0.15, "#666666"))
    for value in (-0.5, 0.0, 0.5):
        words = f"{value:+.1f} tooth" if value else "whole"
        marks.append(Text(left - 1.5, y_of(value) + 1.0, words, 2.8, "end"))
    marks.append(Text((left + right) / 2, height_mm - 5.2, f"blank diameter, {unit}", 2.8, "middle"))
    limits = plan.request.outside_limits
    for end in () if limits is None else (limits.lower_mm, limits.upper_mm):
        if end is not None and low <= end - chosen.growth_mm <= high:
            x = x_of(end - chosen.growth_mm)
            marks.append(Line(((x, top), (x, bottom)), 0.35, RED, dashed=True))
            marks.append(Text(x + 0.8, bottom - 1.0, "limit", 2.4, colour=RED))
    x = x_of(chosen.blank_diameter_mm)
    marks.append(Line(((x, top - 3.0), (x, bottom)), 0.7, RED))
    words = f"blank {format_length(chosen.blank_diameter_mm, unit)}, {chosen.teeth} teeth"
    marks.append(Text(x, top - 5.0, words, 3.4, "middle", True, RED))
    key = left
    for colour, words in (
        (TRACKS, "tracks"),
        (DOUBTFUL, "needs a firm start"),
        (DOUBLE_TRACKS, "double tracking likely"),
    ):
        marks.append(rectangle(key, height_mm - 3.4, 4.0, 2.6, colour))
        marks.append(Line(_outline(key, height_mm - 3.4, 4.0, 2.6), 0.1, "#888888"))
        marks.append(Text(key + 5.2, height_mm - 1.2, words, 2.6))
        key += 42.0
    title = "Teeth off a whole count against blank diameter; zones are rules of thumb backed by the rolling model"
    return Drawing(width_mm, height_mm, tuple(marks), title)


def _outline(x: float, y: float, w: float, h: float) -> tuple[tuple[float, float], ...]:
    return ((x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y))


def pattern_picture(plan: Plan, unit: LengthUnit = "mm", width_mm: float = 180.0) -> Drawing:
    """What to expect at true scale, tracking and double tracking side by side, with a bar to check the print by."""
    gap, top, inner = 5.0, 5.5, 2.5
    column = (width_mm - gap) / 2.0
    small = 0.36 * column
    large = column - small - inner
    tall = min(26.0, 0.35 * math.pi * plan.blank.outside_diameter_mm)
    good, double = simulated_profiles(plan)
    slants = [_slant(f.hand, f.helix_deg) for f in plan.expected.families]
    recessed = FORMS[plan.request.form].points == "recessed"
    diameter = plan.blank.outside_diameter_mm
    pair = ((good, "as it should look"), (double, "double tracking, for comparison"))
    marks: list[Mark] = []
    for number, (profiles, words) in enumerate(pair):
        x = number * (column + gap)
        marks.append(Text(x, top - 1.6, words, 3.0, bold=number == 0))
        # True size, then enlarged: (left edge, width on paper, enlargement, mm of surface to a sample).
        for left, width, times, sample in ((x, small, 1.0, 0.07), (x + small + inner, large, ENLARGED, 0.02)):
            surface = surface_patch(profiles, slants, recessed, diameter, (width / times, tall / times), sample)
            marks.append(Picture(left, top, width, tall, shaded(surface, sample)))
    patch_height = tall
    marks.append(Text(width_mm, top + tall + 4.6, f"small: true size, large: {ENLARGED:g} times", 2.6, "end"))
    length, label = (25.4, "1 in") if unit == "in" else (20.0, "20 mm")
    y = top + patch_height + 3.5
    marks += [
        Line(((0.0, y), (length, y)), 0.5),
        Line(((0.0, y - 1.5), (0.0, y + 1.5)), 0.5),
        Line(((length, y - 1.5), (length, y + 1.5)), 0.5),
        Text(
            length + 2.0,
            y + 1.1,
            f"true to scale when this bar measures {label}",
            2.6,
        ),
    ]
    title = "The pattern to expect at true scale, unrolled, axis lying, light from the upper left"
    return Drawing(width_mm, y + 3.0, tuple(marks), title)


def _slant(hand: str, helix_deg: float) -> float:
    return {"right": helix_deg, "left": -helix_deg, "axial": 0.0, "ring": 90.0}[hand]


Profiles = list[NDArray[np.float64]]


def simulated_profiles(plan: Plan) -> tuple[Profiles, Profiles]:
    """Profiles around the work of each family from the rolling model: on the chosen count, and double tracking.

    The second is the worst of some starts about half a tooth off the count with a timid first bite, a fifth of the
    plan's, which is how double tracking comes about.
    """
    good: Profiles = []
    double: Profiles = []
    bite = max(plan.bite_mm, 0.01)
    done: dict[tuple[float, float, float], tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
    for family in plan.families:
        alike = (family.normal_pitch_mm, family.helix_deg, family.profile_angle_deg)
        if alike not in done:
            clean = _rolled(plan, family, 0.0, bite, 0.0).height_mm
            worst = clean
            if family.hand != "ring":
                starts = [_rolled(plan, family, off, 0.2 * bite, phase) for off, phase in _BAD_STARTS]
                worst = max(starts, key=lambda r: r.ghost_ratio).height_mm
            done[alike] = clean, worst
        good.append(done[alike][0])
        double.append(done[alike][1])
    return good, double


def _rolled(plan: Plan, family: RolledFamily, off: float, bite_mm: float, phase: float) -> Rolled:
    helix = 0.0 if family.hand == "ring" else family.helix_deg
    pitch = family.normal_pitch_mm / math.cos(math.radians(helix))
    penetration = straight_penetration_mm(family.normal_pitch_mm, plan.request.fill, family.profile_angle_deg)
    blank = (plan.blank.teeth + off) * pitch / math.pi + 2.0 * bite_mm
    schedule = infeed_schedule_mm(bite_mm, penetration)
    return roll(blank, family.normal_pitch_mm, helix, schedule, family.profile_angle_deg, phase=phase)


def shaded(height_mm: NDArray[np.float64], mm_per_sample: float) -> NDArray[np.uint8]:
    """Grey picture of a height map with the light from the upper left; (rows, columns) as given."""
    down, along = np.gradient(height_mm, mm_per_sample)
    normal = 1.0 / np.sqrt(1.0 + down**2 + along**2)
    light = np.array([-0.5, -0.45, 0.74])
    value = (-along * light[0] - down * light[1] + light[2]) * normal
    return np.asarray(np.clip(40.0 + 210.0 * np.clip(value, 0.0, 1.0), 0, 255), dtype=np.uint8)
