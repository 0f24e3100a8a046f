"""Where the lines of a family lie in each of several photos by one fixed camera, told against the other photos.

Light, parallax and the depth of the grooves shift the lines that are seen away from where they are, but by the same
amount in every photo of a fixed camera and lamp. Differences between photos are free of that: good to a hundredth of a
pitch where one photo by itself is wrong by a tenth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

from knurlsight.measuring.unroll import roll_out
from knurlsight.model import Surface

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

ARC_DEG = 54.0
ROWS_PER_PITCH, COLUMNS_PER_PITCH = 9.0, 9.0
WINDOW_PITCHES = 2.0  # half width of the smoothing round the part: neighbours of a seam are told apart

JUMP_TURNS = 0.12
LEAST_GAIN, BOTH_SIDES = 0.05, 0.65  # agreement won by a cut, and what each side must reach with its own phase


@dataclass(frozen=True)
class Lines:
    """One family to look for: turns per rad around and per radius along, as in `flanks.Grooves`."""

    around: float
    along: float


def unrolled(
    grey: NDArray[np.uint8], camera: Camera, cylinder: Cylinder, span_z: tuple[float, float], lines: Sequence[Lines]
) -> Surface:
    """The zone rolled out on the crest, ±54°, sampled finely enough for every family."""
    around = max(abs(f.around) for f in lines)
    along = max(max(abs(f.along) for f in lines), around / 4)
    arc = min(np.radians(ARC_DEG), 0.95 * cylinder.limb_rad)
    theta = np.linspace(-arc, arc, int(np.clip(2 * arc * around * ROWS_PER_PITCH, 64, 2400)))
    width = span_z[1] - span_z[0]
    z = np.linspace(*span_z, int(np.clip(width * along * COLUMNS_PER_PITCH, 48, 1200)))
    return roll_out(grey, camera, cylinder, theta, z)


def evened(surface: Surface, lines: Sequence[Lines]) -> NDArray[np.float32]:
    """Brightness less its local mean, over its local spread: one light all round."""
    around = max(abs(f.around) for f in lines)
    step = float(surface.theta[1] - surface.theta[0])
    sigma = max(2.0, 1.2 / around / step)
    b = surface.brightness
    high = b - cv2.GaussianBlur(b, (0, 0), sigma)
    spread = np.sqrt(cv2.GaussianBlur(high * high, (0, 0), 2 * sigma))
    return np.asarray(high / (spread + np.float32(2.0)), np.float32)


def phasors(surface: Surface, even: NDArray[np.float32], family: Lines) -> Complex:
    """Complex amplitude of a family in every row (rows,), averaged over ±2 pitches round the part.

    Its angle is -2π times the phase, in turns, by which groove lines lie behind the family's own lines.
    """
    z = surface.z
    taper = np.hanning(len(z) + 2)[1:-1]
    along = np.exp(-2j * np.pi * family.along * z) * taper / taper.sum()
    rows = (even @ along) * np.exp(-2j * np.pi * family.around * surface.theta)
    step = float(surface.theta[1] - surface.theta[0])
    half = max(1, round(WINDOW_PITCHES / max(abs(family.around), 1e-9) / step))
    window = np.hanning(2 * half + 3)[1:-1]
    return np.convolve(rows, window / window.sum(), mode="same")


def advance(before: Complex, after: Complex) -> tuple[float, float]:
    """By how many turns (-0.5, 0.5] the lines moved towards positive θ, and how well the photos agree on it, 0 to 1."""
    product = np.sum(after * np.conj(before))
    size = float(np.sqrt(np.sum(np.abs(before) ** 2) * np.sum(np.abs(after) ** 2)))
    return float(-np.angle(product) / (2 * np.pi)), float(np.abs(product)) / size if size else 0.0


def jump_in(before: Sequence[Complex], after: Sequence[Complex], theta: Array) -> tuple[float, float]:
    """The step in phase from one side of a photo to the other, and θ where it lies; 0 without a clear step.

    One family's lines on both sides of the best cut must each be one set; the second track over the seam blurs them
    between.
    """
    best, where, size, clear = 0.0, 0.0, 0.0, 0.0
    for a, b in zip(before, after, strict=True):
        product = b * np.conj(a) / np.sqrt(np.sum(np.abs(a) ** 2) * np.sum(np.abs(b) ** 2))
        low = np.cumsum(product)
        high = low[-1] - low
        kept = np.abs(low) + np.abs(high)
        edge = len(theta) // 8
        cut = edge + int(kept[edge:-edge].argmax())
        gain = float(kept[cut] - np.abs(low[-1]))
        if gain > best:
            best, where, clear = gain, float(theta[cut]), float(kept[cut])
            size = float(np.angle(low[cut] * np.conj(high[cut])) / (2 * np.pi))
    seen = abs(size) > JUMP_TURNS and best > LEAST_GAIN and clear > BOTH_SIDES
    return (size, where) if seen else (0.0, 0.0)
