"""Half silhouette of the whole part: what it rests on, and its outline for the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder
from photoscale.straight_grid import sample

from knurlsight.finding.silhouette import NOISE_FLOOR_GREY, change_evidence

Array = NDArray[np.float64]

SECTION_RADII = 0.25
FARTHEST_RADII = 6.0
LEAST_EVIDENCE = 0.9
LEAST_DIFFERENT = 1.1  # 99 in 100 sections of parts are more, four in five beyond their ends less (418 and 284)
MOST_SHOULDER = 1.3  # radii; common practice: shoulders stand little above a knurl


def part_profile(
    grey: NDArray[np.uint8], camera: Camera, cylinder: Cylinder, zone_z: tuple[float, float]
) -> tuple[Array, Array]:
    """Profile (k, 2) of (z, r) in radii along the part, and its outline polygon (m, 2) in px.

    From each end of the zone the two edges of the part are followed outwards, section by section, as long as both are
    seen and lie alike on either side of the axis. What lies beyond (a stud, a shadow) is left out.
    """
    sections: list[tuple[float, float]] = [(zone_z[0], 1.0), (zone_z[1], 1.0)]
    for end, sign in ((zone_z[0], -1.0), (zone_z[1], 1.0)):
        radius = 1.0
        for k in range(int(FARTHEST_RADII / SECTION_RADII)):
            z = end + sign * (k + 0.6) * SECTION_RADII
            seen = _section_radius(grey, camera, cylinder, z, radius)
            if seen is None:
                break
            radius = seen
            sections.append((z, radius))
    sections = _believable(sections)
    profile = np.array(sorted(sections))
    limb = cylinder.limb_rad
    half = SECTION_RADII / 2
    heights = np.concatenate([[profile[0, 0] - half], profile[:, 0], [profile[-1, 0] + half]])
    if len(profile) == 2:
        heights[0], heights[-1] = zone_z
    r = np.concatenate([profile[:1, 1], profile[:, 1], profile[-1:, 1]])
    sides = [
        camera.project(cylinder.points(np.full(len(heights), t), heights, r * cylinder.radius)) for t in (-limb, limb)
    ]
    return profile, np.vstack([sides[0], sides[1][::-1]])


def _believable(sections: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Drop sections that stand out on their own: a shoulder is at least two sections long, a shadow's edge wanders.

    What a part rests on moves the scale, so a radius has to be seen twice within 3 % of the knurl's.
    """
    ordered = sorted(sections)
    kept = []
    for i, (z, r) in enumerate(ordered):
        near = [ordered[j][1] for j in (i - 1, i + 1) if 0 <= j < len(ordered)]
        if r == 1.0 or (r < MOST_SHOULDER and any(abs(r - n) < 0.03 for n in near)):
            kept.append((z, r))
    return kept


def _section_radius(grey: NDArray[np.uint8], camera: Camera, cylinder: Cylinder, z: float, near: float) -> float | None:
    """Radius of the part at height z, in radii of the cylinder, from its two edges; None when they are not seen."""
    limb = cylinder.limb_rad
    ends = camera.project(cylinder.points(np.array([-limb, limb]), np.full(2, z)))
    h, w = grey.shape
    if (ends < 0).any() or (ends[:, 0] > w - 1).any() or (ends[:, 1] > h - 1).any():
        return None
    width = float(np.hypot(*(ends[1] - ends[0])))
    across = (ends[1] - ends[0]) / width
    along = np.array([across[1], -across[0]])
    step = max(1.0, width / 240)
    half_section = max(4.0, 0.45 * SECTION_RADII * width / 2)
    u = np.arange(-half_section, half_section + 1e-6, step)
    v = np.arange(-0.8 * width, 0.8 * width + 1e-6, step)
    if len(u) < 8:
        return None
    patch = sample(grey, ends.mean(axis=0), along, across, u, v)
    evidence, _ = change_evidence(patch, max(5, int(0.04 * width / step)))
    total = evidence.mean(axis=1)
    both = np.minimum(total, total[::-1])  # the same radius on either side of the axis
    # shadows and shading break the likeness, so let the two sides differ by a little
    wide = np.maximum.reduce([total, np.roll(total, 1), np.roll(total, -1), np.roll(total, 2), np.roll(total, -2)])
    both = np.minimum(wide, wide[::-1])
    r = 2 * np.abs(v) / width
    ok = (r > 0.3) & (r < 1.55) & (v > 0)
    if not ok.any():
        return None
    worth = np.where(ok, both - 1.6 * np.abs(r - near), -np.inf)
    i = int(worth.argmax())
    return float(r[i]) if both[i] > LEAST_EVIDENCE and _differs(patch, r / r[i], v) > LEAST_DIFFERENT else None


def _differs(patch: NDArray[np.float32], out: Array, v: Array) -> float:
    """How far brightness between two edges differs from that beyond one of them, the clearer: as `change_evidence`.

    Where a part has ended, grain and shadows make edges too, but the bench lies between them as beside them.

    Parameters
    ----------
    patch : (n, m) array
    out, v : (n,) arrays
        How far out its rows lie, in radii; on which side, by their sign.
    """

    def moments(rows: NDArray[np.bool_]) -> Array:
        return np.array([patch[rows].mean(), np.square(patch[rows], dtype=np.float64).mean()])

    def log_var(m: Array) -> float:
        return float(np.log(max(m[1] - m[0] ** 2, 0.0) + NOISE_FLOOR_GREY**2))

    inside = moments(out < 0.9)
    beside = [moments(rows) for side in (-1, 1) if (rows := (out > 1.1) & (out < 1.5) & (side * v > 0)).sum() > 1]
    return max((log_var((inside + b) / 2) - log_var(inside) / 2 - log_var(b) / 2 for b in beside), default=0.0)
