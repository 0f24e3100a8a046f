"""Dislocations: a line that ends, so that on one side of the place there is one line more than on the other.

Going once round such a place the phase of its family gains or loses a whole turn; anywhere else it comes back to what
it was. The phase of a patch is read against the fitted model at four places a quarter of a turn apart, so that light,
which the model carries, does not turn it. Where the pattern is too weak to have a phase, loops close by chance: a loop
counts only where nearly all of it shows the pattern.

Of 158 synthetic and path-traced parts without one, one was called dislocated (with a run-in); of five with one, three
were found, within half a pitch to a pitch and a half.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from knurlsight.faults.maps import CELLS_PER_PITCH, WINDOW, model_of, window_mean
from knurlsight.measuring.flank_fit import Fit
from knurlsight.measuring.sightlines import Sightlines

LOOPS = (1.5, 2.0)  # half a side, pitches; the phase must turn along all of them
SHOWN = 0.35  # of the usual strength in that strip around
NEARLY_ALL = 0.9
FACING_RAD = 0.8
FINE_SAMPLES = 10.0  # to a pitch: more are thinned


@dataclass(frozen=True)
class Dislocation:
    """The family whose line ends, and where: θ (rad) and z (radii)."""

    family: int
    theta: float
    z: float


def dislocation_of(fit: Fit, sight: Sightlines, light_pitches: float) -> Dislocation | None:
    """The one line that ends in view; None where none does, or where so many seem to that it is something else."""
    if not all(g.along for g in fit.knurl.families):
        return None  # straight lines in changing light jump at every highlight
    pitch = float(np.mean([g.pitch for g in fit.knurl.families]))
    per_pitch = pitch / float(np.abs(sight.z_u).mean())
    if per_pitch > FINE_SAMPLES:
        thin = sight.cut(slice(None, None, 2), slice(None, None, 2))
        sight = replace(thin, **{n: 2 * getattr(thin, n) for n in ("theta_u", "theta_v", "z_u", "z_v")})
        per_pitch /= 2
    shown, model = model_of(fit, sight, light_pitches)
    high, wide = model.shape
    k = max(1.0, per_pitch / CELLS_PER_PITCH)
    size = max(4, round(wide / k)), max(4, round(high / k))

    def windowed(image: NDArray[np.float32]) -> NDArray[np.float32]:
        return window_mean(image, size, WINDOW * per_pitch / k)

    weight = windowed(sight.weight)
    target = sight.weight * sight.brightness
    theta = cv2.resize(sight.theta, size, interpolation=cv2.INTER_AREA).mean(axis=1)
    z = cv2.resize(sight.z, size, interpolation=cv2.INTER_AREA).mean(axis=0) + sight.middle_z
    found = []
    for family in range(len(fit.knurl.families)):
        here, quarter, half, last = (windowed(target * (shown(family, q / 4) if q else model)) for q in range(4))
        turning = _turning((here - half) + 1j * (quarter - last), weight) & (np.abs(theta[:-1, None]) < FACING_RAD)
        count, _, _, middles = cv2.connectedComponentsWithStats(turning.astype(np.uint8))
        found += [(family, *middles[i]) for i in range(1, count)]
    if len(found) != 1:
        return None
    family, column, row = found[0]
    # a loop's middle lies between cells
    return Dislocation(
        family,
        float(np.interp(row + 0.5, np.arange(len(theta)), theta)),
        float(np.interp(column + 0.5, np.arange(len(z)), z)),
    )


def _turning(wave: NDArray[np.complexfloating], weight: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where the phase gains or loses one turn along every loop round a place: (rows - 1, columns - 1)."""
    strength = np.abs(wave)
    shown = ((strength > SHOWN * np.median(strength, axis=1, keepdims=True)) & (weight > 0.8)).astype(np.float32)
    phase = np.angle(wave) / (2 * np.pi)
    down, across = (np.diff(phase, axis=a) for a in (0, 1))
    down, across = down - np.round(down), across - np.round(across)
    gained = np.round(down[:, :-1] + across[1:] - down[:, 1:] - across[:-1]).astype(np.float32)
    out = np.ones(gained.shape, bool)
    for loop in LOOPS:
        n = 2 * round(loop * CELLS_PER_PITCH)
        turns = cv2.boxFilter(gained, -1, (n, n), normalize=False, borderType=cv2.BORDER_CONSTANT)
        ring = np.zeros((n + 1, n + 1), np.float32)
        ring[[0, -1]] = ring[:, [0, -1]] = 1 / (4 * n)
        there = cv2.filter2D(shown, -1, ring, borderType=cv2.BORDER_CONSTANT)[:-1, :-1]
        out &= (np.abs(np.round(turns)) == 1) & (there > NEARLY_ALL)
    return out
