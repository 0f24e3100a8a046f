"""The paper of an ink print as a flat picture in mm: photo, scale and the height of the scale over the paper."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.card import CardReading
from photoscale.photo import Photo, camera_from_exif
from photoscale.quantity import Quantity
from photoscale.reading import PlainReading, Reading, RuleReading

from knurlsight.errors import PlanError

Array = NDArray[np.float64]

#: Height of the face of a rule or card that lies on the paper, mm with standard uncertainty.
RULE_HEIGHT = Quantity(0.8, 0.3, "mm")
CARD_HEIGHT = Quantity(0.3, 0.2, "mm")
#: Distance of the camera when the photo does not tell, mm: what people use for such a print.
GUESSED_DISTANCE = Quantity(280.0, 90.0, "mm")
#: A rule shows tilt along itself only; across it a photo taken by eye from straight above is square to this, rad.
U_TILT = math.radians(2.5)
#: Furthest from the scale that is looked at, mm.
REACH_MM = 260.0
#: How far a scale goes on beyond the outline of what was read of it: a card has a square and a white rim there.
CARD_MARGIN_MM = 17.0
RULE_MARGIN_MM = 0.5
MOST_PX_PER_MM = 24.0
MOST_PIXELS = 40_000_000


@dataclass(frozen=True)
class PaperScale:
    """How the paper lies in the photo.

    Attributes
    ----------
    mm_from_px : (3, 3) array
        Homography from photo pixels to mm on the paper.
    u_relative : float
        Standard uncertainty of every length on the paper, as a share.
    scale_px : (k, 2) array
        Outline of the scale in the photo, kept out of the search; empty without one.
    is_rule : bool
        Whether the scale goes on beyond what was read of it.
    budget : tuple of (str, float)
        What the uncertainty is made of, shares.
    u_shape : float
        Standard uncertainty of the scale one way over that the other way; it turns slanting lines.
    """

    mm_from_px: Array
    u_relative: float
    scale_px: Array
    is_rule: bool
    budget: tuple[tuple[str, float], ...]
    u_shape: float


def paper_scale(photo: Photo, reading: Reading, height: Quantity | None = None) -> PaperScale:
    """The paper's scale from a scale that lies on it.

    Parameters
    ----------
    photo : Photo
    reading : Reading
        Of a card, a rule, or plain mm per pixel.
    height : Quantity, optional
        Of the scale's face over the paper, mm; 0 for a card printed on the same sheet. By default that of a card or
        rule laid on it.

    Raises
    ------
    PlanError
        For a scale that cannot give the scale of flat paper.

    Notes
    -----
    What lies h lower than the scale is seen smaller by h / D, D being the camera's distance: lengths on the paper are
    multiplied by 1 + h / D.
    """
    if isinstance(reading, CardReading):
        flat, _ = cv2.findHomography(reading.points_px, reading.points_mm)
        if flat is None:
            raise PlanError("the card's corners do not fix the paper", hint="show the whole card, flat")
        parts = [
            ("size of the card's square", reading.u_square_mm / reading.square_mm),
            ("corners of the card", reading.u_points_px / _span_px(reading.points_px) * 2.0),
        ]
        return _lowered(photo, np.asarray(flat, np.float64), parts, height or CARD_HEIGHT, reading.outline_px, None)
    if isinstance(reading, RuleReading):
        flat = _plane_of_rule(reading)
        away = _span_px(reading.points_px) / max(photo.width_px, photo.height_px)
        tilt = U_TILT * 0.5 * max(0.1, 1.0 - away)
        parts = [
            ("lines of the rule", reading.u_points_px / _span_px(reading.points_px) * 2.0),
            ("tilt that a rule does not show", tilt),
        ]
        return _lowered(photo, flat, parts, height or RULE_HEIGHT, reading.outline_px, tilt)
    if isinstance(reading, PlainReading):
        s = reading.mm_per_px.value
        if reading.mm_per_px.u == 0:
            raise PlanError(
                "the scale in mm/px has no uncertainty, so nothing could be said of the pitch",
                hint="--scale 0.0512+-0.0001mm/px",
            )
        share = reading.mm_per_px.u / s
        return PaperScale(
            np.diag([s, s, 1.0]), share, np.empty((0, 2)), False, (("mm per px as stated", share),), U_TILT**2
        )
    raise PlanError(
        "a print on paper is scaled by a card, a rule or mm/px, not by a pin or a diameter", hint="--scale card"
    )


def _span_px(points: Array) -> float:
    return max(1.0, float(np.linalg.norm(points.max(axis=0) - points.min(axis=0))))


def _plane_of_rule(reading: RuleReading) -> Array:
    """mm from px: square-on across the rule, in the perspective that the rule shows along itself."""
    chosen = reading.edge == np.bincount(reading.edge).argmax()
    edge, along = reading.points_px[chosen], reading.along_mm[chosen]
    middle = edge.mean(axis=0)
    direction = np.linalg.svd(edge - middle)[2][0]
    s = (edge - middle) @ direction
    if np.polyfit(s, along, 1)[0] < 0:
        direction, s = -direction, -s
    # mm = (a s + b) / (c s + 1), linear in a, b, c.
    design = np.column_stack([s, np.ones_like(s), -s * along])
    a, b, c = (float(x) for x in np.linalg.lstsq(design, along, rcond=None)[0])
    if len(s) < 12 or np.ptp(s) * abs(c) > 0.3:
        a, b = (float(x) for x in np.polyfit(s, along, 1))
        c = 0.0
    # In the rule's frame: (s, t) to mm; across the rule the scale is that of its middle.
    scale = a - b * c
    to_mm = np.array([[a, 0.0, b], [0.0, scale, 0.0], [c, 0.0, 1.0]])
    across = np.array([-direction[1], direction[0]])
    frame = np.array([[*direction, -direction @ middle], [*across, -across @ middle], [0.0, 0.0, 1.0]])
    return np.asarray(to_mm @ frame)


def _lowered(
    photo: Photo, flat: Array, parts: list[tuple[str, float]], height: Quantity, outline: Array, tilt: float | None
) -> PaperScale:
    distance = _distance_mm(photo, flat)
    grown = 1.0 + height.value / distance.value
    share = math.hypot(height.u / distance.value, height.value * distance.u / distance.value**2)
    budget = (*parts, ("height of the scale over the paper", share))
    total = math.sqrt(sum(u * u for _, u in budget))
    shape = 1.5 * tilt if tilt is not None else 2.0 * parts[1][1]
    return PaperScale(np.diag([grown, grown, 1.0]) @ flat, total, outline, tilt is not None, budget, shape)


def _distance_mm(photo: Photo, flat: Array) -> Quantity:
    """Distance of the camera from the paper: focal length over px per mm, in the middle of the photo."""
    camera = camera_from_exif(photo)
    middle = np.array([photo.width_px / 2.0, photo.height_px / 2.0])
    around = middle + np.array([[0.0, 0.0], [40.0, 0.0], [0.0, 40.0]])
    mm = cv2.perspectiveTransform(around.reshape(-1, 1, 2), flat).reshape(-1, 2)
    area = abs(float(np.linalg.det(mm[1:] - mm[0]))) / 1600.0
    distance = float(camera.focal_px) * math.sqrt(area)
    if photo.focal_length_35mm is None or not 60.0 < distance < 2000.0:
        return GUESSED_DISTANCE
    return Quantity(distance, 0.1 * distance, "mm")


@dataclass(frozen=True)
class FlatPaper:
    """The paper as seen from straight above.

    Attributes
    ----------
    ink : (h, w) float32 array
        0 paper, towards 1 dark ink; the paper's own brightness is divided out.
    usable : (h, w) bool array
        False where the scale lies or the photo does not reach.
    mm_per_px : float
    """

    ink: NDArray[np.float32]
    usable: NDArray[np.bool_]
    mm_per_px: float


def flatten(photo: Photo, scale: PaperScale) -> FlatPaper:
    """Look at the paper from straight above, at about the resolution of the photo."""
    h, w = photo.height_px, photo.width_px
    centre = scale.scale_px.mean(axis=0) if len(scale.scale_px) else np.array([w / 2.0, h / 2.0])
    frame = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], np.float64)
    near = centre + np.array([[0.0, 0.0], [20.0, 0.0], [0.0, 20.0]])
    corners = np.vstack([frame, near])
    mm = cv2.perspectiveTransform(corners.reshape(-1, 1, 2), scale.mm_from_px).reshape(-1, 2)
    px_per_mm = 20.0 / math.sqrt(abs(float(np.linalg.det(mm[5:7] - mm[4]))))
    px_per_mm = min(px_per_mm, MOST_PX_PER_MM)
    low = np.maximum(mm[:4].min(axis=0), mm[4] - REACH_MM)
    high = np.minimum(mm[:4].max(axis=0), mm[4] + REACH_MM)
    size = high - low
    px_per_mm = min(px_per_mm, math.sqrt(MOST_PIXELS / float(size[0] * size[1])))
    columns, rows = (max(32, int(s * px_per_mm)) for s in size)
    to_flat = (
        np.array([[px_per_mm, 0, -low[0] * px_per_mm], [0, px_per_mm, -low[1] * px_per_mm], [0, 0, 1]])
        @ scale.mm_from_px
    )
    grey = cv2.warpPerspective(photo.grey, to_flat, (columns, rows), flags=cv2.INTER_LINEAR)
    inside = cv2.warpPerspective(np.full((h, w), 255, np.uint8), to_flat, (columns, rows), flags=cv2.INTER_NEAREST)
    usable = cv2.erode(inside, np.ones((5, 5), np.uint8)) > 0
    if len(scale.scale_px):
        usable &= ~_scale_mask(scale, to_flat, (rows, columns), px_per_mm)
    # The paper's brightness: the upper part of what is around, on a picture small enough for a large window.
    small = cv2.resize(grey, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    reach = max(3, int(4.0 * px_per_mm / 8.0) | 1)
    paper = cv2.GaussianBlur(cv2.dilate(small, np.ones((reach, reach), np.uint8)), (0, 0), reach)
    bright = np.asarray(cv2.resize(paper, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)
    dark = np.clip(1.0 - grey.astype(np.float32) / np.maximum(bright, np.float32(1.0)), 0.0, 1.0)
    ink = np.asarray(dark, np.float32)
    ink[~usable] = 0.0
    return FlatPaper(ink, usable, 1.0 / px_per_mm)


def _scale_mask(scale: PaperScale, to_flat: Array, shape: tuple[int, int], px_per_mm: float) -> NDArray[np.bool_]:
    """Where the scale lies: its outline grown by its margin; a rule is taken to go on to both sides."""
    seen = cv2.perspectiveTransform(scale.scale_px.reshape(-1, 1, 2).astype(np.float64), to_flat)
    outline = np.asarray(seen, np.float32)
    if scale.is_rule:
        (cx, cy), (a, b), angle = cv2.minAreaRect(outline)
        long, short = max(a, b) + 600.0 * px_per_mm, min(a, b) + 12.0 * px_per_mm
        grown = (long, short) if a >= b else (short, long)
        outline = np.asarray(cv2.boxPoints(((cx, cy), grown, angle)), np.float32).reshape(-1, 1, 2)
    mask = np.zeros(shape, np.uint8)
    hull = np.rint(cv2.convexHull(outline)).astype(np.int32)
    cv2.fillConvexPoly(mask, hull, 255)
    # A thick outline is a cheap way to grow a polygon.
    margin = max(1, round(2.0 * (RULE_MARGIN_MM if scale.is_rule else CARD_MARGIN_MM) * px_per_mm))
    cv2.polylines(mask, [hull], True, 255, margin)
    return np.asarray(mask > 0)
