"""How much a blank grows when it is knurled: metal that the wheel displaces is kept.

The mean height of the finished surface is the height of the blank. With straight flanks of profile angle α a groove of
depth H is f p wide at the crest, f being the form fill, and H = f p / (2 tan(α/2)). A point of the surface chosen at
random lies deeper than x below the crest with probability f (1 − x/H), from one family. Two crossing families are
independent of each other, so the mean depth of raised points (the deeper of the two grooves counts) and of recessed
points (the shallower counts) follow from products of these. The diameter grows by twice the crest's height above the
blank, that is by twice the mean depth below the crest, over what the blank had: growth = 2 × mean depth.

For one pitch, 90° and full form this gives 0.5 p, 0.667 p and 0.333 p, the factors of DIN 82:1973-01, section 2.4,
which likewise leaves out the rounding of the grooves and the material's behaviour. The closed forms hold for a flat
blank; `growth_on_cylinder_mm` shows that the curvature of a real one changes micrometres.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from knurlsight.setup_math.forms import FORMS, STANDARD_PROFILE_ANGLE_DEG, Points


@dataclass(frozen=True)
class Groove:
    """One family of V grooves, in the plane normal to its ridges.

    Attributes
    ----------
    pitch_mm : float
        Normal pitch.
    fill : float
        Form fill, 1 − land / pitch, in (0, 1].
    profile_angle_deg : float
        Angle between the flanks.
    """

    pitch_mm: float
    fill: float = 1.0
    profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG

    @property
    def sharp_depth_mm(self) -> float:
        """Depth at which the crests run to an edge."""
        return sharp_depth_mm(self.pitch_mm, self.profile_angle_deg)

    @property
    def depth_mm(self) -> float:
        """Depth below the crest."""
        return self.fill * self.sharp_depth_mm

    @property
    def land_mm(self) -> float:
        """Flat left on the crest."""
        return (1.0 - self.fill) * self.pitch_mm


def sharp_depth_mm(pitch_mm: float, profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG) -> float:
    """Depth of a V of that pitch and angle between sharp crests: p / (2 tan(α/2))."""
    return pitch_mm / (2.0 * math.tan(math.radians(profile_angle_deg) / 2.0))


def growth_mm(
    form: str, pitch_mm: float, fill: float = 1.0, profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG
) -> float:
    """Growth of the diameter from blank to crest, in mm, for families alike.

    Parameters
    ----------
    form : str
        DIN 82 code.
    pitch_mm : float
        Normal pitch.
    fill : float
        Form fill, 0 to 1; 0 gives no growth.
    profile_angle_deg : float
        Angle between the flanks.

    Notes
    -----
    With H the depth: f H (ridges), 2 H (f − f²/3) (raised points), 2 H f²/3 (recessed points). At 90° these are
    2 H²/p, 2 (2 H²/p − 4 H³/(3 p²)) and 8 H³/(3 p²).

    Examples
    --------
    >>> round(growth_mm("RGE", 0.8), 4)
    0.5333
    """
    depth = fill * sharp_depth_mm(pitch_mm, profile_angle_deg)
    points = FORMS[form].points
    if points == "ridges":
        return fill * depth
    if points == "raised":
        return 2.0 * depth * (fill - fill**2 / 3.0)
    return 2.0 * depth * fill**2 / 3.0


def din82_growth_mm(form: str, pitch_mm: float) -> float:
    """k t of DIN 82 (90° profile, full form), with the factors as the standard rounds them."""
    return FORMS[form].growth_factor * pitch_mm


def growth_of_grooves_mm(points: Points, grooves: Sequence[Groove]) -> float:
    """Growth of the diameter for one family or for two that are not alike, in mm.

    Parameters
    ----------
    points : {"ridges", "raised", "recessed"}
    grooves : one or two Groove
    """
    first = grooves[0]
    if points == "ridges" or len(grooves) == 1:
        return first.fill * first.depth_mm
    second = grooves[1]
    # Mean depth = ∫ P(depth > x) dx; P is linear in x for each family down to its own depth.
    shallow, deep = sorted((first.depth_mm, second.depth_mm))
    steps = [(0.0, shallow)] + ([(shallow, deep)] if deep > shallow else [])
    mean = sum(_gauss3(lambda x: _deeper_share(points, first, second, x), a, b) for a, b in steps)
    return 2.0 * mean


def _deeper_share(points: Points, first: Groove, second: Groove, depth_mm: float) -> float:
    """Share of the surface that lies deeper than `depth_mm` below the crest."""
    shares = [max(0.0, g.fill * (1.0 - depth_mm / g.depth_mm)) for g in (first, second)]
    if points == "recessed":
        return shares[0] * shares[1]
    return 1.0 - (1.0 - shares[0]) * (1.0 - shares[1])


def _gauss3(f: Callable[[float], float], a: float, b: float) -> float:
    """Integral of `f` from a to b, exact for the quadratics that occur here."""
    middle, half = (a + b) / 2.0, (b - a) / 2.0
    x = half * math.sqrt(0.6)
    return half * (5.0 * f(middle - x) + 8.0 * f(middle) + 5.0 * f(middle + x)) / 9.0


def growth_on_cylinder_mm(points: Points, grooves: Sequence[Groove], outside_diameter_mm: float) -> float:
    """The same on a cylinder, where a groove's metal is π (R² − r²) and not area times depth.

    Returns
    -------
    float
        Growth of the diameter, mm; it differs from `growth_of_grooves_mm` by about the variance of the surface
        height over the radius.
    """
    radius = outside_diameter_mm / 2.0
    first = grooves[0]
    pair = (first, grooves[1]) if points != "ridges" and len(grooves) > 1 else (first,)
    edges = sorted({0.0, *(g.depth_mm for g in pair)})

    def missing(x: float) -> float:
        if len(pair) == 1:
            return max(0.0, first.fill * (1.0 - x / first.depth_mm)) * (radius - x)
        return _deeper_share(points, pair[0], pair[1], x) * (radius - x)

    # R² − r_blank² = 2 ∫ P(depth > x) (R − x) dx; the integrand is cubic, which three points integrate exactly.
    area = 2.0 * sum(_gauss3(missing, a, b) for a, b in itertools.pairwise(edges))
    return 2.0 * (radius - math.sqrt(radius**2 - area))


def fill_for_growth(
    form: str, pitch_mm: float, growth_mm_: float, profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG
) -> float | None:
    """The form fill that explains a growth of the diameter, or None when full form does not reach it."""
    if growth_mm_ < 0 or growth_mm_ > growth_mm(form, pitch_mm, 1.0, profile_angle_deg):
        return None
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if growth_mm(form, pitch_mm, middle, profile_angle_deg) < growth_mm_:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def penetration_mm(
    form: str, pitch_mm: float, fill: float = 1.0, profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG
) -> float:
    """How far the wheel's teeth go below the blank's surface, on the radius, mm: depth less half the growth."""
    depth = fill * sharp_depth_mm(pitch_mm, profile_angle_deg)
    return depth - growth_mm(form, pitch_mm, fill, profile_angle_deg) / 2.0


def truncated_growth_mm(
    form: str,
    pitch_mm: float,
    fill: float,
    turned_off_mm: float,
    profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG,
) -> float:
    """Growth left over the blank when `turned_off_mm` (on the radius) is turned off the rolled crests."""
    return growth_mm(form, pitch_mm, fill, profile_angle_deg) - 2.0 * turned_off_mm
