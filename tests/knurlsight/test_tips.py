"""The row of tips at a silhouette, drawn here: its envelope is known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from knurlsight.finding.tips import tips
from numpy.typing import NDArray

Array = NDArray[np.float64]
EDGE_PX, WIDTH_PX, BACKGROUND = 80.0, 300.0, 90.0
LINE = np.array([[20.0, EDGE_PX], [620.0, EDGE_PX]])
INWARD = np.array([0.0, 1.0])


def teeth(contrast: float, tooth_px: float = 14.0, grain: float = 2.0, shadow: float = 0.0) -> NDArray[np.uint8]:
    """Teeth of slope 1 with flats of a fifth of their length, tops at `EDGE_PX`; every second facet brighter."""
    rng = np.random.default_rng(7)
    finer = 4
    x, y = np.meshgrid(np.arange(640 * finer) / finer, np.arange(260 * finer) / finer)
    phase = np.abs(x / tooth_px % 1 - 0.5) * tooth_px
    inside = y - EDGE_PX > np.maximum(0, phase - 0.1 * tooth_px)
    facet = 0.5 + 0.5 * np.sign(np.sin(2 * np.pi * x / tooth_px))
    grey = BACKGROUND + shadow * np.clip((EDGE_PX - y) / 40, -1, 1) + contrast * inside * (0.5 + facet)
    small = cv2.resize(grey, (640, 260), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.8)
    # one grain to a px and one to several, as paper and sensors have
    noise = rng.normal(0, grain, small.shape) + cv2.GaussianBlur(rng.normal(0, 3 * grain, small.shape), (0, 0), 2.0)
    return np.clip(small + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("contrast", [4.0, 12.0, 60.0, -40.0])
@pytest.mark.parametrize("off_px", [0.0, 3.0, 7.0])
def test_the_envelope_is_found_from_some_px_off_even_where_tips_are_fainter_than_grain(
    contrast: float, off_px: float
) -> None:
    inside = tips(teeth(contrast), LINE + np.array([0.0, off_px]), INWARD, WIDTH_PX)
    assert inside is not None
    assert inside + off_px == pytest.approx(0.0, abs=1.3)


def test_a_shadow_beside_the_part_does_not_move_it() -> None:
    inside = tips(teeth(12.0, shadow=20.0), LINE, INWARD, WIDTH_PX)
    assert inside == pytest.approx(0.0, abs=1.3)


def test_the_echo_that_compression_lays_round_clear_teeth_does_not_move_it() -> None:
    grey = teeth(110.0, grain=0.2)
    echo = cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 25])[1], cv2.IMREAD_GRAYSCALE)
    inside = tips(np.asarray(echo, np.uint8), LINE, INWARD, WIDTH_PX)
    assert inside == pytest.approx(0.0, abs=1.3)


def test_a_line_drawn_the_other_way_round_and_a_part_above_its_edge_read_alike() -> None:
    grey = teeth(30.0)
    below = tips(grey, LINE, INWARD, WIDTH_PX)
    turned = np.ascontiguousarray(grey[::-1])
    above = tips(turned, LINE[::-1] * [1, -1] + [0, 259.0], -INWARD, WIDTH_PX)
    assert above == pytest.approx(below, abs=0.2)


@pytest.mark.parametrize("grain", [0.0, 2.0])
def test_a_plain_edge_has_no_tips(grain: float) -> None:
    rng = np.random.default_rng(3)
    grey = np.full((260, 640), 90.0)
    grey[int(EDGE_PX) :] = 150.0
    grey = np.clip(grey + rng.normal(0, grain, grey.shape), 0, 255).astype(np.uint8)
    assert tips(grey, LINE, INWARD, WIDTH_PX) is None


@pytest.mark.parametrize("off_px", [-6.0, 14.0])
def test_a_row_that_is_far_from_the_edge_as_found_is_left_alone(off_px: float) -> None:
    assert tips(teeth(30.0), LINE + np.array([0.0, off_px]), INWARD, WIDTH_PX) is None


def test_an_edge_too_short_for_teeth_is_left_alone() -> None:
    assert tips(teeth(30.0), np.array([[20.0, EDGE_PX], [60.0, EDGE_PX]]), INWARD, WIDTH_PX) is None
