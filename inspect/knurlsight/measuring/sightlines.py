"""What each pixel of the zone looks at: the angle and height that its line of sight reaches, at any depth.

A root lies below the crest, so away from the middle of the view it is seen displaced towards the middle. Following the
line of sight down to the depth of the groove makes the tooth count right: without it a photo reads 3 to 7 % off.

The grid keeps the photo's own sampling (rows across the part, columns along it), since blur and noise live there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

Array = NDArray[np.float64]
Image = NDArray[np.float32]

DEPTH_STEP = 0.04  # radii; the lines of sight are followed by a parabola through three depths this far apart


@dataclass(frozen=True)
class Sightlines:
    """A patch of the photo with its lines of sight; every array is (rows, columns), float32.

    Attributes
    ----------
    brightness : evened: local mean 0, local spread about 1
    root_brightness : root of the brightness in the photo
    weight : 0 outside the frame and the zone, else 1
    theta, z : where the line of sight meets the crest cylinder (rad; radii, from `middle_z`)
    theta_1, theta_2, z_1, z_2 : coefficients by depth h: θ(h) = θ + h (theta_1 + h theta_2), likewise z
    theta_u, theta_v, z_u, z_v : derivatives along the columns (u) and rows (v), per sample
    middle_z : float
        Height of z = 0 in the cylinder's own z.
    step_px : float
        Photo px per sample.
    """

    brightness: Image
    root_brightness: Image
    weight: Image
    theta: Image
    z: Image
    theta_1: Image
    theta_2: Image
    z_1: Image
    z_2: Image
    theta_u: Image
    theta_v: Image
    z_u: Image
    z_v: Image
    middle_z: float
    step_px: float

    def cut(self, rows: slice, columns: slice) -> Sightlines:
        """A part of the patch."""
        names = [n for n, v in self.__dict__.items() if isinstance(v, np.ndarray)]
        parts: dict[str, Any] = {n: np.ascontiguousarray(getattr(self, n)[rows, columns]) for n in names}
        return replace(self, **parts)

    def about(self, middle_z: float) -> Sightlines:
        """The same patch with heights counted from `middle_z`."""
        return replace(self, z=self.z + np.float32(self.middle_z - middle_z), middle_z=middle_z)

    def within(self, arc_deg: float, columns: int | None = None) -> Sightlines:
        """The rows within ±`arc_deg` of the near line, and at most so many columns about the middle."""
        rows = np.nonzero(np.abs(self.theta).mean(axis=1) < np.radians(arc_deg))[0]
        total = self.theta.shape[1]
        n = min(columns or total, total)
        first = (total - n) // 2
        return self.cut(slice(rows[0], rows[-1] + 1), slice(first, first + n))


def sightlines(
    grey: NDArray[np.uint8],
    camera: Camera,
    cylinder: Cylinder,
    span_z: tuple[float, float],
    arc_deg: float,
    pitch: float,
    samples_per_pitch: float,
) -> Sightlines:
    """The patch between the heights `span_z` and within ±`arc_deg`, sampled at most as finely as the photo.

    Parameters
    ----------
    pitch : float
        Normal pitch in radii; sets the sampling and the box over which light is evened out.
    samples_per_pitch : float
        Wanted; fewer where the photo has fewer.
    """
    arc = min(np.radians(arc_deg), 0.93 * cylinder.limb_rad)
    middle = (span_z[0] + span_z[1]) / 2
    ends = camera.project(cylinder.points(np.zeros(2), np.array(span_z)))
    along = ends[1] - ends[0]
    px_per_radius = float(np.hypot(*along)) / (span_z[1] - span_z[0])
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    near = camera.project(cylinder.points(np.array([0.0, 0.1]), np.full(2, middle)))
    if (near[1] - near[0]) @ across < 0:
        across = -across
    limits = (camera.project(cylinder.points(np.array([-arc, arc]), np.full(2, middle))) - near[0]) @ across
    step = max(1.0, pitch * px_per_radius / samples_per_pitch)
    u = np.arange((ends[0] - near[0]) @ along, (ends[1] - near[0]) @ along + 1e-6, step)
    v = np.arange(limits[0], limits[1] + 1e-6, step)
    px = near[0] + u[None, :, None] * along + v[:, None, None] * across
    h, w = grey.shape
    inside = (px[..., 0] >= 0) & (px[..., 1] >= 0) & (px[..., 0] <= w - 1) & (px[..., 1] <= h - 1)
    root = np.sqrt(_sampled(grey, px, step))  # tames highlights
    shape = px.shape[:2]
    rays = camera.rays(px.reshape(-1, 2))
    r = cylinder.radius
    theta, z = [], []
    for depth in (0.0, DEPTH_STEP, 2 * DEPTH_STEP):
        t, zz, _ = cylinder.meet(rays, r * (1 - depth))
        theta.append(t.reshape(shape))
        z.append(zz.reshape(shape) / r)

    def by_depth(f: list[Array]) -> tuple[Image, Image]:
        one, two = f[1] - f[0], f[2] - f[0]
        second = (two - 2 * one) / (2 * DEPTH_STEP**2)
        return (one / DEPTH_STEP - second * DEPTH_STEP).astype(np.float32), second.astype(np.float32)

    theta_1, theta_2 = by_depth(theta)
    z_1, z_2 = by_depth(z)
    weight = (inside & (z[0] >= span_z[0]) & (z[0] <= span_z[1])).astype(np.float32)
    period = pitch * px_per_radius / step

    def slope(f: Array, axis: int) -> Image:
        return np.asarray(np.gradient(f, axis=axis), np.float32)

    return Sightlines(
        evened(root, weight, period),
        root,
        weight,
        theta[0].astype(np.float32),
        (z[0] - middle).astype(np.float32),
        theta_1,
        theta_2,
        z_1,
        z_2,
        slope(theta[0], 1),
        slope(theta[0], 0),
        slope(z[0], 1),
        slope(z[0], 0),
        middle_z=middle,
        step_px=step,
    )


def _sampled(grey: NDArray[np.uint8], px: Array, step: float) -> Image:
    """Brightness at `px`; a sample coarser than the photo is the mean over its own area."""
    x0, y0 = (int(max(0, np.floor(px[..., k].min()) - 4)) for k in (0, 1))
    x1, y1 = (int(np.ceil(px[..., k].max()) + 5) for k in (0, 1))
    window = grey[y0:y1, x0:x1]
    if step > 1.3:
        window = np.asarray(cv2.GaussianBlur(window, (0, 0), 0.45 * step), np.uint8)
    grid = (px - (x0, y0)).astype(np.float32)
    return np.asarray(
        cv2.remap(window, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def evened(root: Image, weight: Image, period: float) -> Image:
    """Root of brightness with its local mean taken out and its local spread made 1, over one to two pitches.

    Borders of flanks fix the geometry, how bright a flank is fixes nothing.
    """
    k = _box(period)
    wide = (k, 4 * k + 1)
    away = off_the_mean(root, weight, period)
    # a box sum of squares in float32 can come out a hair under 0 where all is flat
    spread = np.sqrt(np.maximum(cv2.blur(away * away, wide), 0) / np.maximum(cv2.blur(weight, wide), 1e-3))
    spread = np.maximum(spread, 0.25 * float(np.median(spread)) + 1e-3)
    return np.asarray(np.clip(away / spread, -2.5, 2.5), np.float32)


def off_the_mean(root: Image, weight: Image, period: float) -> Image:
    """Root of brightness with its local mean taken out, 0 where there is no weight."""
    k = _box(period)
    low = (k, 2 * k + 1)
    share = np.maximum(cv2.blur(weight, low), 1e-3)
    return np.asarray((root - cv2.blur(root * weight, low) / share) * weight, np.float32)


def _box(period: float) -> int:
    return max(3, round(3 * period)) | 1
