"""Where in a photo a straight comb of short parallel lines may be: candidates for a rule, at any place and direction.

The lines of a rule pull brightness up and down in turn, all in one direction, and the direction in which they follow
one another is square to them; a knurl, wood or a thread does one or the other, but not over a long narrow band.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

WINDOW_PX = 15
STEP = 2
BINS = 12  # of direction
COHERENT = 0.6
SWINGING = 0.85


@dataclass(frozen=True)
class Comb:
    """A narrow band of parallel lines.

    Attributes
    ----------
    centre_px : (2,) array
    along : (2,) unit array
        In which the lines follow one another.
    line : (2,) unit array
        Along each line.
    length_px, width_px : float
        Of the band.
    """

    centre_px: Array
    along: Array
    line: Array
    length_px: float
    width_px: float


def find_combs(grey: Grey) -> list[Comb]:
    """Candidates in a photo, longest first.

    Parameters
    ----------
    grey : (h, w) uint8 array
    """
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.7).astype(np.float32)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)

    def mean(a: cv2.typing.MatLike) -> NDArray[np.float32]:
        # smooth over the window, so every second pixel says all
        return np.ascontiguousarray(cv2.boxFilter(a, -1, (WINDOW_PX, WINDOW_PX))[::STEP, ::STEP], np.float32)

    jxx, jxy, jyy, mx, my = mean(gx * gx), mean(gx * gy), mean(gy * gy), mean(gx), mean(gy)
    power = jxx + jyy + 1e-6
    difference, twice = jxx - jyy, 2 * jxy
    strong = power > max(0.3, 1.5 * float(np.percentile(power[::2, ::2], 30)))
    lines = strong & (difference**2 + twice**2 > (COHERENT * power) ** 2) & (mx * mx + my * my < (1 - SWINGING) * power)
    angle = np.asarray(cv2.phase(difference, twice), np.float32) / 2  # of the gradient, 0 to π
    # whole degrees plus one, 0 where there are no lines: a table look-up then picks a direction
    degree = np.where(lines, np.minimum(np.rad2deg(angle), 179) + 1, 0).astype(np.uint8)
    if not lines.any():
        return []
    found = []
    for b in range(BINS):
        off = np.abs((np.arange(180) - b * 180 / BINS + 90) % 180 - 90)
        table = np.zeros(256, np.uint8)
        table[1:181] = off < 10
        mask = cv2.LUT(degree, table)
        if cv2.countNonZero(mask) * STEP**2 < 600:
            continue
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)), np.uint8)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
        for k in range(1, count):
            x, y, w, h, area = (int(v) for v in stats[k])
            if area * STEP**2 < 600 or max(w, h) * STEP < 0.05 * max(grey.shape):
                continue
            rows, columns = np.nonzero(labels[y : y + h, x : x + w] == k)
            comb = _comb(
                STEP * np.column_stack([columns + x, rows + y]).astype(float),
                angle[rows + y, columns + x].astype(float),
            )
            if comb.length_px > 0.08 * max(grey.shape) and comb.length_px > 3 * comb.width_px:
                found.append(comb)
    return sorted((c for c in found if abs(c.along @ c.line) < np.sin(np.deg2rad(15))), key=lambda c: -c.length_px)


def _comb(points: Array, angle: Array) -> Comb:
    centre = points.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov((points - centre).T))
    length, width = np.sqrt(12 * np.maximum(values[::-1], 0))
    across = float(np.angle(np.mean(np.exp(2j * angle))) / 2)
    line = np.array([-np.sin(across), np.cos(across)])
    return Comb(centre, vectors[:, 1], line, float(length), float(width))
