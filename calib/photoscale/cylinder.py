"""A cylinder before a pinhole camera: its pose from its two silhouette lines, and its surface point by point.

Each silhouette line and the camera centre span a plane that touches the cylinder. The axis runs along the cross
product of the two plane normals, and the sine of half the angle between the planes is radius / distance, so the pose is
known in units of the radius. (Plane geometry, no publication needed; the apparent width is *not* 2 R / distance.)

Surface coordinates: θ is right-handed about the axis from end 1 to end 2 and 0 on the line nearest the camera; z runs
along the axis from the axis point nearest the camera. Both r and z are in units of the radius unless `radius` says mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from photoscale.camera import Camera

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Cylinder:
    """Pose in camera axes.

    Attributes
    ----------
    foot : (3,) array
        Point of the axis nearest the camera centre.
    axis : (3,) unit array
        Direction from end 1 to end 2, square to `foot`.
    radius : float
        In the unit of `foot`; 1 when only the silhouette is known.
    """

    foot: Array
    axis: Array
    radius: float = 1.0

    @property
    def distance(self) -> float:
        """Camera centre to axis."""
        return float(np.linalg.norm(self.foot))

    @property
    def limb_rad(self) -> float:
        """θ of the silhouette: acos(R / distance), a little under 90°."""
        return float(np.arccos(min(1.0, self.radius / self.distance)))

    def frame(self) -> tuple[Array, Array, Array]:
        """Unit vectors: towards the camera (θ = 0), θ = 90°, axis."""
        near = -self.foot / np.linalg.norm(self.foot)
        return near, cross(self.axis, near), self.axis

    def points(self, theta: Array, z: Array, r: Array | float | None = None) -> Array:
        """Points (..., 3) in camera axes at angle `theta` (rad), height `z` and radius `r` (default the surface)."""
        near, side, axis = self.frame()
        rr = np.asarray(self.radius if r is None else r, np.float64)[..., None]
        t, zz = np.asarray(theta, np.float64)[..., None], np.asarray(z, np.float64)[..., None]
        return np.asarray(self.foot + zz * axis + rr * (np.cos(t) * near + np.sin(t) * side))

    def meet(self, rays: Array, r: float | None = None) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Where rays (n, 3) from the camera centre first meet the cylinder of radius `r`.

        Returns θ (n,), z (n,) and a mask (n,) of the rays that meet it; the others hold the point of closest approach.
        """
        near, side, axis = self.frame()
        radius = self.radius if r is None else r
        d = self.distance
        u, v, w = rays @ near, rays @ side, rays @ axis
        # in the plane square to the axis the camera sits at (d, 0): |(d, 0) + t (u, v)| = radius
        a, b, c = u * u + v * v, d * u, d * d - radius * radius
        disc = b * b - a * c
        hit = disc >= 0
        t = (-b - np.sqrt(np.maximum(disc, 0.0))) / a
        return np.arctan2(t * v, d + t * u), t * w, hit

    def scaled(self, radius: float) -> Cylinder:
        """The same view of a cylinder of another size: lengths grow in proportion."""
        k = radius / self.radius
        return replace(self, foot=self.foot * k, radius=radius)


def cross(a: Array, b: Array) -> Array:
    """Cross product of two vectors; NumPy's own spends its time on axes."""
    x, y, z = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    return np.array([x, y, z], np.float64)


def cylinder_from_silhouette(camera: Camera, edge_a: Array, edge_b: Array) -> Cylinder:
    """Pose, in units of the radius, from two silhouette lines.

    Parameters
    ----------
    camera : Camera
    edge_a, edge_b : (2, 2) arrays
        Two points (x, y) in px on each edge, each from end 1 to end 2; the two edges in either order.

    Raises
    ------
    ValueError
        The edges do not enclose a cylinder in front of the camera (crossing, or the same line).
    """
    planes = []
    for edge in (edge_a, edge_b):
        first, last = camera.rays(np.asarray(edge, np.float64))
        n = cross(first, last)
        planes.append(n / np.linalg.norm(n))
    rays = camera.rays(np.vstack([edge_a, edge_b]))
    inside = rays.mean(axis=0)
    # both normals outward: away from the ray through the middle
    n1, n2 = (n if n @ inside < 0 else -n for n in planes)
    axis = cross(n1, n2)
    length = float(np.linalg.norm(axis))
    # outward normals of opposite sides are nearly opposite; n1·n2 = -cos(angle between the planes)
    half_sine = float(np.sqrt(max(0.0, (1 + float(n1 @ n2)) / 2)))
    if length < 1e-9 or not 1e-6 < half_sine < 0.999:
        raise ValueError("the two edges do not enclose a cylinder in front of the camera")
    axis = axis / length
    along = camera.rays(np.asarray(edge_a, np.float64))
    if (along[1] - along[0]) @ axis < 0:
        axis = -axis
    middle = -(n1 + n2)  # bisector, pointing into the scene
    middle -= (middle @ axis) * axis
    middle /= np.linalg.norm(middle)
    if middle @ inside < 0:
        raise ValueError("the two edges do not enclose a cylinder in front of the camera")
    return Cylinder(middle / half_sine, axis, 1.0)
