"""Lines that end, bands, wheel marks and run-ins on patches drawn without a camera: one surface with each, ten without.

The patch is a cylinder of radius 1 seen from far away. Facets are lit at random, changing slowly round the part; where
lines, bands and ends lie is plane geometry.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from knurlsight.faults.bands import chatter_of, rings_of
from knurlsight.faults.damage import damage_of
from knurlsight.faults.dislocation import dislocation_of
from knurlsight.faults.maps import local_maps
from knurlsight.faults.wheel import lines_apart, wheels_of
from knurlsight.measuring.ends import ends_of
from knurlsight.measuring.flank_fit import Fit, cells_for
from knurlsight.measuring.flanks import Grooves, Knurl, kinds
from knurlsight.measuring.sightlines import Sightlines, evened

AROUND, ALONG = 10.0, 5.8  # turns per rad and per radius: 63 lines at 30 degrees
RIGHT = Knurl("single", (Grooves(AROUND, -ALONG, 0.2, 0.8),))
DIAMOND = Knurl("raised", (Grooves(AROUND, -ALONG, 0.2, 0.8), Grooves(AROUND, ALONG, 0.4, 0.8)))
STEP = 0.0075  # radii per sample: 11.5 samples to a pitch
STEADY_LIGHT = 14.0
LENGTH = 1.9  # radii
GOOD = range(10)


def seen(length: float = LENGTH) -> Sightlines:
    """The geometry of a patch, dark: rows evenly spaced across the part, columns along it."""
    across = np.arange(-math.sin(1.05), math.sin(1.05), STEP)
    along = np.arange(-length / 2, length / 2, STEP)
    theta, z = np.meshgrid(np.arcsin(across), along, indexing="ij")
    nothing = np.zeros_like(theta)
    arrays = {
        "theta": theta,
        "z": z,
        "theta_1": np.tan(theta),
        "theta_v": np.gradient(theta, axis=0),
        "z_u": nothing + STEP,
        "weight": nothing + 1,
        **dict.fromkeys(("brightness", "root_brightness", "theta_2", "z_1", "z_2", "theta_u", "z_v"), nothing),
    }
    return Sightlines(middle_z=0.0, step_px=1.0, **{k: np.asarray(v, np.float32) for k, v in arrays.items()})


def lit(sight: Sightlines, knurl: Knurl, seed: int, add=0.0, shares=None) -> Sightlines:
    """The patch with facets lit at random and noise of a third of the contrast; `add` comes on top."""
    rng = np.random.default_rng(seed)
    shares = kinds(replace(knurl, shaded=False), sight) if shares is None else shares
    slow = np.stack([np.cos(k * sight.theta) for k in range(3)])
    light = rng.normal(0, (1.0, 0.4, 0.2), (len(shares), 3))
    bright = 3 + np.einsum("krc,kj,jrc->rc", shares, light, slow) + add
    contrast = float(bright.std())
    bright = np.asarray(bright + 0.3 * contrast * rng.standard_normal(bright.shape), np.float32)
    period = knurl.families[0].pitch / STEP
    return replace(sight, brightness=evened(bright, sight.weight, period), root_brightness=bright)


def fitted(knurl: Knurl, sight: Sightlines) -> Fit:
    cells = cells_for(sight, knurl.families[0].pitch)
    return Fit(knurl, 0.1, 0.1, (), np.zeros((0, 0)), cells)


def moved(sight: Sightlines, turns: np.ndarray) -> Sightlines:
    """The geometry with every line further on by so many turns (rows, columns)."""
    return replace(sight, theta=np.asarray(sight.theta + turns / AROUND, np.float32))


# ---------------------------------------------------------------- lines that end


def test_a_line_that_ends_is_found_where_it_ends():
    flat = seen()
    turns = np.arctan2(flat.theta - 0.2, flat.z - 0.3) / (2 * math.pi)
    sight = replace(lit(moved(flat, turns), RIGHT, 1), theta=flat.theta)
    found = dislocation_of(fitted(RIGHT, sight), sight, STEADY_LIGHT)
    assert found is not None and found.family == 0
    assert math.hypot(found.theta - 0.2, found.z - 0.3) < 1.5 * RIGHT.families[0].pitch


@pytest.mark.parametrize("knurl", [RIGHT, DIAMOND])
def test_no_line_ends_where_all_go_on(knurl):
    for seed in GOOD:
        sight = lit(seen(), knurl, seed)
        assert dislocation_of(fitted(knurl, sight), sight, STEADY_LIGHT) is None, seed


# ---------------------------------------------------------------- bands


def test_rings_are_found_at_their_distance():
    spacing = 0.064  # two thirds of the pitch of 0.0865
    sight = lit(seen(), RIGHT, 2, add=0.2 * np.cos(2 * math.pi * seen().z / spacing))
    found = rings_of(fitted(RIGHT, sight), sight, STEADY_LIGHT)
    assert found is not None and found.along
    assert found.spacing.value == pytest.approx(spacing, abs=2 * found.spacing.u)
    assert found.spacing.u < 0.02 * spacing


def test_waves_round_the_part_are_counted():
    sight = lit(seen(), RIGHT, 3, add=0.3 * np.cos(40 * seen().theta))
    found = chatter_of(fitted(RIGHT, sight), sight)
    assert found is not None and not found.along
    assert found.spacing.value == pytest.approx(2 * math.pi / 40, abs=2 * found.spacing.u)


@pytest.mark.parametrize("knurl", [RIGHT, DIAMOND])
def test_a_pattern_alone_has_no_bands(knurl):
    for seed in GOOD:
        sight = lit(seen(), knurl, seed)
        fit = fitted(knurl, sight)
        assert rings_of(fit, sight, STEADY_LIGHT) is None, seed
        assert chatter_of(fit, sight) is None, seed


# ---------------------------------------------------------------- wheel marks


def chipped(sight: Sightlines, every: int, seed: int) -> Sightlines:
    """Every so many-th groove is a fifth as deep over a sixth of the length."""
    g = RIGHT.families[0]
    turns = g.around * sight.theta + g.along * sight.z - g.phase
    hit = (np.round(turns) % every == 0) & (np.abs(sight.z) < LENGTH / 12)
    shallow = replace(RIGHT, families=(replace(g, fill=0.2 * g.fill),), shaded=False)
    shares = np.where(hit, kinds(shallow, sight), kinds(replace(RIGHT, shaded=False), sight))
    return lit(sight, RIGHT, seed, shares=shares)


def test_a_tooth_that_leaves_its_mark_again_and_again_tells_how_many_lines_on():
    told = []
    for seed in GOOD:
        sight = chipped(seen(), 7, seed)
        patches = damage_of(local_maps(fitted(RIGHT, sight), sight, 5.0), RIGHT).patches
        told.append(lines_apart([p.turns for p in patches if p.family == 0]))
    # in some light one of them is overlooked
    assert told.count(7) >= 8 and set(told) <= {7, 14, None}


def test_a_clean_pattern_has_no_marks():
    for seed in GOOD:
        sight = lit(seen(), RIGHT, seed)
        assert damage_of(local_maps(fitted(RIGHT, sight), sight, 5.0), RIGHT).patches == (), seed


def test_marks_of_no_steady_distance_tell_nothing():
    assert lines_apart([0.0]) is None
    assert lines_apart([0.1, 7.0, 9.9]) is None
    assert lines_apart([14.1, 0.1, 6.9]) == 7
    assert lines_apart([0.0, 10.4]) is None  # ten or eleven


def test_wheels_are_those_that_come_round_to_the_marks():
    # 27 lines on of 108, p_t = 1.1636: 27 teeth, 10 mm; three quarters of a turn, 81 teeth, 30 mm
    assert [teeth for teeth, _ in wheels_of(27, 108, 1.1636)] == [27, 81]
    assert wheels_of(27, 108, 1.1636)[0][1] == pytest.approx(27 * 1.1636 / math.pi)


# ---------------------------------------------------------------- run-in


def with_run_in(run: float, seed: int) -> tuple[Sightlines, Sightlines]:
    """The patch that is fitted, and the longer one: bare metal, then a depth that grows over `run` (radii) at end 1."""
    longer = seen(LENGTH + 0.8)
    depth = np.clip((longer.z[0] + LENGTH / 2) / max(run, 1e-6), 0, 1) * (longer.z[0] < LENGTH / 2)
    levels = np.linspace(0, 1, 21)
    drawn = []
    for level in levels:
        families = tuple(replace(g, fill=max(0.01, g.fill * float(level))) for g in DIAMOND.families)
        drawn.append(kinds(replace(DIAMOND, families=families, shaded=False), longer))
    drawn[0][:] = np.arange(len(drawn[0]))[:, None, None] == 0  # bare metal is all land
    shares = np.stack(drawn)[np.round(20 * depth).astype(int), :, :, np.arange(longer.z.shape[1])]
    longer = lit(longer, DIAMOND, seed, shares=shares.transpose(1, 2, 0))
    inner = np.flatnonzero(np.abs(longer.z[0] - run / 2) < (LENGTH - run) / 2 - 0.05)
    fit = longer.cut(slice(None), slice(inner[0], inner[-1] + 1))
    return fit.about(float(fit.z.mean())), longer


def test_a_run_in_is_as_long_as_it_was_drawn():
    run = 0.4
    inner, longer = with_run_in(run, 5)
    fit = fitted(centred(DIAMOND, inner), inner)
    ends = ends_of(fit, inner, longer)
    assert ends.run_in[0] == pytest.approx(run, abs=3 * ends.u_end[0])
    assert ends.u_end[0] < 0.25 * run
    assert ends.run_in[1] == 0


def test_sharp_ends_have_no_run_in():
    for seed in GOOD:
        inner, longer = with_run_in(0.0, seed)
        ends = ends_of(fitted(centred(DIAMOND, inner), inner), inner, longer)
        assert ends.run_in == (0, 0), seed
        assert ends.span_z[0] == pytest.approx(-LENGTH / 2, abs=2 * ends.u_end[0])


def centred(knurl: Knurl, sight: Sightlines) -> Knurl:
    """The same lines with heights counted from the middle of a patch."""
    return replace(knurl, families=tuple(replace(g, phase=g.phase - g.along * sight.middle_z) for g in knurl.families))
