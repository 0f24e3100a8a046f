"""Which standard pitches fit a measured one."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight.setup_math.expected import at_other_diameter
from knurlsight.setup_math.growth import growth_mm
from knurlsight.setup_math.standards import STANDARD_PITCHES, fitting_pitches
from photoscale.quantity import Quantity


def test_21_per_inch_and_1_2_mm_cannot_be_told_apart() -> None:
    """They differ by 0.8 % (arithmetic, 25.4 / 21 = 1.2095)."""
    fits = fitting_pitches(Quantity(1.236, 0.004, "mm"), "RGE", Quantity(25.0, 0.05, "mm"))
    assert [row.designation for row in fits.fitting] == ["21 teeth per inch (medium)", "1.2 mm"]
    assert "differ by 0.8 % and cannot be told apart" in fits.sentence


def test_a_wheel_measured_well_is_told_apart() -> None:
    fits = fitting_pitches(Quantity(1.2094, 0.0006, "mm"), None, at_wheel=True)
    assert [row.designation for row in fits.fitting] == ["21 teeth per inch (medium)"]
    assert fits.sentence == "Only 21 teeth per inch (medium) fits."


def test_growth_is_reckoned_with() -> None:
    """0.8 on the wheel reads 0.8164 at the crest of 20 mm (row crest-pn of the reference)."""
    fits = fitting_pitches(Quantity(0.8164, 0.002, "mm"), "RGE", Quantity(20.0, 0.05, "mm"))
    assert [row.designation for row in fits.fitting] == ["0.8 mm"]
    assert fits.fitting[0].wheel_pitch_mm == 0.8


def test_nothing_fits() -> None:
    fits = fitting_pitches(Quantity(0.70, 0.001, "mm"), "RAA", Quantity(30.0, 0.05, "mm"))
    assert not fits.fitting
    assert fits.sentence.startswith("No standard pitch fits; the nearest is")


def test_diametral_pitch_of_a_diamond_is_around() -> None:
    """ANSI/ASME B94.6: P in the transverse plane, so π/P cos 30° across the teeth."""
    row = next(r for r in fitting_pitches(Quantity(0.75, 0.01, "mm"), "RGE").rows if r.designation.endswith("96"))
    assert row.wheel_pitch_mm == pytest.approx(25.4 * math.pi / 96 * math.cos(math.radians(30)))


@given(
    st.sampled_from([s for s in STANDARD_PITCHES if s.pitch.system != "diametral pitch"]),
    st.sampled_from(["RAA", "RBL", "RGE", "RGV", "RKE"]),
    st.floats(min_value=12, max_value=60),
    st.floats(min_value=0.55, max_value=1.0),
)
def test_the_true_pitch_is_always_among_them(standard: object, form: str, crest: float, fill: float) -> None:
    """Rolled at any fill on any blank that tracks, and read with a fair uncertainty."""
    pitch = standard.pitch.mm  # type: ignore[attr-defined]
    helix = 30.0 if form in ("RBL", "RGE", "RGV") else 0.0
    blank = crest - growth_mm(form, pitch, fill)
    seen = at_other_diameter(pitch, helix, blank, crest)[0]
    teeth = round(math.pi * blank * math.cos(math.radians(helix)) / pitch)
    whole = seen * (math.pi * blank * math.cos(math.radians(helix)) / pitch) / teeth
    for figure in (seen, whole):
        fits = fitting_pitches(Quantity(figure, 0.003 * figure, "mm"), form, Quantity(crest, 0.02, "mm"))
        assert standard.name in [row.designation for row in fits.fitting]  # type: ignore[attr-defined]
