"""The small photos of fixtures/: their truth holds for the pixels as stored, and their setups can be read."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from knurlsight.setup_math.setup import read_setup
from PIL import Image
from shrink import shrink_truth

FIXTURES = Path(__file__).parents[2] / "fixtures"
NAMES = sorted(p.stem for p in FIXTURES.glob("*.jpg"))


@pytest.fixture(params=NAMES)
def name(request):
    return request.param


def truth_of(name):
    return json.loads((FIXTURES / f"{name}.json").read_text())


def test_there_are_enough_and_they_are_small():
    sizes = [(FIXTURES / f"{n}.jpg").stat().st_size for n in NAMES]
    assert len(NAMES) >= 8
    assert max(sizes) < 250_000
    assert sum(sizes) < 2_500_000


def test_photo_and_truth_are_of_one_size(name):
    truth = truth_of(name)
    with Image.open(FIXTURES / f"{name}.jpg") as photo:
        exif = photo.getexif()
        assert list(photo.size) == truth["image_size_stored"]
        assert exif[0x0112] == truth["exif_orientation"]
        assert exif.get_ifd(0x8769)[0xA405] == truth["camera"]["exif_focal_35mm"]
        assert (exif.get_ifd(0x8769)[40962], exif.get_ifd(0x8769)[40963]) == photo.size
    assert truth["stem"] == name


def test_the_camera_of_the_truth_puts_the_part_where_the_truth_says(name):
    """x = K (R X + t): K was scaled, the world was not."""
    truth = truth_of(name)
    camera, part = truth["camera"], truth["parts"][0]
    if camera["distortion"]["k1"] or camera["distortion"]["k2"]:
        pytest.skip("plain pinhole only")
    k, r, t = (np.array(camera[key]) for key in ("K", "world_to_camera_R", "world_to_camera_t_mm"))
    for end in "AB":
        p = k @ (r @ np.array(part[f"end_{end}_mm"]) + t)
        np.testing.assert_allclose(p[:2] / p[2], part[f"end_{end}_px"], atol=0.03)
    # ruled or printed points of the scale as well
    for point in truth["scale"].get("corners", []):
        p = k @ (r @ np.array(point["world_mm"]) + t)
        np.testing.assert_allclose(p[:2] / p[2], point["px"], atol=0.03)


def test_pitch_in_pixels_agrees_with_pitch_in_mm(name):
    part = truth_of(name)["parts"][0]
    pitch = min(f["normal_pitch_mm"] for f in part["families"])
    assert part["px_per_normal_pitch"] == pytest.approx(pitch / part["mm_per_px_axial"], rel=2e-3)


def test_the_setup_reads_and_asks_for_what_the_truth_says_was_meant(name):
    meant = truth_of(name)["parts"][0]["setup"]
    setup = read_setup(FIXTURES / f"{name}.toml")
    assert setup.pattern is not None
    assert setup.pattern.form == meant["form"]
    assert "invented" in (FIXTURES / f"{name}.toml").read_text()


def test_shrinking_moves_pixels_by_the_centre_rule_and_leaves_mm_alone():
    truth = {"end_A_px": [9.5, -0.5], "od_mm": 20.0, "mm_per_px_axial": 0.05, "px_per_normal_pitch": 20.0}
    half = shrink_truth(truth, 0.5)
    # a frame halved: its corner (-1/2) stays, pixel 9.5 comes to 4.5
    assert half == {"end_A_px": [4.5, -0.5], "od_mm": 20.0, "mm_per_px_axial": 0.1, "px_per_normal_pitch": 10.0}
