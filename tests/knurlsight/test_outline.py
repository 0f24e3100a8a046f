"""Finding parts: the right silhouette, the right direction of the axis, and nothing where there is no knurl."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from knurlsight.finding.knurl_or_not import FINE, NOT_ROUND, Roundness, _reach, no_knurl, roundness
from knurlsight.finding.outline import find_parts
from knurlsight.finding.wrapping import ROOT_SHARE, presence, rows_of, wraps
from knurlsight.measuring.measure import measure_part
from negatives import negative
from photoscale.camera import Camera
from photoscale.photo import Photo, camera_from_exif, load_photo
from random_scenes import preset_scenes
from synthesiser import render
from true_outline import true_outline

FIXTURES = Path(__file__).parents[2] / "fixtures"
HALF = 200.0
FOCAL = 4000.0
TEETH = 60


def lined(position_in_turns: np.ndarray, v: np.ndarray, cycles: int) -> np.ndarray:
    """A patch (rows, columns) of two crossing sets of lines, so many of each by the row, dark beyond the edges."""
    u = np.linspace(0, 1, 240, endpoint=False)
    one, other = (np.cos(2 * np.pi * (position_in_turns[:, None] + s * cycles * u[None])) for s in (-1, 1))
    grain = np.random.default_rng(5).normal(0, 2, (len(v), 240))
    return np.where(np.abs(v)[:, None] < HALF, 120 + 30 * one + 30 * other, 40).astype(np.float32) + grain.astype(
        np.float32
    )


def seen_round(v: np.ndarray) -> np.ndarray:
    """Turns of the teeth at each row of a cylinder before a pinhole camera (plane geometry)."""
    distance = np.hypot(1, FOCAL / HALF)  # radii, of the silhouette at HALF px
    theta = np.linspace(-np.arccos(1 / distance), np.arccos(1 / distance), 4001)
    return TEETH / (2 * np.pi) * np.interp(v, FOCAL * np.sin(theta) / (distance - np.cos(theta)), theta)


@pytest.mark.parametrize("cycles", [0, 14])
def test_the_true_width_explains_most(cycles):
    v = np.arange(-300.0, 301.0, 2.0)
    rows = rows_of(lined(seen_round(v), v, cycles), v, np.abs(v) < 0.8 * HALF)
    factors = np.array([0.4, 0.55, 0.7, 0.85, 1.0, 1.15, 1.3])
    found = wraps(rows, np.column_stack([-factors, factors]) * HALF, FOCAL)
    explained = [w.explained_px for w in found]
    assert factors[int(np.argmax(explained))] == 1.0
    right = found[4]
    assert right.teeth == pytest.approx(TEETH * (1 - ROOT_SHARE), abs=2)  # these lines have no roots; bins of two
    assert right.cycles == cycles


@pytest.mark.parametrize("edge", [(-HALF, 0.0), (0.0, HALF), (-HALF, 0.5 * HALF)])
def test_a_strip_of_the_part_explains_less(edge):
    v = np.arange(-300.0, 301.0, 2.0)
    rows = rows_of(lined(seen_round(v), v, 14), v, np.abs(v) < 0.8 * HALF)
    whole, strip = wraps(rows, np.array([(-HALF, HALF), edge]), FOCAL)
    assert strip.explained_px < 0.7 * whole.explained_px


def test_flat_lines_gain_nothing_by_being_taken_round():
    v = np.arange(-300.0, 301.0, 2.0)
    pair = np.array([(-HALF, HALF)])
    for turns, sign in ((seen_round(v), 1), (TEETH / (2 * np.pi) * v / HALF, -1)):
        rows = rows_of(lined(turns, v, 14), v, np.abs(v) < 0.8 * HALF)
        round_, flat = (wraps(rows, pair, FOCAL, flat=f)[0] for f in (False, True))
        assert sign * np.log(round_.explained_px / flat.explained_px) > 0.3


@pytest.mark.parametrize("cycles", [0, 14])
@pytest.mark.parametrize(("wide", "reach"), [(1.0, 1.0), (1.25, 0.8), (1.7, 0.59)])
def test_bare_ground_between_pattern_and_edges_is_seen(cycles, wide, reach):
    v = np.arange(-420.0, 421.0, 2.0)
    found = _reach(lined(seen_round(v), v, cycles), v / (wide * HALF), axial=cycles == 0)
    # the border itself is contrast as far out as half of each of two windows
    assert reach - 0.02 < found < reach + FINE


def test_rings_count_for_the_axial_lines_that_they_cross():
    v = np.arange(-300.0, 301.0, 2.0)
    u = np.linspace(0, 1, 240, endpoint=False)
    grain = np.random.default_rng(5).normal(0, 2, (len(v), 240))
    axial = np.cos(2 * np.pi * seen_round(v))[:, None] + np.zeros(240)
    shares = {}
    for name, rings in (("axial", 0.0), ("square", np.cos(2 * np.pi * 14 * u)[None])):
        pattern = 120 + 25 * axial + 25 * rings + 12 * axial * rings
        patch = (np.where(np.abs(v)[:, None] < HALF, pattern, 40) + grain).astype(np.float32)
        (found,) = wraps(rows_of(patch, v, np.abs(v) < 0.8 * HALF), np.array([(-HALF, HALF)]), FOCAL)
        assert (found.cycles, found.teeth) == (0, pytest.approx(TEETH, abs=4))
        shares[name] = found.share
    # less than half of the pattern runs along the axis
    assert shares["square"] > 0.6 * shares["axial"]


def test_lines_stand_out_just_inside_the_edges_only():
    v = np.arange(-300.0, 301.0, 2.0)
    rows = rows_of(lined(seen_round(v), v, 14), v, np.abs(v) < 0.8 * HALF)
    right, wide, shifted = (presence(rows, np.array(e) * HALF, 14) for e in ((-1, 1), (-1.3, 1.3), (-1, 1.3)))
    assert right > wide + 2
    assert right > shifted + 2


def test_edges_outside_the_window_are_left_out():
    v = np.arange(-300.0, 301.0, 2.0)
    rows = rows_of(lined(seen_round(v), v, 14), v, np.abs(v) < 0.8 * HALF)
    assert wraps(rows, np.array([(-500.0, 500.0)]), FOCAL) == [None]


def test_too_small_a_patch_has_no_rows():
    assert rows_of(np.ones((40, 12), np.float32), np.arange(40.0), np.ones(40, bool)) is None


@pytest.mark.parametrize(
    "stem", ["straight_knob", "straight_half_lit", "diamond_wrong_pitch", "recessed_rule", "diamond_double_track"]
)
def test_the_silhouette_is_that_of_the_part(stem):
    truth = json.loads((FIXTURES / f"{stem}.json").read_text())
    photo = load_photo(FIXTURES / f"{stem}.jpg")
    (found,) = find_parts(photo, camera_from_exif(photo), most=1)
    right = true_outline(truth)
    along, width = direction_and_width(right.edges_px)
    found_along, found_width = direction_and_width(found.edges_px)
    assert abs(np.cross(np.append(along, 0), np.append(found_along, 0))[2]) < np.sin(np.radians(2))
    assert found_width == pytest.approx(width, rel=0.02)
    there = roundness(photo.grey, found)
    assert there is not None and not there.flat


@pytest.mark.parametrize(("seed", "scene"), [(7708, 4), (7710, 10), (7707, 23)])
def test_grain_and_a_rule_beside_it_do_not_hide_a_part(seed, scene):
    """Synthetic photos whose part was not found once: on wood in even light, leaning lines, a square beside a rule."""
    *_, made = preset_scenes("mixed", scene + 1, seed)
    grey, truth = render(made, seed * 100_003 + scene)
    grey = cv2.cvtColor(grey, cv2.COLOR_BGR2GRAY) if grey.ndim == 3 else grey
    photo = Photo("made", grey, "", grey.shape[1], grey.shape[0])
    k = truth["camera"]["K"]
    (found,) = find_parts(photo, Camera(k[0][0], (k[0][2], k[1][2])), most=1)
    along, width = direction_and_width(np.array(truth["parts"][0]["silhouette_px"]))
    found_along, found_width = direction_and_width(found.edges_px)
    assert abs(np.cross(np.append(along, 0), np.append(found_along, 0))[2]) < np.sin(np.radians(2))
    assert found_width == pytest.approx(width, rel=0.02)


def direction_and_width(edges: np.ndarray) -> tuple[np.ndarray, float]:
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    along = along / np.hypot(*along)
    return along, abs(float((edges[1] - edges[0]).mean(axis=0) @ np.array([-along[1], along[0]])))


@pytest.mark.parametrize(("kind", "seed"), [("mesh", 7), ("cloth", 3), ("perfboard", 0), ("turned_bar", 1)])
def test_no_knurl_is_called_one(kind, seed):
    """Pictures of which a fit with knurl-like figures was made once."""
    grey = cv2.cvtColor(negative(kind, seed), cv2.COLOR_BGR2GRAY)
    photo = Photo(kind, grey, "", grey.shape[1], grey.shape[0])
    for outline in find_parts(photo, camera_from_exif(photo), most=1):
        pattern = measure_part(photo, outline, None, None)
        counts = [f.teeth.value for f in pattern.families if f.teeth is not None and f.hand != "ring"]
        assert (
            pattern.form is None
            or no_knurl(roundness(photo.grey, outline), counts, crossed=len(pattern.families) > 1) == NOT_ROUND
        )


def test_counts_that_no_knurl_has():
    good = Roundness(share=0.3, gain=0.3, teeth=52.0, axial=False, beyond=0.0, reach=1.0)
    assert no_knurl(good, [54.0, 54.0]) == ""
    assert no_knurl(good, [54.0, 57.0]) == ""  # leaning wheels
    assert no_knurl(good, [67.0, 68.0]) == NOT_ROUND  # not the lines that go round
    assert no_knurl(good, [54.0, 44.0]) == NOT_ROUND
    assert no_knurl(good, []) == NOT_ROUND
    assert no_knurl(None, [54.0]) == NOT_ROUND
    bare = Roundness(0.3, 0.3, 52.0, axial=False, beyond=0.0, reach=0.5, present=2.0)
    assert no_knurl(bare, [54.0]) == NOT_ROUND
    assert no_knurl(replace(bare, present=5.0), [54.0]) == ""  # half in shade
    assert no_knurl(Roundness(0.3, -0.5, 52.0, axial=False, beyond=0.0, reach=1.0), [54.0]) == NOT_ROUND
    going_on = Roundness(0.3, 0.1, 52.0, axial=False, beyond=0.9, reach=1.0)
    assert no_knurl(going_on, [54.0]) == NOT_ROUND
    assert going_on.goes_on and not good.goes_on  # which parts that touch do as well as cloth
