"""Faults: the maps and what is read from them, faults of figures, and photos with and without each kind.

The truth of the maps is plane geometry; that of the photos is the surface that the synthesiser drew.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import made_patterns as made
import numpy as np
import pytest
from knurlsight.faults.causes import table
from knurlsight.faults.damage import damage_of
from knurlsight.faults.drift import drift_of
from knurlsight.faults.figure_faults import with_figure_faults
from knurlsight.measuring.flanks import Grooves, Knurl
from knurlsight.model import DoubleTrack, Fault, LocalMaps, MeanGroove
from knurlsight.reporting import annotate, pictures
from knurlsight.reporting.drawing import to_svg
from knurlsight.reporting.groove_picture import groove_drawing
from knurlsight.reporting.map_pictures import local_lines, map_drawing
from knurlsight.verdict import Check
from photoscale.quantity import Quantity

AROUND, ALONG = 9.0, 5.2  # turns per rad and per radius: 30 degrees
RIGHT_LEFT = Knurl("raised", (Grooves(AROUND, -ALONG, 0.1, 0.8), Grooves(AROUND, ALONG, 0.3, 0.8)))
PITCH = RIGHT_LEFT.families[0].pitch


def maps(**changes) -> LocalMaps:
    """A clean patch, ±57 degrees by two radii, three cells to a pitch."""
    theta, z = np.arange(-1.0, 1.0, PITCH / 3), np.arange(1.0, 3.0, PITCH / 3)
    shape = len(theta), len(z)
    flat = LocalMaps(
        theta=theta,
        z=z,
        shifts=(np.zeros(shape), np.zeros(shape)),
        lines=((AROUND, -ALONG), (AROUND, ALONG)),
        gain=np.ones(shape),
        residual=np.full(shape, 0.15),
        rough=np.full(shape, 0.15),
        contrast=np.ones(shape),
        weight=np.ones(shape),
        pitch=PITCH,
    )
    return replace(flat, **changes)


def noisy(value: float, seed: int, spread: float = 0.01) -> np.ndarray:
    return value + spread * np.random.default_rng(seed).standard_normal(maps().gain.shape)


# ---------------------------------------------------------------- drift


@pytest.mark.parametrize("change", [-0.06, -0.01, 0.03, 0.08])
def test_drift_is_the_change_of_the_axial_pitch_over_the_zone(change):
    clean = maps()
    length, middle = float(np.ptp(clean.z)), float(clean.z.mean())
    away = clean.z - middle
    # 1 / along grows evenly by `change` over the length: the phase is along (z - change z² / 2 length)
    bent = [line[1] * change * away**2 / (2 * length) for line in clean.lines]
    seen = maps(shifts=tuple(b + noisy(0, k, 0.004) for k, b in enumerate(bent)))
    drift = drift_of(seen, RIGHT_LEFT, length)
    assert drift.signed.value == pytest.approx(change, abs=2 * drift.signed.u + 0.02 * abs(change))
    assert drift.signed.u < 0.006


def test_light_that_moves_all_lines_of_a_strip_is_no_drift():
    tilt = 0.08 * np.sin(3 * maps().theta)[:, None] + 0.02 * maps().z[None]
    drift = drift_of(maps(shifts=(tilt, -tilt)), RIGHT_LEFT, 2.0)
    assert abs(drift.signed.value) < 0.002


def test_straight_lines_have_no_drift():
    straight = Knurl("single", (Grooves(AROUND, 0.0, 0.0, 0.8),))
    assert drift_of(maps(), straight, 2.0) is None


# ---------------------------------------------------------------- damage


def test_a_clean_surface_has_no_damage_and_says_how_little_it_would_see():
    damage = damage_of(maps(residual=noisy(0.15, 1), rough=noisy(0.15, 2, 0.05)), RIGHT_LEFT)
    assert not damage.patches
    assert damage.share.value == 0
    assert 0 < damage.share.u < 0.01


def ellipse(theta: float, z: float, high: float, long: float) -> np.ndarray:
    clean = maps()
    return ((clean.theta[:, None] - theta) / high) ** 2 + ((clean.z[None] - z) / long) ** 2 < 1


def test_torn_metal_is_found_where_it_is_and_as_large():
    torn = ellipse(0.2, 2.1, 0.25, 0.3)
    damage = damage_of(maps(residual=noisy(0.15, 3) + 0.35 * torn), RIGHT_LEFT)
    (patch,) = damage.patches
    area = math.pi * 0.25 * 0.3
    assert patch.area == pytest.approx(area, rel=0.15)
    assert patch.outline.mean(axis=0) == pytest.approx([0.2, 2.1], abs=0.06)
    assert abs(damage.share.value - area / damage.looked_at) < 2 * damage.share.u
    assert patch.lost.value == pytest.approx(0.35 / 0.85, abs=0.05)


def test_a_groove_that_is_missing_for_a_length_is_the_mark_of_a_wheel():
    clean = maps()
    theta, z = clean.theta[:, None], clean.z[None]
    # along the groove of the right-hand family through (0.1, 2.0)
    across = (AROUND * (theta - 0.1) - ALONG * (z - 2.0)) / np.hypot(AROUND, ALONG)
    along = (ALONG * (theta - 0.1) + AROUND * (z - 2.0)) / np.hypot(AROUND, ALONG)
    line = (np.abs(across) < 0.4 * PITCH) & (np.abs(along) < 1.8 * PITCH)
    damage = damage_of(maps(rough=noisy(0.15, 4, 0.03) + 0.7 * line), RIGHT_LEFT)
    assert [p.family for p in damage.patches] == [0]
    assert damage.share.value == 0


def test_light_at_the_border_is_no_damage():
    edge = maps().z[None] < maps().z[0] + 2.2 * PITCH
    askew = np.abs(maps().theta[:, None] - 0.05 * maps().z[None]) < 0.6 * PITCH
    damage = damage_of(maps(residual=noisy(0.15, 5) + 0.3 * (edge | (askew & (maps().z[None] > 1.9)))), RIGHT_LEFT)
    assert not damage.patches


def test_a_place_that_is_faintly_lit_is_in_doubt_and_no_damage():
    faint = ellipse(0.2, 2.1, 0.25, 0.3)
    residual = noisy(0.15, 3) + 0.35 * faint
    damage = damage_of(maps(residual=residual, contrast=np.where(faint, 0.4, 1.0)), RIGHT_LEFT)
    assert not damage.patches and damage.share.value == 0
    assert damage.share.u == pytest.approx(math.pi * 0.25 * 0.3 / damage.looked_at, rel=0.2)
    # as faint, but with far more that is not explained than round about it
    strong = damage_of(maps(residual=residual + 0.4 * faint, contrast=np.where(faint, 0.6, 1.0)), RIGHT_LEFT)
    assert len(strong.patches) == 1


def test_where_the_model_explains_little_a_patch_must_show_more_in_the_photo_itself():
    torn = ellipse(0.2, 2.1, 0.25, 0.3)
    residual = noisy(0.4, 3) + 0.3 * torn
    assert len(damage_of(maps(residual=residual), RIGHT_LEFT).patches) == 1
    assert not damage_of(maps(residual=residual, contrast=np.where(torn, 0.75, 1.0)), RIGHT_LEFT).patches


def test_nothing_is_said_where_the_pattern_is_hardly_seen():
    damage = damage_of(maps(residual=noisy(0.7, 6)), RIGHT_LEFT)
    assert damage.share is None and not damage.patches


# ---------------------------------------------------------------- faults of figures


def check(key: str, verdict: str, measured: Quantity | None, upper: float | None = None, lower: float | None = None):
    return Check(key, key, None, measured, None, lower, upper, "", True, verdict)


def test_a_failed_check_is_a_fault_of_the_whole_zone():
    pattern = with_figure_faults(made.pattern(), [check("balance", "fail", Quantity(0.5, 0.05), lower=0.75)])
    (fault,) = pattern.faults
    assert (fault.kind, fault.extent, fault.severity.value) == ("unequal_families", 1.0, 0.5)
    assert len(fault.where_px) > 4


def test_checks_that_pass_or_cannot_tell_are_no_faults():
    checks = [check("balance", "pass", Quantity(0.9, 0.05)), check("form_fill", "cannot_tell", None)]
    assert with_figure_faults(made.pattern(), checks).faults == ()


def test_without_a_setup_only_what_no_drawing_excuses_is_a_fault():
    pattern = replace(made.pattern(), faults=())
    assert with_figure_faults(pattern, None).faults == ()
    drifting = replace(pattern, pitch_drift=Quantity(0.06, 0.005))
    assert [f.kind for f in with_figure_faults(drifting, None).faults] == ["pitch_drift"]


def test_a_faded_end_is_a_strip_from_that_end():
    pattern = made.pattern()
    first, last = pattern.ends
    pattern = replace(pattern, ends=(first, replace(last, fade=Quantity(4.0, 0.3, "mm"))))
    checks = [check("run_in", "fail", Quantity(4.0, 0.3, "mm"), upper=1.0)]
    (fault,) = with_figure_faults(pattern, checks).faults
    length = pattern.knurled_length.value
    assert (fault.kind, fault.from_mm, fault.to_mm) == ("fading", pytest.approx(length - 4), pytest.approx(length))


def test_every_fault_has_causes_in_the_table():
    known = {row.kind for row in table()}
    assert {"torn", "wheel_mark", "open_seam", "double_tracking", "fading", "pitch_drift", "shallow"} <= known


# ---------------------------------------------------------------- pictures


def test_faults_are_numbered_in_the_picture_and_listed_below():
    photo = np.zeros((900, 1200, 3), np.uint8)
    square = np.array([[500.0, 400.0], [600.0, 400.0], [600.0, 480.0], [500.0, 480.0]])
    bare = annotate.Drawn(made.outline(), (), "A1", "fail")
    faults = (annotate.Numbered(1, "torn", square), annotate.Numbered(2, "shallow", np.empty((0, 2))))
    without, with_faults = (
        annotate.picture(photo, [part], "fail", ["why"]) for part in (bare, replace(bare, faults=faults))
    )
    assert with_faults.shape[0] > without.shape[0] + 20  # the list
    vermilion = (with_faults == annotate.VERMILION[::-1]).all(axis=2)
    assert vermilion[: without.shape[0]].sum() > 300


def test_local_pitch_and_helix_follow_the_phases():
    clean = maps()
    # 2 % more lines along: the axial pitch is 2 % shorter, tan of the helix 2 % larger
    extra = tuple(-0.02 * along * clean.z[None] + 0 * clean.gain for _, along in clean.lines)
    pitch, helix = local_lines(maps(shifts=extra))
    assert pitch == pytest.approx(np.hypot(AROUND, ALONG) / np.hypot(AROUND, 1.02 * ALONG), rel=1e-3)
    turned = math.degrees(math.atan(1.02 * ALONG / AROUND) - math.atan(ALONG / AROUND))
    assert helix == pytest.approx(turned, abs=0.01)


def test_the_maps_are_drawn_as_png_and_svg():
    pattern = replace(made.pattern(), maps=maps())
    assert pictures.maps(pattern).startswith(b"\x89PNG")
    text = to_svg(map_drawing(pattern, inches=True))
    assert text.count("<image") == 4 and " in</text>" in text
    assert pictures.maps(replace(pattern, maps=None)) is None


def test_the_mean_groove_is_drawn_with_the_second_track_of_its_family():
    double = replace(
        made.family("left"), double_track=DoubleTrack(True, Quantity(0.5, 0.1), offset_fraction=Quantity(0.45, 0.05))
    )
    groove = MeanGroove("left", np.cos(np.linspace(0, math.tau, 24, endpoint=False)))
    pattern = made.pattern(families=(made.family("right"), double))
    assert groove_drawing(pattern) is None
    text = to_svg(groove_drawing(replace(pattern, grooves=(groove,))))
    assert text.count("second track") == 1
    clean = to_svg(groove_drawing(replace(pattern, grooves=(replace(groove, hand="right"),))))
    assert "second track" not in clean


def test_a_fault_without_a_place_has_no_polygon():
    pattern = replace(made.pattern(), faults=(Fault("shallow", "flat", np.ones((4, 2)), extent=1.0),))
    part = replace(made.inspected(made.pattern()).parts[0], pattern=pattern)
    assert pictures.drawn(part).faults[0].polygon_px.shape == (0, 2)


# ---------------------------------------------------------------- photos


def bench():
    path = Path(__file__).resolve().parents[1] / "bench" / "faults.py"
    spec = importlib.util.spec_from_file_location("fault_bench", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def test_faults_are_found_on_synthetic_photos_and_none_on_good_ones():
    faults = bench()
    tallies, good = faults.score(faults.synthetic(["drift", "chip_tooth", None, "torn"], seed=3))
    for kind in ("pitch_drift", "chip_tooth", "torn"):
        assert tallies[kind].found == tallies[kind].there == 1, kind
        assert all(o >= 0.5 for o in tallies[kind].overlaps), kind
    assert sum(good) == 0
