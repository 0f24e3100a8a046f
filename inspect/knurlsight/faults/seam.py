"""A seam: the line along the part where the pattern does not close, seen as strips around that lock to no other.

A wheel that comes round to its first marks between two of them leaves a jump by a part of a pitch, alike in both
families, and a second track over an arc behind it. So the fitted lines are turned on by parts of a pitch, strip by
strip: on the one side of a seam the photo wants them where they are and nowhere else, on the other it hardly cares.

Measured on the path-traced photos (true outlines): good diamonds lock by 0.35 to 0.9, single strips of poor light by
0.13; behind a seam six to nine strips in a row by -0.09 to 0.18. Single families and squares are not judged: at the
limb their light alone does as much. Where a strip is lit faintly it does not lock either: ten of some 300 good
synthetic diamonds seemed to have a seam, with 0.17 to 0.64 of the good side's contrast; true ones have 0.8 and more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flank_fit import Cells, Fit, unexplained
from knurlsight.measuring.sightlines import Sightlines
from knurlsight.model import LocalMaps

Array = NDArray[np.float64]

HERE = (0.0, -0.1, 0.1)  # turns; light alone moves the lines so far
ELSEWHERE = (-0.3, 0.3, -0.42, 0.42, 0.5)
LOCKED = 0.42  # median gain of the lines where they are over elsewhere, on the good side
LOOSE = 0.2  # at most, in every strip of the other
AS_CLEAR = 0.7  # least contrast of the loose strips in the photo, of that of the good side
FEWEST_STRIPS, FEWEST_FACING = 4, 3
FACING_RAD = 0.8  # nearer the limb every pattern is flat


@dataclass(frozen=True)
class Seam:
    """θ (rad) where the pattern jumps or comes to lock again, and the arc (rad) beside it that does not lock."""

    theta: float
    arc: tuple[float, float]


def seam_of(fit: Fit, sight: Sightlines, maps: LocalMaps) -> Seam | None:
    """The seam in view; None when there is none or the pattern is no diamond. The maps tell faint light."""
    if len(fit.knurl.families) != 2 or not all(g.around and g.along for g in fit.knurl.families):
        return None
    # every other column: what changes along the columns then changes twice as fast
    thin = sight.cut(slice(None), slice(None, None, 2))
    thin = replace(thin, theta_u=2 * thin.theta_u, z_u=2 * thin.z_u)
    high = sight.theta.shape[0] // fit.cells.down
    strips = [thin.cut(slice(i * high, (i + 1) * high), slice(None)) for i in range(fit.cells.down)]
    glance = np.array([_lock(fit, strip, HERE[:1], ELSEWHERE[-1:]) for strip in strips])
    if not any(last - first >= FEWEST_STRIPS for first, last in _runs(glance < 2 * LOOSE)):
        return None
    lock = np.array([_lock(fit, strip, HERE, ELSEWHERE) for strip in strips])
    theta = np.array([float(strip.theta.mean()) for strip in strips])
    clear = np.interp(theta, maps.theta, (maps.contrast**2).mean(axis=1))
    for first, last in _runs(lock < LOOSE):
        facing = int((np.abs(theta[first:last]) < FACING_RAD).sum())
        if last - first < FEWEST_STRIPS or facing < FEWEST_FACING:
            continue
        # the good side is the one towards which there is more to see
        after = len(lock) - last > first
        good = slice(last, None) if after else slice(0, first)
        if float(clear[first:last].mean()) < AS_CLEAR**2 * float(clear[good].mean()):
            continue
        if len(lock[good]) >= FEWEST_STRIPS and float(np.median(lock[good])) > LOCKED:
            border = (theta[last - 1] + theta[last]) / 2 if after else (theta[first - 1] + theta[first]) / 2
            return Seam(float(border), (float(theta[first]), float(theta[last - 1])))
    return None


def _lock(fit: Fit, strip: Sightlines, here: tuple[float, ...], elsewhere: tuple[float, ...]) -> float:
    """How much less the lines leave unexplained where they are than turned on, relative."""
    cells = Cells(1, fit.cells.across)

    def left(turns: float) -> float:
        turned = tuple(replace(g, phase=g.phase + turns) for g in fit.knurl.families)
        return unexplained(replace(fit.knurl, families=turned), strip, cells)

    if not strip.weight.any():
        return 0.0
    return 1 - min(left(t) for t in here) / max(float(np.mean([left(t) for t in elsewhere])), 1e-6)


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and end of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
