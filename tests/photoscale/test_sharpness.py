"""Detail, light and blur of regions, against pictures made with known blur."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from photoscale.photo import load_photo
from photoscale.sharpness import Blur, measure_blur, measure_sharpness

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def squares(blur: float, noise: float = 2.0, low: float = 60, high: float = 180) -> np.ndarray:
    """Squares of 30 px, turned by 25°, blurred by a Gaussian."""
    y, x = np.mgrid[:1600, :1600]
    a = np.deg2rad(25)
    u, v = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
    board = np.where((np.sin(2 * np.pi * u / 240) > 0) ^ (np.sin(2 * np.pi * v / 240) > 0), high, low).astype(
        np.float32
    )
    seen = cv2.GaussianBlur(cv2.resize(board, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA), (0, 0), blur)
    return np.clip(seen + np.random.default_rng(0).normal(0, noise, seen.shape), 0, 255).astype(np.uint8)


def grey_of(name: str) -> np.ndarray:
    return load_photo(FIXTURES / f"{name}.jpg").grey


SHARP = ("diamond_rule", "diamond_card", "straight_knob", "recessed_rule", "diamond_unequal", "square_pin")


@pytest.mark.parametrize("name", SHARP)
def test_sharp_photos_are_read_as_sharp(name: str) -> None:
    seen = measure_blur(grey_of(name))
    assert seen is not None
    assert seen.lost_px < 8
    assert not seen.shaken


@pytest.mark.parametrize("blur", [3.0, 4.0, 6.0])
@pytest.mark.parametrize("name", SHARP)
def test_blur_that_was_added_is_read(name: str, blur: float) -> None:
    sharp = grey_of(name)
    own = measure_blur(sharp)
    seen = measure_blur(cv2.GaussianBlur(sharp, (0, 0), blur))
    assert own is not None
    assert seen is not None
    # variances add
    assert seen.sigma_px == pytest.approx(np.hypot(blur, own.sigma_px), rel=0.25)


def test_lines_that_are_lost() -> None:
    # a Gaussian of 2 px leaves exp(-2 π² 2² / p²) of a sinusoid of period p: a fifth at 7.0 px
    assert Blur(2.0, False).lost_px == pytest.approx(7.0, abs=0.05)
    assert np.exp(-2 * np.pi**2 * 4 / Blur(2.0, False).lost_px ** 2) == pytest.approx(0.2)


@pytest.mark.parametrize("name", ["diamond_rule", "diamond_card", "diamond_unequal", "straight_knob"])
def test_shake_is_seen(name: str) -> None:
    moved = cv2.blur(grey_of(name), (25, 1))
    seen = measure_blur(moved)
    assert seen is not None
    assert seen.shaken


def test_nothing_to_see_gives_no_blur() -> None:
    noise = np.random.default_rng(1).normal(128, 4, (400, 500)).clip(0, 255).astype(np.uint8)
    for grey in (noise, np.full((400, 500), 255, np.uint8), np.full((400, 500), 128, np.uint8), noise[:40, :40]):
        assert measure_blur(grey) is None


def test_the_box_about_an_outline_alone_is_looked_at() -> None:
    sharp = grey_of("straight_knob")
    half = sharp.copy()
    half[:, half.shape[1] // 2 :] = cv2.GaussianBlur(sharp, (0, 0), 5)[:, half.shape[1] // 2 :]
    h, w = half.shape
    left, right = (np.array([[a, 0], [b, 0], [b, h - 1], [a, h - 1]], float) for a, b in ((0, w // 2), (w // 2, w - 1)))
    blurs = [measure_blur(half, outline) for outline in (left, right)]
    assert blurs[0] is not None
    assert blurs[1] is not None
    assert blurs[1].sigma_px > 2 * blurs[0].sigma_px


def test_noise_light_and_detail() -> None:
    seen = measure_sharpness(squares(1.0, 3.0))
    assert seen.noise == pytest.approx(3.0, rel=0.15)
    assert seen.contrast == pytest.approx(120, abs=15)
    assert (seen.saturated_share, seen.dark_share) == (0, 0)
    assert measure_sharpness(squares(4.0)).detail < 0.6 * seen.detail
    assert measure_sharpness(np.full((90, 90), 255, np.uint8)).saturated_share == 1
    assert measure_sharpness(np.zeros((90, 90), np.uint8)).dark_share == 1


def test_only_the_inside_of_an_outline_counts() -> None:
    image = np.full((300, 400), 100, np.uint8)
    image[:, 200:] = 255
    outline = np.array([[20, 20], [150, 20], [150, 280], [20, 280]], float)
    seen = measure_sharpness(image, outline)
    assert (seen.detail, seen.saturated_share) == (0, 0)


def test_an_outline_outside_the_photo_gives_nothing() -> None:
    outline = np.array([[900, 900], [950, 900], [950, 950]], float)
    assert measure_sharpness(squares(1.0), outline).detail == 0


def test_out_of_focus_has_far_less_detail() -> None:
    def zone(name: str) -> float:
        truth = json.loads((FIXTURES / f"{name}.json").read_text())
        outline = np.array(truth["parts"][0]["knurl_polygon_px"], float)
        return measure_sharpness(load_photo(FIXTURES / f"{name}.jpg").grey, outline).detail_rel

    sharp = [zone(n) for n in ("diamond_rule", "diamond_card", "straight_knob", "recessed_rule", "diamond_unequal")]
    assert zone("out_of_focus") < 0.6 * min(sharp)
