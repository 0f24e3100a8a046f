"""Which standard pitches a measured pitch could be.

A wheel is marked with its own pitch; a photo shows the pitch at the crest, which is larger by the growth and is a whole
part of the circumference. Every standard pitch that can lead to what was measured is listed, and when several do, the
reader is told so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from photoscale.quantity import Quantity

from knurlsight.setup_math.expected import at_other_diameter
from knurlsight.setup_math.forms import FORMS, PREFERRED_PITCHES_MM, STANDARD_HELIX_DEG, is_diagonal
from knurlsight.setup_math.growth import growth_mm
from knurlsight.units import Pitch, pitch_from_diametral, pitch_from_length, pitch_from_module, pitch_from_tpi

#: Form fill that a part may have: from half formed to full form.
FILL_RANGE = (0.5, 1.0)
#: Fill of the single figure that stands for the range.
USUAL_FILL = 0.9
#: Without a diameter the growth can be this much of it at most: a raised diamond on a dozen pitches.
GREATEST_GROWTH_SHARE = 0.05


@dataclass(frozen=True)
class StandardPitch:
    """A pitch that wheels are made with.

    Attributes
    ----------
    pitch : Pitch
    name : str
        As people say it.
    source : str
        Standard, or *common practice*.
    """

    pitch: Pitch
    name: str
    source: str


_TPI_NAMES = {14: " (coarse)", 21: " (medium)", 33: " (fine)"}

#: All of them. The inch series other than 14, 21 and 33 are round numbers met in the trade.
STANDARD_PITCHES: tuple[StandardPitch, ...] = (
    *(StandardPitch(pitch_from_length(p), f"{p:g} mm", "DIN 82") for p in PREFERRED_PITCHES_MM),
    StandardPitch(pitch_from_length(2.0), "2 mm", "GOST 21474, crossed"),
    *(
        StandardPitch(pitch_from_tpi(float(n)), f"{n} teeth per inch{_TPI_NAMES.get(n, '')}", "common practice")
        for n in (10, 12, 14, 16, 20, 21, 25, 30, 33, 35, 40, 50)
    ),
    *(StandardPitch(pitch_from_module(m), f"module {m:g}", "JIS B 0951") for m in (0.2, 0.3, 0.5)),
    StandardPitch(pitch_from_module(0.4), "module 0.4", "GB/T 6403.3, from memory"),
    *(
        StandardPitch(pitch_from_diametral(float(p)), f"diametral pitch {p}", "ANSI/ASME B94.6")
        for p in (64, 96, 128, 160)
    ),
)


@dataclass(frozen=True)
class PitchFit:
    """One standard pitch against a measured one.

    Attributes
    ----------
    designation : str
        As people say it, such as ``"21 teeth per inch (medium)"``.
    source : str
        Standard, or *common practice*.
    wheel_pitch_mm : float
        Across the teeth of the wheel, so on the blank.
    crest_pitch_mm : float
        Normal pitch to expect at the crest at the usual fill.
    lowest_mm, highest_mm : float
        Normal pitch at the crest over the range of fill and of whole counts.
    difference : float
        Measured over `crest_pitch_mm`, less one.
    fits : bool
        Whether the measured k = 2 interval meets that range.
    """

    designation: str
    source: str
    wheel_pitch_mm: float
    crest_pitch_mm: float
    lowest_mm: float
    highest_mm: float
    difference: float
    fits: bool


@dataclass(frozen=True)
class Fitting:
    """All standard pitches against a measured one, the fitting ones first, the nearest first among them."""

    rows: tuple[PitchFit, ...]
    sentence: str

    @property
    def fitting(self) -> tuple[PitchFit, ...]:
        """Those that fit."""
        return tuple(row for row in self.rows if row.fits)


def fitting_pitches(
    normal_pitch: Quantity,
    form: str | None,
    outside_diameter: Quantity | None = None,
    helix_deg: float | None = None,
    at_wheel: bool = False,
) -> Fitting:
    """Hold a measured normal pitch against every standard pitch.

    Parameters
    ----------
    normal_pitch : Quantity
        At the crest, mm; or on the wheel itself with `at_wheel`.
    form : str or None
        DIN 82 code; None when it is not known (then as a straight one).
    outside_diameter : Quantity or None
        Crest diameter, mm. Without it the growth is only bounded.
    helix_deg : float, optional
        Of the wheel; 30° for a diagonal form when not given.
    at_wheel : bool
        The pitch was measured on the wheel or its print: no growth, no whole count.

    Returns
    -------
    Fitting

    Notes
    -----
    On the part the pitch is π OD / N with a whole N, while the wheel's pitch seldom divides the blank: half a tooth is
    allowed either way.
    """
    diagonal = form is not None and is_diagonal(form)
    helix = helix_deg if helix_deg is not None else (STANDARD_HELIX_DEG if diagonal else 0.0)
    low, high = normal_pitch.interval
    rows = []
    for standard in STANDARD_PITCHES:
        wheel = standard.pitch.mm
        if standard.pitch.system == "diametral pitch":
            wheel *= math.cos(math.radians(helix))
        if at_wheel:
            lowest = usual = highest = wheel
        else:
            lowest, usual, highest = _at_crest(wheel, form, helix, outside_diameter)
        fits = low <= highest and high >= lowest
        difference = normal_pitch.value / usual - 1.0
        rows.append(PitchFit(standard.name, standard.source, wheel, usual, lowest, highest, difference, fits))
    rows.sort(key=lambda row: (not row.fits, abs(row.difference)))
    return Fitting(tuple(rows), _sentence(rows, at_wheel))


def _at_crest(
    wheel_mm: float, form: str | None, helix_deg: float, outside_diameter: Quantity | None
) -> tuple[float, float, float]:
    """Normal pitch at the crest (lowest, usual, highest) for a wheel's normal pitch."""
    if outside_diameter is None:
        shares = (0.0, GREATEST_GROWTH_SHARE / 2.0, GREATEST_GROWTH_SHARE)
        a, b, c = (at_other_diameter(wheel_mm, helix_deg, 1.0, 1.0 / (1.0 - s))[0] for s in shares)
        return a, b, c
    crest = outside_diameter.value
    code = form if form in FORMS else "RAA"
    fills = (FILL_RANGE[0], USUAL_FILL, FILL_RANGE[1])
    blanks = [max(crest - growth_mm(code, wheel_mm, fill), 0.5 * crest) for fill in fills]
    a, b, c = (at_other_diameter(wheel_mm, helix_deg, blank, crest)[0] for blank in blanks)
    teeth = math.pi * blanks[1] * math.cos(math.radians(helix_deg)) / wheel_mm
    slip = 0.5 / max(teeth, 1.0)
    return a * (1.0 - slip), b, c * (1.0 + slip)


def _sentence(rows: Sequence[PitchFit], at_wheel: bool) -> str:
    """What to tell the reader about the rows, which are in order."""
    fitting = [row for row in rows if row.fits]
    if not fitting:
        nearest = rows[0]
        why = "The wheel may not be a standard one, or the scale is wrong."
        if at_wheel and abs(nearest.difference) < 0.025:
            why = "Wheels differ from their names by a per cent or two: go by the measured pitch."
        off = f"{100 * nearest.difference:+.1f} % off"
        return f"No standard pitch fits; the nearest is {nearest.designation}, from which it is {off}. {why}"
    first = fitting[0]
    if len(fitting) == 1:
        return f"Only {first.designation} fits."
    second = fitting[1]
    apart = abs(second.wheel_pitch_mm / first.wheel_pitch_mm - 1.0)
    names = " and ".join([first.designation, second.designation])
    if len(fitting) > 2:
        names = f"{', '.join(row.designation for row in fitting[:-1])} and {fitting[-1].designation}"
        return f"{names} all fit and cannot be told apart here; count the teeth or measure the wheel."
    if apart < 1e-4:
        return f"{names} have the same pitch."
    return f"{names} differ by {100 * apart:.1f} % and cannot be told apart here; count the teeth or measure the wheel."
