"""The printed card: a ChArUco board of 8 x 5 squares of 10 mm with 7 mm markers of the dictionary DICT_4X4_50.

Found at half size, its corners refined at full size. What looks like a card but must not be trusted (mirrored, another
dictionary, two at once, curled) is refused with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.errors import ScaleNotFound
from photoscale.words import NOMINAL_SQUARE_MM, CardWord

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

SQUARES = (8, 5)
MARKER_TO_SQUARE = 0.7
MIN_CORNERS = 6
# corners are good to a few hundredths of a pixel; lens distortion and paper that is not flat show as more
U_CORNER_PX = 0.04
CURLED_REL = 0.02  # residual over square size


@dataclass(frozen=True)
class CardReading:
    """The card's corners.

    Attributes
    ----------
    points_px : (n, 2) array
        Corners in the photo.
    points_mm : (n, 2) array
        The same on the card, with the square as given by the user.
    square_mm, u_square_mm : float
        As used, and its standard uncertainty.
    residual_px : float
        RMS of the corners about the best plane view of a flat card.
    notes : tuple of str
    """

    points_px: Array
    points_mm: Array
    square_mm: float
    u_square_mm: float
    residual_px: float
    notes: tuple[str, ...] = ()

    @property
    def u_points_px(self) -> float:
        """Standard uncertainty of one corner coordinate, as seen on this card."""
        return max(U_CORNER_PX, self.residual_px)

    @property
    def outline_px(self) -> Array:
        """Hull (k, 2) of the corners found, for drawing."""
        return np.asarray(cv2.convexHull(self.points_px.astype(np.float32)), np.float64).reshape(-1, 2)


def card_board(square_mm: float = NOMINAL_SQUARE_MM) -> cv2.aruco.CharucoBoard:
    """The board as OpenCV knows it."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return cv2.aruco.CharucoBoard(SQUARES, square_mm, MARKER_TO_SQUARE * square_mm, dictionary)


def find_card(grey: Grey, word: CardWord) -> CardReading:
    """Find the card anywhere in a photo.

    Parameters
    ----------
    grey : (h, w) uint8 array
    word : CardWord
        What is known of its squares.

    Raises
    ------
    ScaleNotFound
        No card, or one that must not be trusted; the message says which and what to do.
    """
    ids, corners = _detect(grey)
    if len(ids) < MIN_CORNERS:
        raise _why_not(grey, len(ids))
    board_mm = np.asarray(card_board(word.square_mm).getChessboardCorners(), np.float64)[:, :2]
    points_mm = board_mm[ids]
    corners, residual, keep = _refine(grey, corners, points_mm)
    if keep.sum() < MIN_CORNERS:
        raise ScaleNotFound("the card's corners do not lie on one plane", "press the card flat and shoot again")
    corners, points_mm = corners[keep], points_mm[keep]
    square_px = float(np.median(_squares_px(corners, points_mm)))
    if residual > CURLED_REL * square_px:
        raise ScaleNotFound(
            f"the card is not flat: its corners are {residual:.1f} px off a plane",
            "glue it to a plate or press it flat",
        )
    notes = []
    if residual > 0.005 * square_px:
        notes.append(f"the card's corners are {residual:.2f} px off a plane: curled paper or lens distortion")
    if not word.measured:
        notes.append("the card's print was not measured: give the square found with a caliper, card:9.87mm")
    if keep.size < 28:
        notes.append(f"{int(keep.sum())} of 28 corners of the card are seen")
    return CardReading(corners, points_mm, word.square_mm, word.u_square_mm, residual, tuple(notes))


def _detect(grey: Grey) -> tuple[NDArray[np.int64], Array]:
    """Ids (n,) and rough positions (n, 2) of the corners, in full-size pixels."""
    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    best: tuple[NDArray[np.int64], Array] = (np.empty(0, np.int64), np.empty((0, 2)))
    for image, factor in ((np.asarray(half, np.uint8), 2.0), (grey, 1.0)):
        found, ids, _, markers = cv2.aruco.CharucoDetector(card_board()).detectBoard(image)[:4]
        _refuse_two_cards(markers)
        flat = np.asarray([] if ids is None else ids, np.int64).reshape(-1)
        points = (np.asarray([] if ids is None else found, np.float64).reshape(-1, 2) + 0.5) * factor - 0.5
        if len(flat) > len(best[0]):
            best = flat, points
        if len(flat) >= 20:
            break
    return best


def _refuse_two_cards(markers: object) -> None:
    """Refuse where the same markers are seen more than once."""
    seen = np.asarray([] if markers is None else markers, np.int64).reshape(-1)
    if len(seen) - len(set(seen.tolist())) >= 3:
        raise ScaleNotFound("more than one card is in the photo", "leave one card in the frame")


def _refine(grey: Grey, corners: Array, points_mm: Array) -> tuple[Array, float, NDArray[np.bool_]]:
    """Sub-pixel corners, their RMS about a plane view, and which of them fit it."""
    squares = _squares_px(corners, points_mm)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 0.002)
    h, w = grey.shape
    refined = corners.copy()
    inside = np.zeros(len(corners), bool)
    for i, (corner, square) in enumerate(zip(corners, squares, strict=True)):
        # the window stays clear of the markers, which begin 0.15 of a square away from the corner
        half = int(np.clip(0.14 * square, 2, 20))
        inside[i] = bool(np.all((corner > half + 1) & (corner < np.array([w, h]) - half - 2)))
        if inside[i]:
            start = corner.astype(np.float32).reshape(1, 1, 2)
            refined[i] = np.asarray(cv2.cornerSubPix(grey, start, (half, half), (-1, -1), stop)).reshape(2)
    # a corner that ran away found something else
    keep = inside & (np.linalg.norm(refined - corners, axis=1) < np.maximum(2.0, 0.1 * squares))
    residual = np.inf
    for _ in range(3):
        if keep.sum() < 5:
            return refined, np.inf, keep
        view, _mask = cv2.findHomography(points_mm[keep], refined[keep], 0)
        if view is None:
            return refined, np.inf, np.zeros_like(keep)
        seen = cv2.perspectiveTransform(points_mm.reshape(-1, 1, 2), view).reshape(-1, 2)
        off = np.linalg.norm(seen - refined, axis=1)
        spread = 1.4826 * float(np.median(off[keep]))
        better = keep & (off < max(0.3, 4 * spread))
        residual = float(np.sqrt(np.mean(off[better] ** 2) / 2)) if better.any() else np.inf
        if (better == keep).all():
            break
        keep = better
    return refined, residual, keep


def _squares_px(corners: Array, points_mm: Array) -> Array:
    """Shorter side of the square about each corner, px (n,), from the other corners' view."""
    square = float(np.diff(np.unique(np.round(points_mm[:, 0], 6))).min(initial=np.inf))
    square = min(square, float(np.diff(np.unique(np.round(points_mm[:, 1], 6))).min(initial=np.inf)))
    view, _ = cv2.findHomography(points_mm, corners, cv2.LMEDS)
    if view is None or not np.isfinite(square):
        return np.full(len(corners), 10.0)
    steps = np.array([[0, 0], [square, 0], [0, square]])
    seen = cv2.perspectiveTransform((points_mm[:, None] + steps).reshape(-1, 1, 2), view).reshape(-1, 3, 2)
    sides = np.linalg.norm(seen[:, 1:] - seen[:, :1], axis=2)
    return np.asarray(sides.min(axis=1), np.float64)


def _why_not(grey: Grey, corners: int) -> ScaleNotFound:
    if corners:
        return ScaleNotFound(
            f"only {corners} corners of the card can be seen, {MIN_CORNERS} are needed",
            "show more of the card, without glare",
        )
    half = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    if _markers(np.ascontiguousarray(half[:, ::-1]), cv2.aruco.DICT_4X4_50) >= 4:
        return ScaleNotFound("the card is mirrored", "print it again without mirroring")
    for other in (cv2.aruco.DICT_5X5_50, cv2.aruco.DICT_6X6_50, cv2.aruco.DICT_ARUCO_ORIGINAL):
        if _markers(half, other) >= 4:
            return ScaleNotFound(
                "a marker board is in the photo, but not this tool's card", "print the card with: card"
            )
    return ScaleNotFound(
        "no card is in the photo, or it is too small, blurred or hidden", "show the whole card in focus"
    )


def _markers(image: Grey, dictionary: int) -> int:
    ids = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(dictionary)).detectMarkers(image)[1]
    return 0 if ids is None else len(ids)
