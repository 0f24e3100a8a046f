"""The knurled zone along the axis: where the pattern begins and ends, and over which length it fades in.

Each family is locked in at its own spectral peak; its amplitude along the axis, smoothed over about one pitch, is a
plateau with two flanks. This is good to half a pitch and finds what to fit; the fitted model then says it better
(`ends`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

from knurlsight.measuring.spectrum import Peak, peaks_of, power_of
from knurlsight.measuring.unroll import roll_out
from knurlsight.model import Surface

Array = NDArray[np.float64]

ARC_DEG = 42.0
ROWS = 112
STEEPEST_DEG = 68.0  # lines steeper than this against the axis are rings, grooves or threads


@dataclass(frozen=True)
class Zone:
    """Ends of the zone in radii along the axis.

    Attributes
    ----------
    span_z : (float, float)
        First and last trace of pattern.
    run_in : (float, float)
        Length over which the pattern fades in at end 1 / end 2.
    u_end : (float, float)
        Standard uncertainty of each end.
    cut : (bool, bool)
        The frame ends before the pattern does.
    """

    span_z: tuple[float, float]
    run_in: tuple[float, float]
    u_end: tuple[float, float]
    cut: tuple[bool, bool]


def main_families(peaks: tuple[Peak, ...]) -> tuple[Peak, ...]:
    """The strongest peak that is not a ring and, of the other lean, its strongest counterpart if it has one."""
    steep = [p for p in peaks if p.steepness_deg < STEEPEST_DEG]
    if not steep:
        return ()
    first = steep[0]
    if first.steepness_deg < 4:
        return (first,)
    for other in steep[1:]:
        if (
            np.sign(other.around) != np.sign(first.around)
            and abs(np.log(other.pitch / first.pitch)) < 0.25
            and abs(other.steepness_deg - first.steepness_deg) < 14
            and other.power > 0.01 * first.power
        ):
            return first, other
    return (first,)


def zone_of(
    grey: NDArray[np.uint8], camera: Camera, cylinder: Cylinder, span_z: tuple[float, float], *, fine: bool = False
) -> Zone | None:
    """Ends of the pattern round about `span_z`; None when no pattern of lines is there."""
    z0, z1 = span_z
    length = z1 - z0
    reach = 0.15 * length if fine else 0.35 * length
    px_per_radius = camera.focal_px / (cylinder.distance - cylinder.radius)
    columns = int(np.clip((length + 2 * reach) * px_per_radius, 64, 1400))
    theta = np.radians(np.linspace(-ARC_DEG, ARC_DEG, ROWS))
    z = np.linspace(z0 - reach, z1 + reach, columns)
    surface = roll_out(grey, camera, cylinder, theta, z)
    inner = (z > z0 + 0.06 * length) & (z < z1 - 0.06 * length)
    middle = Surface(surface.brightness[:, inner], theta, z[inner], surface.valid[:, inner])
    families = main_families(peaks_of(middle, power_of(middle.brightness)))
    if not families:
        return None
    amplitude = np.zeros(columns)
    pitch_z = 0.0
    for family in families:
        along, smooth = family_amplitude(surface, family)
        amplitude += along / max(float(np.quantile(along[inner], 0.8)), 1e-12) / len(families)
        pitch_z = max(pitch_z, smooth)
    seen = surface.valid.mean(axis=0) > 0.5
    amplitude[~seen] = 0.0
    plateau = float(np.quantile(amplitude[inner], 0.8))
    # torn patches and the beat of the two families leave gaps: bridge what is shorter than a sixth of the span
    gap = max(3, int(length / 6 / float(z[1] - z[0]))) | 1
    there = cv2.morphologyEx(
        (amplitude > 0.35 * plateau).astype(np.uint8)[None], cv2.MORPH_CLOSE, np.ones((1, gap), np.uint8)
    )[0]
    run = longest_run(there > 0)
    if run is None:
        return None
    ends, fades, us, cuts = [], [], [], []
    step = float(z[1] - z[0])
    for side in (0, 1):
        profile, edge = (amplitude[::-1], columns - 1 - run[1]) if side else (amplitude, run[0])
        visible = seen[::-1] if side else seen
        first_seen = int(np.argmax(visible))
        cut = bool(not visible[0] and edge - first_seen < 2 + 0.5 * pitch_z / step)
        full = edge + int(np.argmax(profile[edge:] > 0.8 * plateau))
        # the smoothing alone takes 0.45 of its length from the threshold to four fifths
        fade = max(0.0, (full - edge) * step - 0.5 * pitch_z)
        place = first_seen if cut else edge
        ends.append(float(z[columns - 1 - place] if side else z[place]))
        fades.append(0.0 if cut or fade < 0.3 * pitch_z else min(fade, 0.3 * (run[1] - run[0]) * step))
        us.append(float(0.15 * pitch_z))
        cuts.append(cut)
    if ends[1] - ends[0] < 0.15 * length:
        return None
    return Zone((ends[0], ends[1]), (fades[0], fades[1]), (us[0], us[1]), (cuts[0], cuts[1]))


def family_amplitude(surface: Surface, family: Peak) -> tuple[Array, float]:
    """Amplitude of a family along z (columns,), and the length in radii over which it was smoothed."""
    log = np.log(surface.brightness + 12)
    log = log - log.mean(axis=0, keepdims=True)
    rows = log.shape[0]
    carrier = np.exp(-2j * np.pi * family.around * surface.theta) * np.hanning(rows + 2)[1:-1]
    along = (carrier[:, None] * log).sum(axis=0) * np.exp(-2j * np.pi * family.along * surface.z)
    step = float(surface.z[1] - surface.z[0])
    # a whole axial pitch averages the other family out; straight lines need only the noise averaged
    smooth = 1 / family.along if family.along > 1 else 0.5 * family.pitch
    width = max(1, round(smooth / step))
    flat = cv2.blur(np.stack([along.real, along.imag]).astype(np.float64), (width, 1))
    return np.asarray(np.hypot(flat[0], flat[1])), width * step


def longest_run(mask: NDArray[np.bool_]) -> tuple[int, int] | None:
    """First and last index of the longest stretch of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(int), [0]]))
    first, last = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0] - 1
    if not len(first):
        return None
    i = int((last - first).argmax())
    return int(first[i]), int(last[i])
