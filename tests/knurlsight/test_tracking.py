"""Whole counts of teeth. Published rows: test_reference_rows.py."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight.setup_math.tracking import (
    bite_of_wheel_allowance_mm,
    blank_for_teeth_mm,
    blank_step_mm,
    helix_for_teeth_deg,
    teeth_on_blank,
    teeth_per_diameter,
    tracking,
)

PITCH = st.floats(min_value=0.3, max_value=3.0)
BITE = st.floats(min_value=0.0, max_value=0.2)


@given(st.integers(min_value=5, max_value=500), PITCH, BITE)
def test_a_proposed_blank_has_its_whole_count(teeth: int, pitch: float, bite: float) -> None:
    found = tracking(blank_for_teeth_mm(teeth, pitch, bite), pitch, bite)
    assert found.teeth == teeth
    assert abs(found.mismatch) < 1e-9


@given(st.floats(min_value=3.0, max_value=100.0), PITCH, BITE)
def test_mismatch_is_half_a_tooth_at_most(blank: float, pitch: float, bite: float) -> None:
    found = tracking(blank, pitch, bite)
    assert abs(found.mismatch) <= 0.5 + 1e-9 or found.teeth == 1
    assert found.teeth_real == teeth_on_blank(blank, pitch, bite)


@given(PITCH)
def test_one_step_is_one_tooth(pitch: float) -> None:
    assert teeth_per_diameter(pitch) * blank_step_mm(pitch) == pytest.approx(1.0)


def test_a_maker_s_allowance_as_a_bite() -> None:
    """A knurl maker's data sheet: 31/47 × (0.750 + 0.007) = 0.499 in; the same from a bite on the blank."""
    bite = bite_of_wheel_allowance_mm(0.007, 31, 47)
    assert blank_for_teeth_mm(31, 3.141592653589793 * 0.75 / 47, bite) == pytest.approx(31 / 47 * 0.757)


def test_no_swivel_makes_more_teeth() -> None:
    assert helix_for_teeth_deg(161, 25.4, 25.4 / 160 * 3.141592653589793) is None
