"""The rolling model: what geometry demands of it, and a maker's worked example."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from knurlsight.setup_math.growth import Groove, growth_mm
from knurlsight.setup_math.rolling import (
    ghost_of_profile,
    infeed_schedule_mm,
    predicted_ghost,
    roll,
    straight_penetration_mm,
    surface_patch,
)
from knurlsight.setup_math.tracking import blank_for_teeth_mm

# A knurl maker's data sheet: 47 teeth on 0.75 in, plunged into half an inch.
PITCH = math.pi * 0.75 * 25.4 / 47


@pytest.mark.parametrize(("blank_in", "teeth"), [(0.499, 31), (0.483, 30)])
def test_the_maker_s_blanks_track(blank_in: float, teeth: int) -> None:
    schedule = infeed_schedule_mm(0.05, straight_penetration_mm(PITCH, 0.9))
    rolled = roll(blank_in * 25.4, PITCH, 0.0, schedule, wheel_teeth=47)
    assert rolled.teeth == teeth
    assert rolled.ghost_ratio < 0.1
    assert rolled.tracks


def test_half_way_between_them_it_double_tracks() -> None:
    middle = (0.499 + 0.483) / 2 * 25.4
    assert predicted_ghost(middle, PITCH, 0.0, 0.05, 0.9) > 0.3


def test_a_timid_start_widens_the_double_track() -> None:
    """Common practice: timid engagement is the usual cause of double tracking."""

    def share_of_bad(bite: float) -> float:
        offs = np.arange(0.05, 1.0, 0.1)
        ghosts = [
            predicted_ghost(blank_for_teeth_mm(30, PITCH, bite) + o * PITCH / math.pi, PITCH, 0.0, bite, 0.9)
            for o in offs
        ]
        return float(np.mean(np.array(ghosts) > 0.15))

    assert share_of_bad(0.01) > share_of_bad(0.05) + 0.1
    assert share_of_bad(0.01) > share_of_bad(0.2) + 0.1


def test_metal_is_kept_and_the_growth_comes_out() -> None:
    """On a whole count the groove must be the one of the closed form: depth H, growth f H."""
    blank = blank_for_teeth_mm(31, PITCH, 0.05)
    rolled = roll(blank, PITCH, 0.0, infeed_schedule_mm(0.05, straight_penetration_mm(PITCH, 0.9)))
    groove = Groove(PITCH, 0.9)
    assert abs(float(rolled.height_mm.mean())) < 0.03 * groove.depth_mm
    crest = float(np.percentile(rolled.height_mm, 95))
    assert crest == pytest.approx(growth_mm("RAA", PITCH, 0.9) / 2, rel=0.25)
    assert -float(rolled.height_mm.min()) == pytest.approx(straight_penetration_mm(PITCH, 0.9), rel=0.02)


def grooves(teeth: int, ghost: float, offset: float, samples: int = 4000) -> np.ndarray:
    phase = np.arange(samples) / samples * teeth

    def v(at: float, depth: float) -> np.ndarray:
        away = np.abs((phase - at + 0.5) % 1.0 - 0.5)
        return -np.maximum(depth - away * 2.0, 0.0)

    return np.minimum(v(0.25, 0.5), v(0.25 + offset, 0.5 * ghost))


@pytest.mark.parametrize("ghost", [0.0, 0.4, 0.7, 1.0])
def test_ghost_is_read_off_a_drawn_profile(ghost: float) -> None:
    found, extent = ghost_of_profile(grooves(40, ghost, 0.5), 40.0)
    assert found == pytest.approx(ghost, abs=0.05)
    assert extent == (1.0 if ghost else 0.0)


def test_a_chipped_tooth_repeats_with_the_wheel() -> None:
    blank = blank_for_teeth_mm(30, PITCH, 0.05)
    schedule = infeed_schedule_mm(0.05, straight_penetration_mm(PITCH, 0.7))
    shares = [1.0] * 10
    shares[3] = 0.3
    rolled = roll(blank, PITCH, 0.0, schedule, wheel_teeth=10, tooth_depths=shares)
    roots = np.array([part.min() for part in np.array_split(np.roll(rolled.height_mm, 20), 30)])
    shallow = np.flatnonzero(roots > 0.6 * roots.min())
    assert len(shallow) == 3 and set(np.diff(shallow)) == {10}


def test_the_schedule_ends_at_full_depth() -> None:
    timid, firm = infeed_schedule_mm(0.01, 0.3), infeed_schedule_mm(0.3, 0.3)
    assert timid[0] == 0.01 and timid[-1] == firm[-1] == 0.3
    assert len(timid) > len(firm)
    assert all(b >= a for a, b in itertools.pairwise(timid))


def test_same_answer_every_time_and_input_untouched() -> None:
    schedule = infeed_schedule_mm(0.05, 0.3)
    one, two = (roll(12.5, PITCH, 0.0, schedule) for _ in range(2))
    assert np.array_equal(one.height_mm, two.height_mm)


@pytest.mark.parametrize("slant", [30.0, -30.0])
def test_right_hand_ridges_fall_to_the_right_when_the_axis_lies(slant: float) -> None:
    profile = grooves(20, 0.0, 0.5)
    patch = surface_patch([profile], [slant], False, 20.0, (6.0, 6.0), 0.05)
    shift = round(math.tan(math.radians(30.0)) * 20)  # rows for 20 columns
    down = patch[shift:, 20:] - patch[:-shift, :-20]
    up = patch[:-shift, 20:] - patch[shift:, :-20]
    along, across = (down, up) if slant > 0 else (up, down)
    assert np.abs(along).mean() < 0.2 * np.abs(across).mean()
