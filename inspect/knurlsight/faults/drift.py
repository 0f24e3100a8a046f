"""Drift: how the axial pitch changes along the part, read from the phases left over the fitted lines.

Lines of a steady pitch leave no phase; a pitch that changes evenly bends the phase along the axis into a parabola.
Light moves phases, too, but alike all along the part, so every strip around has its own height and tilt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.measuring.flanks import Knurl
from knurlsight.measuring.sightlines import Sightlines
from knurlsight.model import LocalMaps

Array = NDArray[np.float64]

ARC_RAD = 0.8  # nearer the limb phases are worth little
STRIPS = 5
MOST_RESIDUAL = 0.6  # share of a column's cells that must show the pattern better than this
FEWEST_COLUMNS = 10
SHORTEST_PITCHES = 3.0  # axial pitches over which a change can be seen at all
U_MODEL = 0.0025  # path-traced good parts scatter by 0.2 % with true outlines: light, and the pose's own bend


@dataclass(frozen=True)
class Drift:
    """Change of the local axial pitch over the whole zone.

    Attributes
    ----------
    signed : Quantity
        Relative change from end 1 to end 2.
    bend : float
        Grooves lie at z + bend (z - middle)², in 1 / radii.
    middle : float
        In radii, as the maps count.
    """

    signed: Quantity
    bend: float
    middle: float


def drift_of(maps: LocalMaps, knurl: Knurl, zone_length: float) -> Drift | None:
    """Drift over a zone of `zone_length` radii; None where the pattern has no axial pitch or too little is seen.

    With the phase left δ(z) = c x² over x from -1 to 1 and slope `along` (turns per radius) of the fitted lines, the
    local axial pitch 1 / (along - dδ/dz) changes by 8 c / (span · along) over the span seen.
    """
    rows = np.flatnonzero(np.abs(maps.theta) < ARC_RAD)
    seen = (maps.residual[rows] < MOST_RESIDUAL).mean(axis=0) > 0.5
    seen &= (maps.weight[rows] > 0.5).mean(axis=0) > 0.5
    if seen.sum() < FEWEST_COLUMNS or len(rows) < STRIPS:
        return None
    span, middle = float(np.ptp(maps.z)), float(maps.z.mean())
    x = (2 * (maps.z - middle) / span)[seen]
    if np.ptp(x) < 1.2:  # of 2: a parabola over less is a guess
        return None
    shape = np.stack([np.ones_like(x), x, x**2 - 1 / 3], axis=1)
    values, spreads = [], []
    for k, g in enumerate(knurl.families):
        if abs(g.along) * span < SHORTEST_PITCHES:
            continue
        strips = [np.median(maps.shifts[k][part][:, seen], axis=0) for part in np.array_split(rows, STRIPS)]
        bends = np.linalg.lstsq(shape, np.array(strips).T, rcond=None)[0][2]
        change = 8 * bends / (span * g.along)
        values.append(float(np.median(change)))
        spreads.append(float(change.std(ddof=1)) / STRIPS**0.5)
    if not values:
        return None
    weights = 1 / (np.array(spreads) ** 2 + U_MODEL**2)
    change = float(weights @ values / weights.sum())
    apart = float(np.ptp(values)) / 2
    u = float(np.hypot(weights.sum() ** -0.5, apart))
    whole = zone_length / span
    return Drift(Quantity(change * whole, max(u, U_MODEL) * whole), -change / (2 * span), middle)


def without_drift(sight: Sightlines, drift: Drift) -> Sightlines:
    """The patch with its heights bent back, so that lines of a drifting pitch become steady ones."""
    away = sight.z + np.float32(sight.middle_z - drift.middle)
    return replace(sight, z=sight.z + np.float32(drift.bend) * away * away)
