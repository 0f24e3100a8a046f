"""The knurled surface rolled out flat: brightness on a regular grid of angle and height."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

from knurlsight.model import Surface

Array = NDArray[np.float64]


def unroll(
    grey: NDArray[np.uint8],
    camera: Camera,
    cylinder: Cylinder,
    zone_z: tuple[float, float],
    arc_deg: float,
    rows: int,
    columns: int,
    *,
    radius: float = 1.0,
) -> Surface:
    """Roll out the zone between ±`arc_deg` (at most the limb) on the cylinder of `radius` (in radii of the crest).

    Returns a `Surface` of (rows, columns): θ rising along the rows, z along the columns; `valid` marks what lies in
    the frame.
    """
    arc = min(np.radians(arc_deg), 0.98 * cylinder.limb_rad)
    theta = np.linspace(-arc, arc, rows)
    z = np.linspace(zone_z[0], zone_z[1], columns)
    return roll_out(grey, camera, cylinder, theta, z, radius)


def roll_out(
    grey: NDArray[np.uint8], camera: Camera, cylinder: Cylinder, theta: Array, z: Array, radius: float = 1.0
) -> Surface:
    """Brightness at every pair of `theta` (rows, rad) and `z` (columns, radii)."""
    # the map is smooth: 3-D points on a coarse grid, the rest by interpolation (an error under 0.02 px)
    coarse_theta = np.linspace(theta[0], theta[-1], min(len(theta), 49))
    coarse_z = np.linspace(z[0], z[-1], min(len(z), 9))
    tt, zz = np.meshgrid(coarse_theta, coarse_z, indexing="ij")
    points = camera.project(cylinder.points(tt, zz, np.full(tt.shape, radius * cylinder.radius)))
    grid = np.empty((len(theta), len(z), 2), np.float32)
    for axis in (0, 1):
        along_z = np.stack([np.interp(z, coarse_z, row) for row in points[..., axis]])
        index = np.interp(theta, coarse_theta, np.arange(len(coarse_theta)))
        low = np.minimum(index.astype(int), len(coarse_theta) - 2)
        part = (index - low)[:, None]
        grid[..., axis] = along_z[low] * (1 - part) + along_z[low + 1] * part
    h, w = grey.shape
    inside = (grid[..., 0] >= 0) & (grid[..., 1] >= 0) & (grid[..., 0] <= w - 1) & (grid[..., 1] <= h - 1)
    brightness = cv2.remap(grey, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Surface(np.asarray(brightness, np.float32), theta, z, inside)
