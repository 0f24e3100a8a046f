"""Numbers that standards print, as they print them; what is from memory says so."""

from __future__ import annotations

import math
from dataclasses import dataclass

from knurlsight.units import MM_PER_INCH

#: DIN 403:1973-01, section 2.1: teeth of a wheel by (diameter mm, pitch mm), for axial (AA, KE, KV) and for 30° teeth
#: (BL, BR, GE, GV). As printed, oddities included: 48 where π 15 / 1 is 47.1, 78 where it is 78.54.
DIN_403_TEETH: dict[tuple[float, float], tuple[int, int]] = {
    (15, 0.5): (94, 82),
    (15, 0.6): (78, 68),
    (15, 0.8): (59, 51),
    (15, 1.0): (48, 41),
    (15, 1.2): (39, 34),
    (15, 1.6): (29, 25),
    (20, 0.5): (126, 109),
    (20, 0.6): (105, 91),
    (20, 0.8): (79, 68),
    (20, 1.0): (63, 54),
    (20, 1.2): (52, 45),
    (20, 1.6): (39, 34),
}

#: DIN 403: widths and bore by wheel diameter, mm.
DIN_403_WIDTHS_MM: dict[float, tuple[float, ...]] = {15: (4, 5, 6), 20: (6, 8, 10)}
DIN_403_BORE_MM: dict[float, float] = {15: 4, 20: 6}

#: ANSI/ASME B94.6: tracking correction Q in inch by diametral pitch. From memory; a maker's table agrees at 64, 96 and
#: 160 and not at 128, which is open.
ASME_TRACKING_CORRECTION_IN: dict[int, float] = {64: 0.0006676, 96: 0.0002618, 128: 0.0001374, 160: 0.00009425}


@dataclass(frozen=True)
class DiameterClass:
    """Limits of the knurled diameter about its nominal value, inch, by diametral pitch 64, 96, 128, 160.

    ANSI/ASME B94.6 as quoted by Machinery's Handbook, 31st ed., table 4: class I read, class II read for 64 (both upper
    limits) and else from memory, class III from memory.
    """

    name: str
    upper_in: tuple[float, float, float, float]
    lower_in: tuple[float, float, float, float]
    source: str


ASME_DIAMETER_CLASSES: tuple[DiameterClass, ...] = (
    DiameterClass(
        "I", (0.005, 0.004, 0.003, 0.002), (-0.012, -0.010, -0.008, -0.006), "Machinery's Handbook, 31st ed., p. 1059"
    ),
    DiameterClass("II", (0.0, 0.0, 0.0, 0.0), (-0.010, -0.009, -0.008, -0.006), "ANSI/ASME B94.6, from memory"),
    DiameterClass("III", (0.0, 0.0, 0.0, 0.0), (-0.006, -0.005, -0.004, -0.003), "ANSI/ASME B94.6, from memory"),
)

#: Room for the blank's diameter, ± inch, by diametral pitch (Machinery's Handbook, 31st ed., table 4, class I line).
ASME_BLANK_TOLERANCE_IN: dict[int, float] = {64: 0.0015, 96: 0.0010, 128: 0.0007, 160: 0.0005}

#: JIS B 0951:1962: root radius by module, mm; 0.4 is GB/T 6403.3, from memory.
MODULE_ROOT_RADIUS_MM: dict[float, float] = {0.2: 0.06, 0.3: 0.09, 0.4: 0.12, 0.5: 0.16}


def din403_teeth(diameter_mm: float, pitch_mm: float, slanting: bool) -> int | None:
    """Teeth of a DIN 403 wheel as printed, or None for a size that the standard does not list.

    >>> din403_teeth(15, 1.6, slanting=False), din403_teeth(20, 0.8, slanting=True)
    (29, 68)
    """
    printed = DIN_403_TEETH.get((diameter_mm, pitch_mm))
    return None if printed is None else printed[1 if slanting else 0]


def wheel_teeth(diameter_mm: float, normal_pitch_mm: float, helix_deg: float) -> float:
    """Teeth that fit round a wheel, a real number: π d cos ψ / p_n."""
    return math.pi * diameter_mm * math.cos(math.radians(helix_deg)) / normal_pitch_mm


def asme_wheel_diameter_in(nominal_in: float, diametral_pitch: float) -> float | None:
    """Outside diameter of a diametral pitch wheel, D_o = D_n − z Q / π, inch; None where Q is not known.

    Its own pitch is Q smaller than π/P, which is how a wheel that bites at its outside diameter still makes P teeth per
    inch of blank diameter (ANSI/ASME B94.6; Q from memory).
    """
    correction = ASME_TRACKING_CORRECTION_IN.get(round(diametral_pitch))
    if correction is None or round(diametral_pitch) != diametral_pitch:
        return None
    return nominal_in - nominal_in * diametral_pitch * correction / math.pi


def asme_wheel_pitch_mm(diametral_pitch: float) -> float | None:
    """The wheel's own pitch around, π/P − Q, mm; None where Q is not known."""
    correction = ASME_TRACKING_CORRECTION_IN.get(round(diametral_pitch))
    if correction is None or round(diametral_pitch) != diametral_pitch:
        return None
    return (math.pi / diametral_pitch - correction) * MM_PER_INCH


def module_groove_below_blank_mm(module_mm: float, root_radius_mm: float) -> float:
    """h = (π/4) m − (√2 − 1) r: a 90° V of depth p/4 below the blank line with its root rounded.

    JIS B 0951:1962 prints m, r and h; the formula 0.785 m − 0.414 r is from memory and fits all three rows.
    """
    return math.pi / 4.0 * module_mm - (math.sqrt(2.0) - 1.0) * root_radius_mm
