"""Cast shadows beside a part, drawn here: where its edge is, and whether that is known, is known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from knurlsight.finding.shadow import shadows_beside
from numpy.typing import NDArray

Array = NDArray[np.float64]
TOP, BOTTOM, LEFT, RIGHT = 100.0, 300.0, 200.0, 440.0
SHANK = 50.0  # thinner on either side
SHADOW_PX = 24


def bench(part: float, light: float, shadow: float | None, shift_px: float = 60.0) -> NDArray[np.uint8]:
    """A knurl with a thinner shank on a bench, and its shadow below, moved along; px of one brightness each."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0:400, 0:640].astype(float)
    grey = np.full((400, 640), light)
    knurl = (x > LEFT) & (x < RIGHT)
    if shadow is not None:
        moved = (x > LEFT + shift_px) & (x < RIGHT + shift_px)
        low = np.where(moved, BOTTOM, BOTTOM - SHANK) + SHADOW_PX
        grey[(y > 200) & (y < low) & (x > LEFT - 100 + shift_px)] = shadow
        grey[(y > 200) & (y < BOTTOM + SHADOW_PX) & knurl] = shadow
    lines = part * (1 + 0.35 * np.sign(np.sin(2 * np.pi * (x + y) / 9)))
    inside = knurl & (y > TOP) & (y < BOTTOM)
    shank = (x > LEFT - 100) & (x < RIGHT + 100) & (y > TOP + SHANK) & (y < BOTTOM - SHANK)
    grey = np.where(inside, lines, np.where(shank & ~knurl, part, grey))
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8) + rng.normal(0, 1.5, grey.shape)
    return np.clip(grey, 0, 255).astype(np.uint8)


def edges(bottom: float) -> Array:
    return np.array([[[LEFT, TOP], [RIGHT, TOP]], [[LEFT, bottom], [RIGHT, bottom]]])


def test_a_shadow_taken_for_part_of_a_bright_part_is_taken_off() -> None:
    above, below = shadows_beside(bench(150, 180, 25), edges(BOTTOM + SHADOW_PX))
    assert above is None
    assert below is not None and below.sure
    assert below.line[:, 1] == pytest.approx(BOTTOM, abs=2.0)
    assert below.wide_px == pytest.approx(SHADOW_PX, abs=3.0)


def test_beside_a_part_as_dark_as_its_shadow_either_edge_may_be_right() -> None:
    _, below = shadows_beside(bench(38, 180, 27), edges(BOTTOM + SHADOW_PX))
    assert below is not None and not below.sure


@pytest.mark.parametrize(
    ("part", "light", "shadow"),
    [
        (150, 180, None),  # no shadow
        (150, 60, None),  # a bright part on a dark bench
        (150, 180, 25),  # a shadow, but the edge is the part's: nothing dark inside it
        (30, 200, None),  # a dark part on a light bench
    ],
)
def test_a_right_edge_stays(part: float, light: float, shadow: float | None) -> None:
    assert shadows_beside(bench(part, light, shadow), edges(BOTTOM)) == (None, None)
