"""Where the measured pattern must lie in the photo: ridges, zone, axis and outline, seen through the camera.

Nothing here looks at the photo. What is drawn follows from the measured figures alone, so a wrong measurement does not
lie on the ridges and is seen at a glance.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

from knurlsight.model import Family, Outline

Array = NDArray[np.float64]
POINTS_PER_LINE = 48
LIMB_MARGIN_RAD = 0.12  # nearer to the silhouette a ridge is hidden behind its neighbour


def zone_corners(outline: Outline) -> Array:
    """Corners (4, 2) px of the zone on the crest cylinder: end 1 upper, end 2 upper, end 2 lower, end 1 lower."""
    limb = outline.cylinder.limb_rad
    first, last = outline.zone_z
    corners = _project(
        outline.camera, outline.cylinder, np.array([-limb, -limb, limb, limb]), np.array([first, last, last, first])
    )
    upper = outline.edges_px[0].mean(axis=0)
    if np.hypot(*(corners[:2].mean(axis=0) - upper)) > np.hypot(*(corners[2:].mean(axis=0) - upper)):
        corners = corners[::-1]  # the upper edge is that of positive θ
    return corners


def zone_border(outline: Outline) -> Array:
    """Polygon (n, 2) px around the visible zone: along both silhouettes, and round the ends as the cylinder curves."""
    limb = outline.cylinder.limb_rad
    theta = np.linspace(-limb, limb, POINTS_PER_LINE)
    first, last = outline.zone_z
    there = _project(outline.camera, outline.cylinder, theta, np.full_like(theta, first))
    back = _project(outline.camera, outline.cylinder, theta[::-1], np.full_like(theta, last))
    return np.vstack([there, back])


def axis_line(outline: Outline, overhang: float = 0.0) -> Array:
    """Ends (2, 2) px of the axis over the zone, longer by `overhang` radii at either end."""
    first, last = outline.zone_z
    z = np.array([first - overhang, last + overhang])
    return _project(outline.camera, outline.cylinder, np.zeros(2), z, 0.0)


def ridges(outline: Outline, family: Family, most: int = 12) -> list[Array]:
    """Some ridges of a family, evenly chosen, each as a polyline (n, 2) px.

    Ridges lie half way between the groove centre lines teeth_fit θ/2π + sign z/axial_pitch_radii + phase = whole.
    """
    cylinder = outline.cylinder
    limb = max(cylinder.limb_rad - LIMB_MARGIN_RAD, 0.2)
    first, last = outline.zone_z
    per_turn, per_radius = _turns(family)
    if per_turn == 0 and per_radius == 0:
        return []
    corners = np.array([per_turn * t / math.tau + per_radius * z for t in (-limb, limb) for z in (first, last)])
    corners += family.phase_turns
    lowest, highest = math.ceil(corners.min() - 0.5), math.floor(corners.max() - 0.5)
    stride = max(1, math.ceil((highest - lowest + 1) / most))
    lines = []
    for k in range(lowest, highest + 1, stride):
        level = k + 0.5 - family.phase_turns
        if per_turn == 0:
            theta = np.linspace(-limb, limb, POINTS_PER_LINE)
            z = np.full_like(theta, level / per_radius)
        else:
            z = np.linspace(first, last, 4 * POINTS_PER_LINE)
            theta = math.tau * (level - per_radius * z) / per_turn
        seen = (np.abs(theta) <= limb) & (z >= first) & (z <= last)
        if seen.sum() >= 2:
            lines.append(_project(outline.camera, cylinder, theta[seen], z[seen]))
    return lines


def _turns(family: Family) -> tuple[float, float]:
    """Grooves per turn around, and per radius along the axis (signed)."""
    along = family.sign / family.axial_pitch_radii if math.isfinite(family.axial_pitch_radii) else 0.0
    if family.hand == "ring" and family.axial_pitch_radii and not along and math.isfinite(family.axial_pitch_radii):
        along = 1 / family.axial_pitch_radii
    return family.teeth_fit, along


def _project(camera: Camera, cylinder: Cylinder, theta: Array, z: Array, r: float | None = None) -> Array:
    # radii and z count in radii of this cylinder, whatever its unit
    k = cylinder.radius
    points = cylinder.points(theta, np.asarray(z) * k, None if r is None else r * k)
    return np.asarray(camera.project(points), np.float64)
