"""Synthetic photos against plane geometry, plain FFTs, OpenCV's card reader and themselves turned about."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from bench_picture import card_board
from bench_scene import (
    METALS,
    CameraPose,
    Card,
    Lamp,
    Light,
    Part,
    Rule,
    Scene,
    Segment,
    Sensor,
    light_from,
    turned_views,
)
from knurl_height import FamilyShape, Knurl, depth_below_crest
from metal_light import Strip, unrolled_radiance
from negatives import NEGATIVES, negative
from photoscale.camera import Camera
from photoscale.cylinder import cylinder_from_silhouette
from PIL import Image
from random_scenes import FAULTS, FORMS, PRESET_NAMES, preset_scenes, random_knurl, random_scene, zone_only
from scene_truth import scene_truth
from synthesiser import render, write_photo
from true_outline import true_outline

CLEAN = Sensor(blur_px=0.4, noise=0.0, sharpen=0.0, jpeg_quality=None)


def bar(form="RGE", hands=("right", "left"), teeth=54, od=20.0, helix=30.0, **more):
    families = tuple(FamilyShape(h, teeth, helix if h in ("left", "right") else 0.0) for h in hands)
    knurl = Knurl(form, od, 6.0, 26.0, families, 14.0)
    ends = (Segment(0.0, 6.0, 0.97 * od / 2), Segment(26.0, 32.0, 0.97 * od / 2))
    return Part(knurl, 32.0, ends, **({"azimuth_deg": 0.0} | more))


def small(part, **more):
    """A grey photo of some 600 x 450 px that holds the whole part."""
    camera = CameraPose((600, 450), 2000.0, 150.0, 0.0, aim_mm=(0.0, 0.0, 0.0))
    scene = Scene((part,), camera, light_from("window"), None, "none", 0.05, colour=False, sensor=CLEAN)
    return replace(scene, **more)


def upright_spectrum_lean(image):
    """Sign of the strongest lines' lean by a plain FFT: +1 for lines like \\ (top left to bottom right), -1 for /."""
    h, w = image.shape
    patch = image[h // 2 - 60 : h // 2 + 60, w // 2 - 90 : w // 2 + 90].astype(float)
    patch = (patch - cv2.blur(patch, (41, 41))) * np.outer(np.hanning(120), np.hanning(180))
    power = np.abs(np.fft.fftshift(np.fft.fft2(patch)))
    power[55:66, 85:96] = 0
    v, u = np.unravel_index(np.argmax(power), power.shape)
    # lines stand square to their wave vector (u right, v down)
    return -np.sign((u - 90) * (v - 60))


def test_same_seed_same_pixels_and_another_seed_other_noise():
    scene = small(bar(), sensor=Sensor())
    first, truth = render(scene, 7)
    again, again_truth = render(scene, 7)
    other, _ = render(scene, 8)
    assert np.array_equal(first, again)
    assert truth == again_truth
    assert not np.array_equal(first, other)


@pytest.mark.parametrize(("form", "hand", "lean"), [("RBR", "right", 1), ("RBL", "left", -1)])
def test_right_hand_grooves_lean_like_a_backslash_in_a_lying_part(form, hand, lean):
    image, truth = render(small(bar(form, (hand,))), 1)
    assert truth["parts"][0]["families"][0]["hand"] == hand
    assert upright_spectrum_lean(image) == lean
    # mirrored, the hand flips; turned about by half a turn, it does not
    assert upright_spectrum_lean(image[:, ::-1]) == -lean
    assert upright_spectrum_lean(image[::-1, ::-1]) == lean


def test_a_plain_fft_of_the_middle_reads_the_axial_pitch():
    image, truth = render(small(bar("RBR", ("right",), 90, helix=45.0)), 1)
    x, y = truth["parts"][0]["near_crest_mid_px"]
    row = image[round(y) - 1 : round(y) + 2, round(x) - 120 : round(x) + 120].mean(axis=0)
    row = (row - row.mean()) * np.hanning(240)
    power = np.abs(np.fft.rfft(row, 16 * 240))
    period_px = 16 * 240 / (np.argmax(power[200:]) + 200)
    pitch = period_px * truth["parts"][0]["mm_per_px_axial"]
    assert pitch == pytest.approx(truth["parts"][0]["families"][0]["axial_pitch_mm"], rel=0.01)


def edges(image, x):
    """Sub-pixel rows where a column crosses half way between ground and part, from the outside in."""
    column = image[:, x - 4 : x + 5].astype(float).mean(axis=1)
    ground = (column[:10].mean() + column[-10:].mean()) / 2
    above = np.flatnonzero(column > ground + 12)
    return above[0], above[-1]


@pytest.mark.parametrize("distance", [80.0, 150.0, 400.0])
def test_the_silhouette_is_as_wide_as_perspective_makes_it(distance):
    """Half width = f tan(asin(R / D)), D from camera to axis; not f R / D. Plane geometry."""
    part = bar("RAA", ("axial",), 60)
    focal = 1300.0 * distance / 80.0 / 1.4
    camera = CameraPose((600, 450), focal, distance, 0.0, aim_mm=(0.0, 0.0, 0.0))
    # a room as bright as can be, so that the part's limb stands out from a black bench
    light = Light("even", (), 1.0, 1.0)
    image, truth = render(small(part, camera=camera, light=light, background_level=0.001), 1)
    top, bottom = edges(image, 300)
    half = focal * math.tan(math.asin(10.0 / (distance - 10.0)))
    assert bottom - top == pytest.approx(2 * half, abs=2.0)
    upper = truth["parts"][0]["silhouette_px"]
    assert abs(upper[0][0][1] - upper[1][0][1]) == pytest.approx(2 * half, abs=0.05)


def test_the_true_silhouette_gives_the_pose_back():
    """`photoscale` solves the cylinder from the two lines on its own way."""
    part = bar(azimuth_deg=17.0, lift_deg=4.0)
    camera = CameraPose((800, 600), 1500.0, 170.0, 12.0, aim_mm=(3.0, -4.0, 0.0))
    truth = scene_truth(small(part, camera=camera))
    first, second = (np.array(e) for e in truth["parts"][0]["silhouette_px"])
    solved = cylinder_from_silhouette(Camera(1500.0, camera.centre), first, second)
    rotation, t = camera.pose()
    axis = rotation @ part.axes()[:, 2]
    assert abs(axis @ solved.axis) == pytest.approx(1, abs=1e-6)
    end_a = rotation @ part.end_a() + t
    distance = np.linalg.norm(end_a - (end_a @ axis) * axis)
    assert 1 / solved.distance == pytest.approx(truth["parts"][0]["crest_envelope_od_mm"] / 2 / distance, rel=2e-4)


def test_the_part_rests_on_the_bench():
    for lift in (0.0, 6.0):
        part = bar(lift_deg=lift, azimuth_deg=30.0)
        angle = np.linspace(0, 2 * np.pi, 721)
        lowest = min(
            (np.stack([r * np.cos(angle), r * np.sin(angle), np.full(721, z)], axis=-1) @ part.axes().T + part.end_a())[
                :, 2
            ].min()
            for z, r in part.rings()
        )
        assert lowest == pytest.approx(0, abs=1e-3)


def test_a_lamp_from_the_other_side_gives_the_mirrored_surface():
    knurl = bar("RAA", ("axial",), 60).knurl
    theta, z = np.linspace(-1, 1, 401), np.linspace(13, 15, 41)
    depth = depth_below_crest(knurl, theta, z)
    metal = replace(METALS["steel"], waviness=0.0)
    camera, up = np.array([200.0, 0.0, 14.0]), np.array([1.0, 0.0, 0.0])

    def lit(side):
        lamp = Lamp(90.0 * side, 30.0, 1.0, 3.0)
        light = Light("one", (lamp,), 0.1, 0.1)
        # the bench lies square to x here: turn the lamp's axes along
        turned = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
        strip = Strip(np.array([0.0, 0.0, 0.0]), turned.T, 10.0, theta, z, depth)
        return unrolled_radiance(strip, metal, light, turned.T @ camera, 0.05, turned.T @ up, 1)

    one, other = lit(1), lit(-1)
    assert one.std() > 0.05
    np.testing.assert_allclose(one[::-1], other, rtol=0.02, atol=0.02)


def test_grazing_light_leaves_the_roots_darker_than_light_from_above():
    image = {}
    for elevation in (12.0, 80.0):
        light = Light("one", (Lamp(90.0, elevation, 1.0, 1.0),), 0.05, 0.05)
        image[elevation], _ = render(small(bar("RKE", ("axial", "axial"), 60), light=light), 1)
    dark = {k: np.percentile(v[180:270, 240:360], 10) / v[180:270, 240:360].mean() for k, v in image.items()}
    assert dark[12.0] < dark[80.0]


def test_the_card_reader_finds_the_true_corners():
    part = bar(middle_mm=(0.0, 18.0))
    camera = CameraPose((1000, 800), 1600.0, 190.0, 9.0, turn_deg=4.0, aim_mm=(0.0, -12.0, 0.0))
    card = Card((-40.0, 0.0), 3.0, 10.1)
    image, truth = render(small(part, camera=camera, scale=card, sensor=Sensor()), 2)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(card_board()).detectBoard(image)
    true = {c["id"]: c["px"] for c in truth["scale"]["corners"]}
    off = np.asarray(corners).reshape(-1, 2) - np.array([true[int(i)] for i in np.ravel(ids)])
    assert len(off) >= 24
    # OpenCV 4.10 sits half a pixel off, the same for every corner; see the rule below for the place itself
    off -= np.median(off, axis=0) if np.abs(np.median(off, axis=0)).max() > 0.3 else 0
    assert np.abs(off).max() < 0.25


@pytest.mark.parametrize("graduations", [(1.0, 0.5), (25.4 / 32, 25.4 / 64)])
def test_the_rule_has_its_marks_where_the_truth_says(graduations):
    camera = CameraPose((1200, 700), 1900.0, 170.0, 7.0, turn_deg=-3.0, aim_mm=(0.0, -14.0, 0.0))
    rule = Rule((-45.0, -34.0), 2.0, graduations)
    image, truth = render(small(bar(middle_mm=(0.0, 6.0)), camera=camera, scale=rule), 2)
    along, across = (np.array(truth["scale"][f"dir_{w}_world"]) for w in ("along", "across"))
    zero = np.array(truth["scale"]["zero_world_mm"])
    checked = 0
    for tick in truth["scale"]["long_ticks"]:
        x, y = tick["px"]
        if tick["value_mm"] == 0 or not (40 < x < 1160 and 30 < y < 670):
            continue
        # a short cut along the rule, 1.5 mm inside the edge
        inside = 1.5 if tick["edge"] == "near" else 17.5
        u = np.linspace(-0.35, 0.35, 71)
        points = zero + (tick["value_mm"] + u)[:, None] * along + inside * across
        px = camera.project(points).astype(np.float32)
        cut = cv2.remap(image, px[:, :1], px[:, 1:], cv2.INTER_LINEAR).ravel().astype(float)
        ink = np.maximum(cut.max() - cut, 0) ** 2
        assert ink.sum() > 0
        assert (u * ink).sum() / ink.sum() == pytest.approx(0, abs=0.04)
        checked += 1
    assert checked >= 4


def test_turned_views_bring_the_same_line_round():
    scene = small(bar())
    views = turned_views(scene, 3, 60.0)
    facing = [scene_truth(v)["parts"][0]["theta_facing_camera_deg"] for v in views]
    # the part turns by +60 about its own axis, so the line that faces the camera goes back by 60
    assert np.allclose((np.diff(facing) + 180) % 360 - 180, -60, atol=1e-3)
    assert [v.turn.index for v in views] == [0, 1, 2]


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_written_photo_comes_back_upright_with_its_truth(tmp_path, orientation):
    scene = small(bar("RBR", ("right",)), orientation=orientation, stem="p")
    scene = replace(scene, camera=replace(scene.camera, focal_35mm=120), sensor=Sensor())
    path = write_photo(scene, 1, tmp_path)
    upright = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    expected, truth = render(scene, 1)
    assert upright.shape == expected.shape
    assert np.abs(upright.astype(int) - expected.astype(int)).mean() < 2
    assert json.loads(path.with_suffix(".json").read_text()) == json.loads(json.dumps(truth))
    with Image.open(path) as stored:
        assert list(stored.size) == truth["image_size_stored"]
        assert stored.getexif().get_ifd(0x8769)[0xA405] == 120


@pytest.mark.parametrize("fault", [None, *FAULTS])
def test_random_scenes_hold_together(fault):
    for seed in range(4):
        rng = np.random.default_rng([seed, 11])
        form = FORMS[seed] if fault is None else "RGE"
        scene = random_scene(rng, random_knurl(rng, form), fault)
        truth = scene_truth(scene)
        part = truth["parts"][0]
        json.dumps(truth, allow_nan=False)
        w, h = scene.camera.size_px
        x0, y0, x1, y1 = part["knurl_box_px"]
        assert 0 < x0 < x1 < w and 0 < y0 < y1 < h
        assert 6 < part["px_per_normal_pitch"] < 32
        no_check = (None, "dislocation", "chatter", "feed_rings")  # found, but not judged by any limit
        assert truth["expected"]["verdict"] == ("pass" if fault in no_check else "fail"), (fault, truth["expected"])
        for family in part["families"]:
            if family["N"] and family["axial_pitch_mm"]:
                helix = math.degrees(math.atan(family["transverse_pitch_mm"] / family["axial_pitch_mm"]))
                assert helix == pytest.approx(family["helix_deg"], abs=0.01)


def test_presets_name_their_scenes_apart():
    for preset in PRESET_NAMES:
        stems = [s.stem for s in preset_scenes(preset, 4, 3)]
        assert len(set(stems)) == 4
        assert [s.stem for s in preset_scenes(preset, 2, 3)] == stems[:2]


def test_the_zone_alone_is_the_same_picture_through_a_smaller_frame():
    scene = replace(small(bar()), oversample=1)
    whole, truth = render(scene, 1)
    zone, cut = render(zone_only(scene, (200, 120)), 1)
    x, y = (round(a - b) for a, b in zip(truth["parts"][0]["end_A_px"], cut["parts"][0]["end_A_px"], strict=True))
    part = whole[y : y + 120, x : x + 200].astype(float)
    # exposure follows the frame, so compare shapes
    assert np.corrcoef(part.ravel(), zone.ravel().astype(float))[0, 1] > 0.95


@pytest.mark.parametrize("kind", sorted(NEGATIVES))
def test_negatives_are_drawn_and_repeat(kind):
    image = negative(kind, 1)
    assert image.shape == (900, 1200, 3)
    assert image.dtype == np.uint8
    assert image.std() > 5
    if kind not in ("thread", "turned_bar"):
        assert np.array_equal(image, negative(kind, 1))
        assert not np.array_equal(image, negative(kind, 2))


@pytest.mark.parametrize("azimuth", [10.0, 80.0, 190.0, 275.0])
def test_the_true_outline_puts_surface_points_on_the_silhouette(azimuth):
    """θ = ± limb of the outline's own cylinder is the silhouette of the truth, end 1 to end 2."""
    camera = CameraPose((800, 600), 1500.0, 170.0, 12.0, aim_mm=(3.0, -4.0, 0.0), distortion=(-0.04, 0.0))
    truth = scene_truth(small(bar(azimuth_deg=azimuth, lift_deg=3.0), camera=camera))
    outline = true_outline(truth)
    cylinder = outline.cylinder
    for edge in outline.edges_px:
        misses = []
        for side in (-1, 1):
            points = cylinder.points(np.full(2, side * cylinder.limb_rad), np.array(outline.zone_z))
            misses.append(np.abs(outline.camera.project(points) - edge).max())
        assert min(misses) < 0.05
    first, second = outline.edges_px.mean(axis=0)
    assert (second[1] > first[1]) if abs(second[1] - first[1]) > abs(second[0] - first[0]) else (second[0] > first[0])


def test_a_tray_has_six_parts_with_their_own_verdicts():
    scene = next(preset_scenes("tray", 1, 4))
    truth = scene_truth(scene)
    w, h = truth["image_size_upright"]
    verdicts = [p["expected"]["verdict"] for p in truth["parts"]]
    assert len({p["name"] for p in truth["parts"]}) == 6
    assert 1 <= verdicts.count("fail") <= 2
    assert truth["expected"]["verdict"] == "fail"
    boxes = [p["knurl_box_px"] for p in truth["parts"]]
    assert all(0 < x0 < x1 < w and 0 < y0 < y1 < h for x0, y0, x1, y1 in boxes)
    corners = np.array([c["px"] for c in truth["scale"]["corners"]])
    assert ((corners > 0) & (corners < (w, h))).all()
