"""One family read facet by facet, on photos whose geometry is known and whose outline is given."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from knurlsight.measuring.facets import Reading, mean_reading, read_facets
from knurlsight.measuring.flanks import Grooves
from knurlsight.measuring.sightlines import Sightlines, sightlines
from photoscale.photo import load_photo
from true_outline import true_outline

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def seen(stem: str) -> tuple[Sightlines, Grooves, dict[str, float]]:
    """The middle of a part in the camera that took it, the grooves that were rolled, and their truth."""
    truth = json.loads((FIXTURES / f"{stem}.json").read_text())
    family = truth["parts"][0]["families"][0]
    outline = true_outline(truth)
    radius = truth["parts"][0]["od_mm"] / 2
    along = 0.0 if family["axial_pitch_mm"] is None else family["s"] * radius / family["axial_pitch_mm"]
    grooves = Grooves(family["N"] / (2 * np.pi), along, 0.0, family["depth_fraction"])
    low, high = outline.zone_z
    inside = (low + 0.25 * (high - low), high - 0.25 * (high - low))
    grey = load_photo(FIXTURES / f"{stem}.jpg").grey
    return sightlines(grey, outline.camera, outline.cylinder, inside, 60.0, grooves.pitch, 14.0), grooves, family


@pytest.mark.parametrize("stem", ["straight_knob", "diagonal_right"])
@pytest.mark.parametrize("high", [0.01, 0.035])  # as far as spectral peaks read high
def test_the_count_is_right_from_wherever_the_search_starts(stem: str, high: float) -> None:
    sight, grooves, family = seen(stem)
    reading = read_facets(sight, replace(grooves, around=grooves.around * (1 + high), phase=0.4, fill=0.75))
    assert reading is not None
    teeth = 2 * np.pi * reading.grooves.around
    u = 2 * np.pi * float(np.sqrt(reading.covariance[0, 0]))
    assert teeth == pytest.approx(family["N"], abs=0.015 * family["N"])
    assert abs(teeth - family["N"]) < 2 * np.hypot(u, 0.007 * family["N"])
    assert reading.grooves.fill == pytest.approx(family["depth_fraction"], abs=0.25)


def test_the_mean_of_the_readings_counts_each_by_its_evidence() -> None:
    sure = Reading(Grooves(10.0, 0.0, 0.1, 0.7), 90.0, np.diag([0.01**2, 1e-4, 1e-4, 1.0]), 100.0)
    other = replace(sure, grooves=Grooves(10.5, 0.0, 0.6, 0.9))
    even = mean_reading([sure, other], [0.0, 0.0])  # as likely: in the middle, 0.25 from either
    assert even.grooves == Grooves(10.25, 0.0, 0.1, pytest.approx(0.8))
    assert np.sqrt(even.covariance[0, 0]) == pytest.approx(np.hypot(0.25, 0.01))
    assert even.covariance[0, 2] == pytest.approx(0.25 * 0.1)  # the deeper, the more
    far = mean_reading([sure, replace(other, evidence=0.0)], [0.0, 0.0])
    assert far.grooves.around == pytest.approx(10.0)
    assert far.covariance == pytest.approx(sure.covariance, abs=1e-8)
    believed = mean_reading([sure, other], [-3.0, 0.0])  # as clear to see, but not where the peak was
    assert believed.grooves.around == pytest.approx(10.5, abs=0.05)
    assert believed.grooves.phase == other.grooves.phase


def test_too_short_a_profile_is_not_read() -> None:
    sight, grooves, _ = seen("straight_knob")
    assert read_facets(sight.within(5.0), grooves) is None
