"""The Fourier view of the unrolled surface: which sets of lines there are, and how well they repeat.

A spectral peak is where measuring starts, never where it ends: grooves are deep and light moves, which shifts the
transverse pitch by 3 to 7 % (see `flanks`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from knurlsight.model import Spectrum, Surface

Array = NDArray[np.float64]

LEAST_CYCLES = 4.0  # of a family across the patch, or it is shading
MOST_CYCLES_PER_SAMPLE = 0.42


def evened(brightness: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light and contrast evened out over a sixth of the patch, so that one bright band does not rule the spectrum."""
    rows, cols = brightness.shape
    root = np.sqrt(brightness + 4)
    box = (max(9, cols // 6) | 1, max(9, rows // 6) | 1)
    root -= cv2.blur(root, box)
    spread = np.sqrt(cv2.blur(root * root, box))
    return np.asarray(root / (spread + 0.3 * float(root.std()) + 1e-3), np.float32)


def power_of(brightness: NDArray[np.float32]) -> NDArray[np.float32]:
    """Power (rows, cols // 2 + 1) of the evened, Hann-windowed patch; slow and unresolved frequencies set to 0."""
    rows, cols = brightness.shape
    window = np.outer(np.hanning(rows), np.hanning(cols)).astype(np.float32)
    bins = scipy.fft.rfft2(evened(brightness) * window, workers=1)
    power = bins.real**2 + bins.imag**2
    around, along = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(cols)[None]
    power[(np.hypot(around * rows, along * cols) < LEAST_CYCLES + 1)] = 0
    power[np.hypot(around, along) > MOST_CYCLES_PER_SAMPLE] = 0
    return np.asarray(power, np.float32)


def prominence(power: NDArray[np.float32], peak: Peak, around: Array, along: Array) -> float:
    """Power of a peak over the median in the ring of frequencies about it; noise alone gives 10 to 20."""
    f = float(np.hypot(peak.around, peak.along))
    r = np.hypot(around[:, None], along[None])
    ring = power[(r > 0.7 * f) & (r < 1.4 * f) & (power > 0)]
    return peak.power / float(np.median(ring)) if ring.size else 0.0


@dataclass(frozen=True)
class Peak:
    """One peak: frequency around (cycles per rad) and along (cycles per radius), `along` never negative; its power."""

    around: float
    along: float
    power: float

    @property
    def steepness_deg(self) -> float:
        """Angle of its lines against the axis, 0 to 90°: tan = p_t / p_a = along / around."""
        return float(np.degrees(np.arctan2(self.along, abs(self.around))))

    @property
    def pitch(self) -> float:
        """Normal pitch in radii."""
        return float(1 / np.hypot(self.around, self.along))


def axes_of(surface: Surface) -> tuple[Array, Array]:
    """Frequencies of the bins: around (rows,) in cycles per rad, along (cols // 2 + 1,) in cycles per radius."""
    rows, cols = surface.brightness.shape
    step_theta = float(surface.theta[-1] - surface.theta[0]) / (rows - 1)
    step_z = float(surface.z[-1] - surface.z[0]) / (cols - 1)
    return np.fft.fftfreq(rows) / step_theta, np.fft.rfftfreq(cols) / step_z


def peaks_of(surface: Surface, power: NDArray[np.float32], most: int = 12) -> tuple[Peak, ...]:
    """The strongest local maxima, refined by a parabola through the logarithm, strongest first.

    (log parabola on a Hann window: bias under 0.04 bin, far below what light does to the phase.)
    """
    around, along = axes_of(surface)
    rows, cols = power.shape
    wrapped = np.vstack([power[-2:], power, power[:2]])
    padded = np.pad(wrapped, ((0, 0), (2, 2)))
    summit = cv2.dilate(padded, np.ones((5, 5), np.uint8))[2:-2, 2:-2]
    ys, xs = np.nonzero((power == summit) & (power > 1e-4 * float(power.max(initial=0)) + 1e-12))
    order = np.argsort(-power[ys, xs])
    out: list[Peak] = []
    step_around, step_along = float(around[1] - around[0]), float(along[1] - along[0])
    for y, x in zip(ys[order], xs[order], strict=True):
        if x == 0 and around[y] < 0:
            continue  # the twin of a peak on the line of axial lines
        log = np.log(np.maximum(wrapped[y : y + 5, :], 1e-12))
        dy = _parabola(log[1, x], log[2, x], log[3, x])
        left = log[2, x - 1] if x > 0 else np.log(max(float(power[-y % rows, 1]), 1e-12))
        dx = _parabola(left, log[2, x], log[2, x + 1]) if x + 1 < cols else 0.0
        fa, fz = float(around[y]) + dy * step_around, float(along[x]) + dx * step_along
        if fz < 0:
            fa, fz = -fa, -fz
        out.append(Peak(fa, fz, float(power[y, x])))
        if len(out) == most:
            break
    return tuple(out)


def _parabola(a: float, b: float, c: float) -> float:
    bend = a - 2 * b + c
    return float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def spectrum_of(surface: Surface) -> Spectrum:
    """The spectrum as the report shows it: frequencies around rising through 0 in the middle row."""
    around, along = axes_of(surface)
    return Spectrum(np.fft.fftshift(power_of(surface.brightness), axes=0), np.fft.fftshift(around), along)
