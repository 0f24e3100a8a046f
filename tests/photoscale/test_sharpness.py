"""Detail, light and blur of regions, against pictures made with known blur."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from photoscale.photo import load_photo
from photoscale.sharpness import measure_sharpness, step_blur_px

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


@pytest.mark.parametrize("blur", [0.8, 1.2, 1.6, 2.0])
def test_blur_of_steps(blur: float) -> None:
    # averaging over a pixel adds a variance of 1/12
    assert step_blur_px(squares(blur)) == pytest.approx(np.hypot(blur, np.sqrt(1 / 12)), rel=0.1)


def test_strong_blur_still_reads_as_more() -> None:
    mild, strong = step_blur_px(squares(2.0)), step_blur_px(squares(3.0))
    assert mild is not None
    assert strong is not None
    assert strong > 1.2 * mild


def test_blur_does_not_depend_on_contrast() -> None:
    strong, weak = step_blur_px(squares(1.5, 1.0)), step_blur_px(squares(1.5, 1.0, 100, 140))
    assert strong is not None
    assert weak == pytest.approx(strong, rel=0.05)


def test_no_steps_no_blur() -> None:
    flat = np.random.default_rng(1).normal(128, 2, (200, 300)).clip(0, 255).astype(np.uint8)
    assert step_blur_px(flat) is None


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
