"""Pinhole camera with Brown's distortion, in OpenCV's axes: x right, y down, z forward.

Pixels: the centre of the top-left pixel is (0, 0); points are (x, y).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CONVERGED = 1e-12  # of the focal length


@dataclass(frozen=True)
class Camera:
    """A camera's inside.

    Attributes
    ----------
    focal_px : float
        Focal length in pixels of the upright photo, focusing included.
    centre_px : (float, float)
        Principal point (x, y).
    distortion : (float, float, float, float)
        k1, k2, p1, p2 of OpenCV's model; zeros when unknown.
    u_focal_rel : float
        Relative standard uncertainty of `focal_px`.
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    u_focal_rel: float = 0.05

    def rays(self, points_px: Array) -> Array:
        """Directions (n, 3) with z = 1, in camera axes, of pixels (n, 2); distortion is taken out."""
        p = np.asarray(points_px, np.float64).reshape(-1, 2)
        x, y = ((p - self.centre_px) / self.focal_px).T
        if any(self.distortion):
            k1, k2, p1, p2 = self.distortion
            xd, yd = x, y
            for _ in range(8):  # fixed point: converges for the few per cent that lenses have
                x0, y0, r2 = x, y, x * x + y * y
                radial = 1 + r2 * (k1 + r2 * k2)
                x, y = (
                    (xd - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial,
                    (yd - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial,
                )
                if np.abs(x - x0).max(initial=0) + np.abs(y - y0).max(initial=0) < CONVERGED:
                    break
        return np.column_stack([x, y, np.ones_like(x)])

    def project(self, points: Array) -> Array:
        """Pixels (n, 2) of points (n, 3) in camera axes."""
        p = np.asarray(points, np.float64)
        x, y = p[..., 0] / p[..., 2], p[..., 1] / p[..., 2]
        if any(self.distortion):
            k1, k2, p1, p2 = self.distortion
            r2 = x * x + y * y
            radial = 1 + r2 * (k1 + r2 * k2)
            x, y = (
                x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
                y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
            )
        return np.stack([x * self.focal_px + self.centre_px[0], y * self.focal_px + self.centre_px[1]], axis=-1)
