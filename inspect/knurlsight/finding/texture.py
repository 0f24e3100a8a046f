"""Where in a photo something knurl-like may lie: compact patches of strong fine contrast.

A knurl is the only large patch on a bench whose brightness swings on every pitch, on both sides of each of its points.
The outlines of plain metal swing too, but only along a line; an erosion removes them. Rules, cards, cloth and threads
pass here and are turned down later, by what they look like once unrolled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# a patch is cut at several levels of contrast, since a half-lit knurl is joined to its surroundings at one level and
# split in two at another; standard deviation of log brightness
CONTRAST_LEVELS = (0.035, 0.06, 0.1, 0.16, 0.25)
FINE_PX = 13  # at each scale of the pyramid, contrast is what a box of this size does not follow
ERODE_PX = 9
LEAST_AREA_PX = 150
LONGEST_ASPECT = 14.0


@dataclass(frozen=True)
class Patch:
    """A rectangle of knurl-like texture, in px of the full photo.

    Attributes
    ----------
    centre : (2,) array
    side : (float, float)
        Lengths along and across `direction`.
    direction : (2,) unit array
    contrast : float
        Standard deviation of log brightness inside.
    """

    centre: Array
    side: tuple[float, float]
    direction: Array
    contrast: float

    @property
    def area(self) -> float:
        """In px²."""
        return self.side[0] * self.side[1]

    def rotated(self) -> tuple[tuple[float, float], tuple[float, float], float]:
        """As OpenCV's rotated rectangle."""
        angle = float(np.degrees(np.arctan2(self.direction[1], self.direction[0])))
        return (float(self.centre[0]), float(self.centre[1])), self.side, angle


def pyramid(grey: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], ...]:
    """The photo at full size, half, a quarter …, as long as the smaller side keeps 200 px."""
    sizes = [grey]
    while min(sizes[-1].shape) >= 400:
        h, w = sizes[-1].shape
        sizes.append(np.asarray(cv2.resize(sizes[-1], (w // 2, h // 2), interpolation=cv2.INTER_AREA), np.uint8))
    return tuple(sizes)


def fine_contrast(grey: NDArray[np.uint8], shrink: int) -> NDArray[np.float32]:
    """Local standard deviation of log brightness, at 1 / `shrink` of the photo's size."""
    h, w = grey.shape
    small = cv2.resize(grey, (w // shrink, h // shrink), interpolation=cv2.INTER_AREA) if shrink > 1 else grey
    log = np.log(np.arange(256, dtype=np.float32) + 12)[small]
    log -= cv2.blur(log, (FINE_PX, FINE_PX))
    return np.asarray(np.sqrt(cv2.blur(log * log, (ERODE_PX, ERODE_PX))), np.float32)


def overlap(a: Patch, b: Patch) -> float:
    """Shared area over joint area."""
    if math.dist(a.centre, b.centre) > (math.hypot(*a.side) + math.hypot(*b.side)) / 2:
        return 0.0
    kind, points = cv2.rotatedRectangleIntersection(a.rotated(), b.rotated())
    if kind == cv2.INTERSECT_NONE or points is None:
        return 0.0
    shared = float(cv2.contourArea(cv2.convexHull(points)))
    return shared / (a.area + b.area - shared)


def texture_patches(grey: NDArray[np.uint8]) -> tuple[Patch, ...]:
    """Candidate patches, the most promising first; those that largely coincide are merged into the fullest."""
    found: list[tuple[float, Patch]] = []
    shrinks = [s for s in (2, 4, 8) if min(grey.shape) / s >= 60] or [1]
    if max(grey.shape) <= 1400:
        shrinks = [1, *shrinks]
    for shrink in shrinks:
        contrast = cv2.erode(fine_contrast(grey, shrink), np.ones((ERODE_PX, ERODE_PX), np.uint8))
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
        core = np.asarray(cv2.morphologyEx(contrast, cv2.MORPH_OPEN, disc), np.float32)
        for level in CONTRAST_LEVELS:
            found += _at_level(core, level, shrink)
    found.sort(key=lambda item: -item[0])
    kept: list[Patch] = []
    for _, patch in found:
        if all(overlap(patch, other) < 0.6 for other in kept):
            kept.append(patch)
    return tuple(kept)


def _at_level(core: NDArray[np.float32], level: float, shrink: int) -> list[tuple[float, Patch]]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats((core > level).astype(np.uint8), connectivity=4)
    out: list[tuple[float, Patch]] = []
    for i in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[i])
        if area < LEAST_AREA_PX:
            continue
        inside = labels[y : y + h, x : x + w] == i
        contours = cv2.findContours(inside.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
        hull = cv2.convexHull(max(contours, key=len))
        (cx, cy), (a, b), angle = cv2.minAreaRect(hull)
        if min(a, b) < 6 or max(a, b) > LONGEST_ASPECT * min(a, b):
            continue
        full = area / (a * b)
        if full < 0.55:
            continue
        mean = float(core[y : y + h, x : x + w][inside].mean())
        turn = np.radians(angle)
        patch = Patch(
            centre=np.array([(cx + x + 0.5) * shrink - 0.5, (cy + y + 0.5) * shrink - 0.5]),
            side=((a + ERODE_PX - 1) * shrink, (b + ERODE_PX - 1) * shrink),
            direction=np.array([np.cos(turn), np.sin(turn)]),
            contrast=mean,
        )
        out.append((full**2 * np.sqrt(area * shrink**2) * np.sqrt(mean), patch))
    return out
