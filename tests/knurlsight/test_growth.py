"""Volume conservation: closed forms against the surface itself, and properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from knurlsight.setup_math.forms import FORMS
from knurlsight.setup_math.growth import (
    Groove,
    fill_for_growth,
    growth_mm,
    growth_of_grooves_mm,
    growth_on_cylinder_mm,
    penetration_mm,
    truncated_growth_mm,
)

FORM = st.sampled_from(sorted(FORMS))
PITCH = st.floats(min_value=0.2, max_value=3.0)
FILL = st.floats(min_value=0.01, max_value=1.0)
ANGLE = st.floats(min_value=60.0, max_value=120.0)


def mean_depth_of_surface(points: str, first: Groove, second: Groove, samples: int = 1500) -> float:
    """Mean depth below the crest of a height map drawn from the definition of the form; (samples, samples) points."""
    phase = (np.arange(samples) + 0.5) / samples

    def depth(groove: Groove) -> np.ndarray:
        from_root = np.abs(phase - 0.5) * groove.pitch_mm
        flank = math.tan(math.radians(groove.profile_angle_deg) / 2.0)
        return np.maximum(groove.depth_mm - from_root / flank, 0.0)

    a, b = depth(first)[:, None], depth(second)[None, :]
    if points == "ridges":
        return float(a.mean())
    return float((np.maximum(a, b) if points == "raised" else np.minimum(a, b)).mean())


@pytest.mark.parametrize("points", ["ridges", "raised", "recessed"])
@pytest.mark.parametrize(
    ("first", "second"),
    [
        (Groove(0.8), Groove(0.8)),
        (Groove(0.8, 0.7), Groove(0.8, 0.7)),
        (Groove(1.0, 0.9, 105.0), Groove(1.2, 0.6, 90.0)),
        (Groove(1.2, 0.5, 70.0), Groove(0.9, 1.0, 80.0)),
    ],
)
def test_growth_agrees_with_the_surface(points: str, first: Groove, second: Groove) -> None:
    numeric = 2.0 * mean_depth_of_surface(points, first, second)
    assert growth_of_grooves_mm(points, (first, second)) == pytest.approx(numeric, rel=2e-4)  # type: ignore[arg-type]


@given(FORM, PITCH, FILL, ANGLE)
def test_closed_form_is_the_general_one_for_families_alike(form: str, pitch: float, fill: float, angle: float) -> None:
    groove = Groove(pitch, fill, angle)
    general = growth_of_grooves_mm(FORMS[form].points, (groove, groove))
    assert growth_mm(form, pitch, fill, angle) == pytest.approx(general, rel=1e-9)


@given(FORM, PITCH, FILL, FILL, ANGLE)
def test_growth_rises_with_fill(form: str, pitch: float, one: float, two: float, angle: float) -> None:
    low, high = sorted((one, two))
    assert growth_mm(form, pitch, low, angle) <= growth_mm(form, pitch, high, angle)


@given(FORM, PITCH, FILL)
def test_fill_from_growth_is_the_inverse(form: str, pitch: float, fill: float) -> None:
    assert fill_for_growth(form, pitch, growth_mm(form, pitch, fill)) == pytest.approx(fill, abs=1e-6)


def test_no_fill_explains_too_much_growth() -> None:
    assert fill_for_growth("RAA", 1.0, 0.6) is None
    assert fill_for_growth("RAA", 1.0, -0.1) is None


@given(FORM, PITCH, FILL, st.floats(min_value=5.0, max_value=80.0))
def test_the_cylinder_changes_little(form: str, pitch: float, fill: float, diameter: float) -> None:
    groove = Groove(pitch, fill)
    flat = growth_of_grooves_mm(FORMS[form].points, (groove, groove))
    curved = growth_on_cylinder_mm(FORMS[form].points, (groove, groove), max(diameter, 8 * pitch))
    assert abs(curved - flat) <= 1.2 * groove.depth_mm**2 / max(diameter, 8 * pitch)
    assert curved <= flat + 1e-12


@given(PITCH, FILL, ANGLE)
def test_raised_and_recessed_points_share_the_metal(pitch: float, fill: float, angle: float) -> None:
    """Deeper and shallower of two grooves add up to both: growth(raised) + growth(recessed) = 2 growth(ridges)."""
    total = growth_mm("RGE", pitch, fill, angle) + growth_mm("RGV", pitch, fill, angle)
    assert total == pytest.approx(2.0 * growth_mm("RAA", pitch, fill, angle), rel=1e-9)


@pytest.mark.parametrize(("form", "share"), [("RAA", 1 / 4), ("RGE", 1 / 6), ("RGV", 1 / 3)])
def test_penetration_at_full_form(form: str, share: float) -> None:
    """Depth less half the growth: t/4, t/6, t/3 (derived)."""
    assert penetration_mm(form, 0.8) == pytest.approx(0.8 * share)


def test_crests_turned_off_take_twice_as_much_off_the_diameter() -> None:
    assert truncated_growth_mm("RAA", 0.8, 1.0, 0.4 / 3) == pytest.approx(0.4 - 0.8 / 3)
