"""The printed card, against views of it made with a known homography."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from photoscale.card import card_board, find_card
from photoscale.errors import ScaleNotFound
from photoscale.words import parse_scale

WORD = parse_scale("card:9.87mm")
PX_PER_MM = 30  # of the drawing that is warped
SIZE = (1200, 900)


def drawing(board: object | None = None) -> np.ndarray:
    """Card with a white margin of 5 mm; board corner at 5 mm."""
    board = board or card_board(10.0)
    return np.asarray(board.generateImage((80 * PX_PER_MM, 50 * PX_PER_MM)))


def view(quad: list[list[float]]) -> np.ndarray:
    """Homography (3, 3) from board mm, x to the right and y down, to photo px."""
    mm = np.array([[0, 0], [80, 0], [80, 50], [0, 50]], np.float32)
    return cv2.getPerspectiveTransform(mm, np.array(quad, np.float32))


def photo(h: np.ndarray, image: np.ndarray, onto: np.ndarray | None = None) -> np.ndarray:
    """The drawing seen through `h`; two-fold oversampled, then averaged: no half-pixel shift is left."""
    n = PX_PER_MM
    mm_from_drawing = np.array([[1 / n, 0, 0.5 / n], [0, 1 / n, 0.5 / n], [0, 0, 1]])
    big = np.array([[4, 0, 1.5], [0, 4, 1.5], [0, 0, 1.0]])
    m = big @ h @ mm_from_drawing
    w, k = SIZE
    paper = np.full((4 * k, 4 * w), 110, np.uint8) if onto is None else cv2.resize(onto, None, fx=4, fy=4)
    cv2.warpPerspective(image, m, (4 * w, 4 * k), paper, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_TRANSPARENT)
    out = cv2.resize(paper, SIZE, interpolation=cv2.INTER_AREA).astype(float)
    out = cv2.GaussianBlur(out, None, 0.8) + np.random.default_rng(3).normal(0, 2, out.shape)
    return np.clip(out, 0, 255).astype(np.uint8)


STRAIGHT = [[150, 120], [900, 140], [890, 610], [140, 590]]
STEEP = [[300, 150], [850, 190], [1050, 700], [120, 640]]


@pytest.mark.parametrize("quad", [STRAIGHT, STEEP, STEEP[2:] + STEEP[:2]])
def test_corners_lie_where_the_homography_puts_them(quad: list[list[float]]) -> None:
    h = view(quad)
    reading = find_card(photo(h, drawing()), WORD)
    assert len(reading.points_px) == 28
    # OpenCV's board has its origin at the outer corner of the board, y down
    true = cv2.perspectiveTransform((reading.points_mm / 0.987).reshape(-1, 1, 2), h).reshape(-1, 2)
    off = reading.points_px - true
    assert np.abs(off.mean(axis=0)).max() < 0.03
    assert off.std() < 0.08
    assert reading.residual_px < 0.1
    assert (reading.square_mm, reading.u_square_mm) == (9.87, 0.03)


def test_part_of_a_card_is_enough() -> None:
    image = photo(view(STRAIGHT), drawing())
    image[:, 620:] = 60
    reading = find_card(image, WORD)
    assert 10 <= len(reading.points_px) < 28
    assert "of 28 corners" in " ".join(reading.notes)


def test_an_unmeasured_print_is_doubted() -> None:
    reading = find_card(photo(view(STRAIGHT), drawing()), parse_scale("card"))
    assert reading.u_square_mm == pytest.approx(0.1)
    assert "caliper" in " ".join(reading.notes)


def refused(image: np.ndarray, *words: str) -> None:
    with pytest.raises(ScaleNotFound) as info:
        find_card(image, WORD)
    assert info.value.hint
    for word in words:
        assert word in str(info.value)


def test_no_card() -> None:
    refused(np.random.default_rng(0).integers(0, 255, (900, 1200), np.uint8), "no card")


def test_mirrored_card() -> None:
    refused(photo(view(STRAIGHT), np.ascontiguousarray(drawing()[:, ::-1])), "mirrored")


def test_another_dictionary() -> None:
    other = cv2.aruco.CharucoBoard((8, 5), 10.0, 7.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_50))
    refused(photo(view(STRAIGHT), drawing(other)), "not this tool's card")


def test_two_cards() -> None:
    first = photo(view([[50, 50], [600, 60], [590, 400], [45, 390]]), drawing())
    refused(photo(view([[500, 480], [1150, 500], [1140, 880], [490, 870]]), drawing(), first), "more than one card")


def test_nearly_hidden_card() -> None:
    image = photo(view(STRAIGHT), drawing())
    image[:, 400:] = 60
    image[380:] = 60
    refused(image, "corners of the card")


def behind_glass(image: np.ndarray, x: float, width: float) -> np.ndarray:
    """A soft-edged reflection, upright, burnt out in its middle."""
    veil = 400 * np.exp(-(((np.arange(image.shape[1]) - x) / width) ** 2))
    return np.clip(image + veil, 0, 255).astype(np.uint8)


def test_glare_over_a_part_of_the_card() -> None:
    h = view(STRAIGHT)
    reading = find_card(behind_glass(photo(h, drawing()), 520, 90), WORD)
    assert 6 <= len(reading.points_px) < 28
    assert "of 28 corners" in " ".join(reading.notes)
    true = cv2.perspectiveTransform((reading.points_mm / 0.987).reshape(-1, 1, 2), h).reshape(-1, 2)
    assert np.abs(reading.points_px - true).max() < 0.5  # a veil that is not even pulls corners a little


def test_glare_over_nearly_all_of_the_card() -> None:
    refused(behind_glass(photo(view(STRAIGHT), drawing()), 520, 420), "card")


def test_curled_card() -> None:
    flat = photo(view(STRAIGHT), drawing())
    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(np.float32)
    curled = cv2.remap(flat, x, (y + 25 * np.sin(x / 700 * np.pi)).astype(np.float32), cv2.INTER_LINEAR)
    refused(curled, "flat")
