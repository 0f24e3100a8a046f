"""The height function and the rays of the photo synthesiser against plain FFTs, plane geometry and slow versions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from knurl_height import (
    ChippedTooth,
    Dent,
    Dislocation,
    DoubleTrack,
    FamilyShape,
    Knurl,
    Lips,
    Seam,
    Torn,
    crest_loss_mm,
    depth_below_crest,
)
from ray_hits import NO_HIT, DepthMap, hit_face, hit_knurl, part_rays
from scipy import ndimage

OD = 20.0
BOTH = (FamilyShape("right", 54, 30), FamilyShape("left", 54, 30))


def knurl(form="RGE", families=BOTH, **more):
    return Knurl(form, OD, 8.0, 32.0, families, 18.0, **more)


def whole_turn(pattern, rows=1024, z=None):
    """The whole circumference, unrolled, without the run-in; rows close on themselves."""
    theta = np.arange(rows) * 2 * math.pi / rows
    z = np.arange(512) * 20.0 / 512 + 10.0 if z is None else z
    return depth_below_crest(pattern, theta, z)


def strongest(depth):
    """(cycles a turn, cycles per mm along) of the strongest line pattern, by a plain FFT with cycles a turn >= 0."""
    flat = depth - depth.mean()
    power = np.abs(np.fft.fft2(flat * np.hanning(flat.shape[1]))) ** 2
    row, column = np.unravel_index(np.argmax(power[: len(power) // 2]), (len(power) // 2, power.shape[1]))
    return int(row), float(np.fft.fftfreq(flat.shape[1], 20.0 / 512)[column])


@pytest.mark.parametrize("hand", ["left", "right"])
@pytest.mark.parametrize(("teeth", "helix"), [(54, 30.0), (41, 45.0), (70, 15.0)])
def test_a_plain_fft_finds_the_teeth_and_the_axial_pitch(hand, teeth, helix):
    family = FamilyShape(hand, teeth, helix)
    form = "RBR" if hand == "right" else "RBL"
    found_teeth, along = strongest(whole_turn(knurl(form, (family,))))
    assert found_teeth == teeth
    # tan ψ = p_t / p_a, p_t = π OD / N
    pitch = math.pi * OD / teeth / math.tan(math.radians(helix))
    assert abs(along) == pytest.approx(1 / pitch, abs=0.5 / 20.0)
    # phase N θ / 2π + s z / p_a, s = -1 right-hand
    assert np.sign(along) == (-1 if hand == "right" else 1)


def test_mirroring_the_surface_swaps_the_hands():
    right, left = (knurl(f, (FamilyShape(h, 54, 30),)) for f, h in (("RBR", "right"), ("RBL", "left")))
    z = 18.0 + np.linspace(-8, 8, 401)
    theta = np.linspace(-1, 1, 301)
    np.testing.assert_allclose(
        depth_below_crest(right, theta, z)[:, ::-1], depth_below_crest(left, theta, z), atol=2e-5
    )


@pytest.mark.parametrize("fill", [0.4, 0.7, 0.95])
@pytest.mark.parametrize("angle", [80.0, 90.0, 100.0])
def test_land_depth_and_flank_follow_fill_and_angle(fill, angle):
    sharp = knurl("RAA", (FamilyShape("axial", 60, fill=fill, profile_angle_deg=angle),), edge_radius_mm=1e-4)
    depth = whole_turn(sharp, rows=60_000, z=np.array([20.0]))[:, 0]
    pitch = math.pi * OD / 60
    assert depth.max() == pytest.approx(fill * pitch / (2 * math.tan(math.radians(angle / 2))), abs=1.5e-3)
    assert np.mean(depth < 1e-4) == pytest.approx(1 - fill, abs=4e-3)
    slope = np.abs(np.diff(depth)) / (math.pi * OD / 60_000)
    assert np.median(slope[slope > 0.1]) == pytest.approx(1 / math.tan(math.radians(angle / 2)), rel=1e-2)


def test_rounded_edges_take_what_is_said_off_a_sharp_crest():
    full = knurl("RAA", (FamilyShape("axial", 60, fill=1.0),))
    crest = whole_turn(full, rows=60_000, z=np.array([20.0])).min()
    assert 0.005 < crest < 0.016


def test_raised_diamond_is_the_lower_and_recessed_the_higher_of_its_families():
    one, two = (whole_turn(knurl("RBR", (f,))) for f in BOTH)
    np.testing.assert_allclose(whole_turn(knurl("RGE")), np.maximum(one, two), atol=0.005)
    ridges = [whole_turn(knurl("RGV", (f,))) for f in BOTH]
    np.testing.assert_allclose(whole_turn(knurl("RGV")), np.minimum(*ridges), atol=0.005)


def test_whole_phase_is_a_groove_or_for_recessed_forms_a_ridge():
    at_line = np.array([0.0])
    z = np.array([18.0])
    assert depth_below_crest(knurl("RGE"), at_line, z)[0, 0] > 0.9 * BOTH[0].depth_mm(OD)
    assert depth_below_crest(knurl("RGV"), at_line, z)[0, 0] == pytest.approx(0, abs=1e-3)


def test_second_track_lies_at_its_offset_with_its_depth():
    track = DoubleTrack(0.45, 0.6)
    pattern = knurl("RAA", (FamilyShape("axial", 60, fill=0.9, double_track=track),))
    theta = np.arange(0, 2 * math.pi, 2 * math.pi / 60_000)
    groove = depth_below_crest(pattern, theta, np.array([20.0]))[:, 0].reshape(60, 1000).mean(axis=0)
    full = pattern.families[0].depth_mm(OD)
    # rounding of the root takes 0.015 mm
    assert groove[0] == pytest.approx(full, abs=0.016)
    assert groove[450] == pytest.approx(0.6 * full, abs=0.016)
    assert groove[450] > groove[350] and groove[450] > groove[550]
    assert crest_loss_mm(pattern, 0.0) > 0.02
    assert crest_loss_mm(knurl(), 0.0) < 0.002


def test_second_track_keeps_to_its_length_and_arc():
    track = DoubleTrack(0.5, 0.7, (8.0, 18.0), (0.0, 90.0))
    with_track = knurl("RAA", (FamilyShape("axial", 60, double_track=track),))
    without = knurl("RAA", (FamilyShape("axial", 60),))
    z, theta = np.linspace(10, 30, 41), np.linspace(-2, 3.5, 900)
    changed = np.abs(depth_below_crest(with_track, theta, z) - depth_below_crest(without, theta, z)) > 0.05
    assert not changed[:, z > 18].any()
    assert not changed[(theta < 0) | (theta > math.pi / 2)].any()
    assert changed[:, z < 17].any()


def test_run_in_grows_from_nothing():
    pattern = knurl("RAA", (FamilyShape("axial", 60),), run_in_mm=(4.0, 0.3))
    deepest = depth_below_crest(pattern, np.linspace(0, 0.4, 800), np.array([8.0, 10.0, 12.0, 20.0])).max(axis=0)
    assert deepest[0] == 0
    assert deepest[1] == pytest.approx(deepest[3] / 2, rel=0.05)
    assert deepest[2] == pytest.approx(deepest[3], rel=0.01)


def test_seam_is_the_only_place_where_the_pattern_does_not_close():
    pattern = knurl("RAA", (FamilyShape("axial", 60.45),), seam=Seam(2.0, 0.5, 0.9))
    theta = np.linspace(2.6, 2.0 + 2 * math.pi - 0.01, 4000)
    wave = depth_below_crest(pattern, theta, np.array([20.0]))[:, 0]
    lows = np.flatnonzero((wave[1:-1] > wave[:-2]) & (wave[1:-1] >= wave[2:]) & (wave[1:-1] > 0.3))
    # evenly spaced over the rest of the turn
    np.testing.assert_allclose(np.diff(theta[lows]), 2 * math.pi / 60.45, atol=0.004)
    over = depth_below_crest(pattern, np.linspace(2.01, 2.49, 4000), np.array([20.0]))[:, 0]
    assert over.mean() > 1.3 * wave.mean()


def test_drift_changes_the_local_axial_pitch_as_told():
    pattern = knurl("RBL", (FamilyShape("left", 54, 30),), drift_coefficient=0.03)
    z = np.array([10.0, 18.0, 30.0])
    h = 1e-4
    rate = (pattern.twist_mm(z + h) - pattern.twist_mm(z - h)) / (2 * h)
    np.testing.assert_allclose(rate, 1 - 2 * 0.03 * (z - 18.0) / 24.0, rtol=1e-6)


def test_chipped_tooth_marks_every_so_many_grooves():
    pattern = knurl("RAA", (FamilyShape("axial", 60),), chipped_tooth=ChippedTooth(0, 12, 5, 19.0, 21.0, 0.2))
    at = 2 * math.pi * np.arange(60) / 60
    depth = depth_below_crest(pattern, at, np.array([20.0, 25.0]))
    shallow = np.flatnonzero(depth[:, 0] < 0.5 * depth[:, 1])
    assert shallow.tolist() == [5, 17, 29, 41, 53]


def test_a_dislocation_adds_one_line():
    pattern = knurl("RAA", (FamilyShape("axial", 60),), dislocation=Dislocation(0, 20.0, 0.0))

    def count(z):
        wave = depth_below_crest(pattern, np.linspace(-0.6, 0.6, 3000), np.array([z]))[:, 0]
        return int(np.sum((wave[1:-1] > wave[:-2]) & (wave[1:-1] >= wave[2:]) & (wave[1:-1] > 0.2)))

    assert abs(count(30.0) - count(10.0)) == 1


def test_damage_stays_where_it_is_put():
    clean = knurl()
    hurt = knurl(torn=(Torn(15.0, 0.5, 2.0, 2.0),), dents=(Dent(25.0, -0.5, 1.0, 0.3),))
    theta, z = np.linspace(-1, 1.2, 500), np.linspace(9, 31, 500)
    changed = np.abs(depth_below_crest(hurt, theta, z) - depth_below_crest(clean, theta, z)) > 0.02
    torn = np.hypot((theta[:, None] - 0.5) * 10 / 2, (z - 15.0) / 2)
    dent = np.hypot((theta[:, None] + 0.5) * 10, z - 25.0)
    assert changed[torn < 0.6].mean() > 0.6
    assert changed[dent < 0.5].any()
    assert not changed[(torn > 1.8) & (dent > 1.05)].any()


def test_lips_are_the_crest_and_the_land_between_lies_lower():
    family = FamilyShape("axial", 40, fill=0.6)
    pattern = knurl("RAA", (family,), lips=Lips(0.2, 0.1))
    depth = depth_below_crest(pattern, np.linspace(0, 2 * math.pi / 40, 2001), np.array([20.0]))[:, 0]
    assert depth[1000] == pytest.approx(0.2 * family.depth_mm(OD), rel=0.02)
    assert depth.min() < 0.01


@pytest.mark.parametrize("form", ["RGE", "RGV"])
def test_lips_run_all_round_the_lands_of_a_diamond(form):
    families = tuple(FamilyShape(hand, 60, 30.0, fill=0.6) for hand in ("right", "left"))
    lips = Lips(0.2, 0.1)
    pattern, bare = (knurl(form, families, lips=made) for made in (lips, None))
    theta, z = np.linspace(-0.3, 0.3, 900), np.linspace(18, 22, 600)
    land = depth_below_crest(bare, theta, z) < 1e-6
    below = np.where(land, depth_below_crest(pattern, theta, z), np.nan)
    # distance to the land's edge in normal pitches, each axis as finely drawn as it is
    mm = (theta[1] - theta[0]) * OD / 2, z[1] - z[0]
    inside = ndimage.distance_transform_edt(land, sampling=mm) / families[0].normal_mm(OD)
    depth = families[0].depth_mm(OD)
    whole = slice(80, -80), slice(60, -60)
    below, inside = below[whole], inside[whole]
    assert np.nanmax(below[inside < 0.02]) < 0.05 * depth
    assert np.nanmin(below[inside > 0.19]) == pytest.approx(0.2 * depth, rel=0.05)


def test_detail_is_fixed_to_the_part():
    pattern = knurl(torn=(Torn(15.0, 0.5, 3.0, 3.0),), detail_seed=5)
    z = np.linspace(12, 18, 60)
    wide, narrow = (depth_below_crest(pattern, t, z) for t in (np.linspace(0, 1, 101), np.linspace(0.4, 0.6, 21)))
    np.testing.assert_allclose(wide[40:61], narrow, atol=1e-4)


def test_rays_meet_the_surface_where_a_slow_march_does():
    pattern = knurl()
    theta = np.linspace(-1.9, 1.9, 3000)
    z = np.linspace(8, 32, 1600)
    surface = DepthMap(
        depth_below_crest(pattern, theta, z),
        OD / 2,
        pattern.deepest_mm,
        theta[0],
        theta[1] - theta[0],
        z[0],
        z[1] - z[0],
    )
    rng = np.random.default_rng(3)
    camera = np.array([180.0, 12.0, 5.0])
    target = np.column_stack([np.zeros(400), rng.uniform(-10.2, 10.2, 400), rng.uniform(10, 30, 400)])
    directions = target - camera
    rays = part_rays(camera, directions)
    s = hit_knurl(rays, surface, 8.0, 32.0, 0.12)
    met = np.isfinite(s)
    got = np.column_stack([rays.theta(s)[met], rays.z(s)[met]])
    unit = directions / np.linalg.norm(directions, axis=1)[:, None]
    t = np.linspace(160.0, 190.0, 60_001)
    agree, hits = [], []
    for i in range(400):
        p = camera + t[:, None] * unit[i]
        r, angle = np.hypot(p[:, 0], p[:, 1]), np.arctan2(p[:, 1], p[:, 0])
        near = (r < OD / 2 + 1e-3) & (p[:, 2] > 8) & (p[:, 2] < 32)
        k = np.flatnonzero(near)
        row, column = surface.place(angle[k], p[k, 2])
        r0, c0 = row.astype(int), column.astype(int)
        ok = (r0 >= 0) & (r0 < 2998) & (c0 >= 0) & (c0 < 1598)
        k, r0, c0, fr, fc = k[ok], r0[ok], c0[ok], (row - r0)[ok], (column - c0)[ok]
        d = surface.depth
        metal = (d[r0, c0] * (1 - fr) + d[r0 + 1, c0] * fr) * (1 - fc) + (
            d[r0, c0 + 1] * (1 - fr) + d[r0 + 1, c0 + 1] * fr
        ) * fc
        first = np.flatnonzero(OD / 2 - r[k] >= metal)
        hits.append(first.size > 0)
        if first.size and met[i]:
            at = p[k[first[0]]]
            agree.append((math.atan2(at[1], at[0]), at[2]))
        elif met[i]:
            agree.append((math.nan, math.nan))
    # a ray that grazes a crest may go either way
    assert np.mean(np.array(hits) == met) > 0.985
    turn = (got[:, 0] - np.array(agree)[:, 0] + math.pi) % (2 * math.pi) - math.pi
    miss = np.hypot(turn * OD / 2, got[:, 1] - np.array(agree)[:, 1])
    assert np.nanmedian(miss) < 0.003
    assert np.nanpercentile(miss, 95) < 0.03


def test_a_face_is_met_between_its_radii_only():
    rays = part_rays(
        np.array([100.0, 0.0, 100.0]), np.array([[-97.0, 0, -100.0], [-91.0, 0, -100.0], [-80.0, 0, -100.0]])
    )
    s = hit_face(rays, 0.0, 5.0, 10.0)
    assert s[1] == pytest.approx(-9.0, abs=1e-4)  # on the camera's side of the axis
    assert s[0] == NO_HIT
    assert s[2] == NO_HIT
