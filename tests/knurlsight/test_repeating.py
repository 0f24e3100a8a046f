"""Patches of even lines: where they lie, which way their axis runs, and what is none."""

import numpy as np
import pytest
from knurlsight.finding.repeating import repeating_patches

RNG = np.random.default_rng(1)


def lines(pitch_px, degrees, shape=(300, 360)):
    """Waves whose crests lie `pitch_px` apart, going up towards `degrees`."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    turn = np.radians(degrees)
    return np.cos(2 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / pitch_px)


def photo(*patches):
    """A grey, slightly noisy bench with patches (top, left, waves) on it."""
    grey = 90 + RNG.normal(0, 2, (800, 1000))
    for top, left, waves in patches:
        h, w = waves.shape
        grey[top : top + h, left : left + w] += 50 + 15 * waves
    return np.clip(grey, 0, 255).astype(np.uint8)


def near(patch, top, left, shape=(300, 360)):
    middle = np.array([left + shape[1] / 2, top + shape[0] / 2])
    return np.hypot(*(patch.centre - middle)) < 25


@pytest.mark.parametrize("pitch_px", [7, 12, 25])
@pytest.mark.parametrize("lean_deg", [30, 45])
@pytest.mark.parametrize("axis_deg", [0, 20, 71])
def test_a_diamond_tells_its_axis(pitch_px, lean_deg, axis_deg):
    crossed = sum(lines(pitch_px, axis_deg + side * (90 - lean_deg)) for side in (1, -1))
    found = [p for p in repeating_patches(photo((200, 300, crossed))) if near(p, 200, 300)]
    assert found
    directions = [np.degrees(np.arctan2(*p.direction[::-1])) for p in found]
    assert min(abs((d - axis_deg + 45) % 90 - 45) for d in directions) < 5  # edges are looked for within 7°


def test_two_that_touch_are_two():
    """Two straight knurls that touch, one askew; the same lines all over would be one."""
    left, right = lines(12, 90), lines(12, 60)
    grey = photo((200, 120, left), (200, 480, right))
    found = repeating_patches(grey)
    assert any(near(p, 200, 120) for p in found) and any(near(p, 200, 480) for p in found)


def test_noise_an_edge_and_a_shadow_are_none():
    assert repeating_patches(photo()) == ()
    edge, shadow = photo(), photo()
    edge[:, 500:] += 80
    shadow[:, 300:] = (shadow[:, 300:] * np.linspace(1, 0.3, 700)).astype(np.uint8)
    assert repeating_patches(edge) == () and repeating_patches(shadow) == ()


def test_small_and_even_photos():
    assert repeating_patches(np.full((40, 400), 128, np.uint8)) == ()
    assert repeating_patches(np.full((400, 500), 128, np.uint8)) == ()
