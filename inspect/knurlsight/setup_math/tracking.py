"""Whole counts of teeth: which blanks a wheel tracks on, and how far a blank is from the nearest one.

The wheel counts at the diameter to which it first bites, so with a bite b on the radius N = (d − 2 b) π / p_t. With
b = 0 this is N = π d cos ψ / p_n, as JIS B 0951 (D = n m / cos ψ) and ANSI/ASME B94.6 (N = D P cos ψ) have it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Mismatch, as share of a tooth either way, up to which any firm start tracks, and beyond which it tends to double
#: track. Common practice gives no numbers; the rolling simulation shows where they come from.
SURE_MISMATCH = 0.15
DOUBLE_TRACK_MISMATCH = 0.30


@dataclass(frozen=True)
class Tracking:
    """How a wheel meets a blank.

    Attributes
    ----------
    teeth_real : float
        Teeth around the diameter of the first bite.
    teeth : int
        The nearest whole count.
    mismatch : float
        `teeth_real` − `teeth`, −0.5 to 0.5 of a tooth: by so much a pitch the wheel misses its own marks after the
        first turn.
    """

    teeth_real: float
    teeth: int
    mismatch: float


def teeth_on_blank(blank_mm: float, transverse_pitch_mm: float, bite_mm: float = 0.0) -> float:
    """Teeth around a blank at the first bite, a real number.

    >>> round(teeth_on_blank(25.4, 25.4 / 160 * math.pi / math.cos(math.radians(30))), 2)
    138.56
    """
    return math.pi * (blank_mm - 2.0 * bite_mm) / transverse_pitch_mm


def blank_for_teeth_mm(teeth: int, transverse_pitch_mm: float, bite_mm: float = 0.0) -> float:
    """Blank diameter on which that count is whole, mm."""
    return teeth * transverse_pitch_mm / math.pi + 2.0 * bite_mm


def blank_step_mm(transverse_pitch_mm: float) -> float:
    """From one good blank to the next, on the diameter: p_t / π."""
    return transverse_pitch_mm / math.pi


def teeth_per_diameter(transverse_pitch_mm: float) -> float:
    """Teeth more for each mm of blank diameter: π / p_t."""
    return math.pi / transverse_pitch_mm


def tracking(blank_mm: float, transverse_pitch_mm: float, bite_mm: float = 0.0) -> Tracking:
    """How a wheel of that transverse pitch (on the blank) meets that blank."""
    real = teeth_on_blank(blank_mm, transverse_pitch_mm, bite_mm)
    whole = max(1, round(real))
    return Tracking(real, whole, real - whole)


def helix_for_teeth_deg(teeth: int, blank_mm: float, wheel_pitch_mm: float) -> float | None:
    """Swivel of a straight wheel that makes the count whole, cos ψ = N p / (π d); None when no angle does.

    >>> round(helix_for_teeth_deg(138, 25.4, 25.4 / 160 * math.pi), 2)
    30.4
    """
    cos = teeth * wheel_pitch_mm / (math.pi * blank_mm)
    return math.degrees(math.acos(cos)) if 0 < cos <= 1 else None


def bite_of_wheel_allowance_mm(allowance_mm: float, teeth: int, wheel_teeth: int) -> float:
    """The bite on the radius that equals an allowance on the wheel's diameter.

    Makers put the bite as something added to the wheel, d = N / z (d_w + a); it is the same as b = a N / (2 z).
    """
    return allowance_mm * teeth / (2.0 * wheel_teeth)
