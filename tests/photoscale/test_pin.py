"""A ground pin, drawn with a known rim."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from photoscale.errors import ScaleNotFound
from photoscale.pin import find_pin
from photoscale.words import PinWord, parse_scale

WORD = parse_scale("pin:6mm")
assert isinstance(WORD, PinWord)
START, ALONG_DEG, LENGTH, RADIUS = np.array([300.0, 420.0]), 14.0, 640.0, 48.0


def frame() -> tuple[np.ndarray, np.ndarray]:
    a = np.deg2rad(ALONG_DEG)
    return np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])


def pin(bench: float = 110.0, noise: float = 2.0, shadow: float = 0.0, stripes: int = 5) -> np.ndarray:
    """A polished cylinder with stripes of reflected light along it, averaged from four-fold oversampling.

    Its shadow, soft at the far side, is so many radii wide and takes two thirds of the light.
    """
    k = 4
    y, x = (np.mgrid[: 900 * k, : 1200 * k].astype(np.float32) + 0.5) / k - 0.5
    along, across = frame()
    i = (x - START[0]) * along[0] + (y - START[1]) * along[1]
    j = ((x - START[0]) * across[0] + (y - START[1]) * across[1]) / RADIUS
    inside = (np.abs(j) < 1) & (i > 0) & (i < LENGTH)
    tone = 120 + 70 * np.sin(stripes * np.arcsin(np.clip(j, -1, 1))) + 30 * j
    dark = ((j > 1) & (j < 1 + shadow) & (i > 0) & (i < LENGTH)).astype(np.float32)
    ground = bench * (1 - 0.67 * cv2.GaussianBlur(dark, (0, 0), 5.0 * k))
    image = np.where(inside, tone, ground).astype(np.float32)
    out = cv2.GaussianBlur(cv2.resize(image, (1200, 900), interpolation=cv2.INTER_AREA), (0, 0), 1.2)
    return np.clip(out + np.random.default_rng(2).normal(0, noise, out.shape), 0, 255).astype(np.uint8)


def test_both_rims_within_their_uncertainty() -> None:
    reading = find_pin(pin(), WORD)
    assert offsets(pin()) == pytest.approx([-RADIUS, RADIUS], abs=2 * reading.u_px)
    assert reading.diameter == WORD.diameter


def polished(mirror: float) -> np.ndarray:
    """A pin that mirrors so much of a bench of 110 beyond 45 degrees, a bright room within."""
    k = 4
    y, x = (np.mgrid[: 900 * k, : 1200 * k].astype(np.float32) + 0.5) / k - 0.5
    along, across = frame()
    i = (x - START[0]) * along[0] + (y - START[1]) * along[1]
    j = ((x - START[0]) * across[0] + (y - START[1]) * across[1]) / RADIUS
    room = 150 + 70 * np.exp(-(((j - 0.2) / 0.15) ** 2))
    tone = np.where(np.abs(j) < np.sqrt(0.5), room, 110 * mirror)
    image = np.where((np.abs(j) < 1) & (i > 0) & (i < LENGTH), tone, 110).astype(np.float32)
    out = cv2.GaussianBlur(cv2.resize(image, (1200, 900), interpolation=cv2.INTER_AREA), (0, 0), 1.2)
    return np.clip(out + np.random.default_rng(3).normal(0, 2, out.shape), 0, 255).astype(np.uint8)


def offsets(image: np.ndarray) -> list[float]:
    reading = find_pin(image, WORD)
    _, across = frame()
    return sorted(float(np.mean((edge - START) @ across)) for edge in (reading.edge_a, reading.edge_b))


def test_the_mirror_image_of_the_bench_is_not_taken_for_the_bench() -> None:
    assert offsets(polished(0.8)) == pytest.approx([-RADIUS, RADIUS], abs=1.6)


def test_glare_that_breaks_the_highlights_does_not_shorten_the_pin() -> None:
    along, _ = frame()
    image = polished(0.8)
    x, y = (START + 0.45 * LENGTH * along).astype(int)
    cv2.circle(image, (int(x), int(y)), 40, 255, -1)
    reading = find_pin(image, WORD)
    assert np.linalg.norm(reading.edge_a[1] - reading.edge_a[0]) == pytest.approx(LENGTH, abs=12)
    assert offsets(image) == pytest.approx([-RADIUS, RADIUS], abs=1.6)


def test_a_pin_of_few_pixels_is_no_scale() -> None:
    small = cv2.resize(pin(), None, fx=0.36, fy=0.36, interpolation=cv2.INTER_AREA)
    with pytest.raises(ScaleNotFound, match="px thick"):
        find_pin(small, WORD)


def test_no_pin() -> None:
    with pytest.raises(ScaleNotFound, match="no pin"):
        find_pin(np.full((900, 1200), 110, np.uint8), WORD)


def test_a_pin_inside_an_outline_to_avoid_is_the_part() -> None:
    everything = np.array([[0, 0], [1200, 0], [1200, 900], [0, 900]], float)
    with pytest.raises(ScaleNotFound, match="no pin"):
        find_pin(pin(), WORD, [everything])


def test_a_pin_cut_off_by_the_frame_is_refused() -> None:
    with pytest.raises(ScaleNotFound):
        find_pin(np.ascontiguousarray(pin()[:, 450:700]), WORD)


@pytest.mark.parametrize(("bench", "shadow"), [(80.0, 0.6), (95.0, 0.3), (140.0, 0.6), (160.0, 0.3)])
def test_the_edge_of_a_shadow_is_never_taken_for_a_rim(bench: float, shadow: float) -> None:
    image = pin(bench, shadow=shadow)
    try:
        reading = find_pin(image, WORD)
    except ScaleNotFound as e:
        assert "rim" in str(e)
    else:  # the rim beside it is seen
        assert offsets(image) == pytest.approx([-RADIUS, RADIUS], abs=2 * reading.u_px)


def test_a_rim_as_bright_as_the_bench_is_refused() -> None:
    # of nine stripes the outermost two lie in the last tenth of the width, and one crosses the bench's own grey
    with pytest.raises(ScaleNotFound, match="rim"):
        find_pin(pin(stripes=9), WORD)
