"""The second opinion: lines voted for one by one (Hough), against the spectrum's direction and spacing.

Bright ridges of the unrolled surface vote for straight lines near each family's direction. The direction is where the
votes bunch most, by the variance of the accumulator over ρ with a parabola through its logarithm (0.004° on synthetic
lines, against 0.03° for the highest bin); the spacing is the period of the votes along ρ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.spectrum import evened
from knurlsight.model import Surface

Array = NDArray[np.float64]

SEARCH_DEG = 4.0
STEP_DEG = 0.25
RIDGE_SHARE = 0.2  # the brightest share of samples are taken as ridges


@dataclass(frozen=True)
class HoughFamily:
    """What the votes say of one family: frequency around and along, and the contrast of the votes (0 to 1)."""

    around: float
    along: float
    contrast: float


def hough_family(surface: Surface, around: float, along: float) -> HoughFamily | None:
    """Direction and spacing of the lines near a given frequency, from the votes of bright ridges alone.

    Parameters
    ----------
    surface : Surface
        Unrolled; θ and z may be sampled differently.
    around, along : float
        Where to look: cycles per rad and per radius.

    Returns
    -------
    HoughFamily or None
        None when the lines are too few to vote.
    """
    bright = evened(surface.brightness)
    threshold = float(np.quantile(bright, 1 - RIDGE_SHARE))
    rows, cols = np.nonzero(bright > threshold)
    if len(rows) < 200:
        return None
    theta, z = surface.theta[rows], surface.z[cols]
    frequency = float(np.hypot(around, along))
    direction = np.degrees(np.arctan2(along, around))
    angles = np.radians(direction + np.arange(-SEARCH_DEG, SEARCH_DEG + 1e-9, STEP_DEG))
    bins_per_pitch = 10
    variance = np.empty(len(angles))
    votes: list[Array] = []
    for i, angle in enumerate(angles):
        rho = (np.cos(angle) * theta + np.sin(angle) * z) * frequency * bins_per_pitch
        rho -= rho.min()
        count = np.bincount(rho.astype(int)).astype(float)
        votes.append(count)
        smooth = np.convolve(count, np.ones(3) / 3, mode="same")
        variance[i] = _contrast(smooth, bins_per_pitch)
    best = int(variance.argmax())
    if best in (0, len(angles) - 1):
        return None
    left, here, right = np.log(variance[best - 1 : best + 2] + 1e-12)
    bend = left - 2 * here + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    angle = angles[best] + shift * np.radians(STEP_DEG)
    spacing = _period(votes[best], bins_per_pitch)
    if spacing is None:
        return None
    measured = frequency * bins_per_pitch / spacing
    return HoughFamily(float(np.cos(angle) * measured), float(np.sin(angle) * measured), float(min(1, variance[best])))


def _contrast(count: Array, period: int) -> float:
    """Variance of the votes about their running mean, relative to the mean squared."""
    box = np.ones(2 * period + 1) / (2 * period + 1)
    if len(count) < 3 * len(box):
        return 0.0
    mean = np.convolve(count, box, mode="same")
    inner = slice(len(box) // 2, -(len(box) // 2))
    level = float(mean[inner].mean())
    return float(((count - mean)[inner] ** 2).mean() / max(level, 1e-9) ** 2)


def _period(count: Array, near: int) -> float | None:
    """Period of the votes in bins, within ±15 % of `near`, by a zero-padded spectrum and a log parabola."""
    if len(count) < 3 * near:
        return None
    away = (count - count.mean()) * np.hanning(len(count))
    padded = 8 * len(count)
    power = np.abs(np.fft.rfft(away, padded)) ** 2
    lo, hi = int(padded / (near * 1.15)), int(np.ceil(padded / (near * 0.87)))
    i = lo + int(power[lo : hi + 1].argmax())
    if i <= lo or i >= hi:
        return None
    left, here, right = np.log(power[i - 1 : i + 2] + 1e-12)
    bend = left - 2 * here + right
    return float(padded / (i + (0.5 * (left - right) / bend if bend < 0 else 0.0)))
