"""How much a region of a photo can carry: detail, light, noise and blur, measured instead of guessed.

Detail is what is left between two Gaussian blurs, of 1 and of 4 px: structure with periods of some 4 to 25 px. A
surface that is out of focus or burnt out has hardly any, whatever its shading.

Blur is read from the spectrum. Whatever a photo shows is mostly edges, whose amplitude spectrum falls as 1 / f (Field
1987, J. Opt. Soc. Am. A 4, 2379); a Gaussian blur multiplies it by exp(-2 π² σ² f²), and noise lies below as a floor.
Of the three unknowns, σ is the one wanted. A strong pattern that fills a region departs from 1 / f: look at all of the
photo.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

FINE_PX, COARSE_PX = 1.0, 4.0
WHITE, BLACK = 244, 5  # tone curves end below 255
TILE, MOST_TILES = 64, 1500
PERIODS_PX = np.geomspace(32, 2.1, 13)  # bounds of the rings of the spectrum
PIXEL_PX = 0.6  # blur by pixel, mosaic and coding
WIDEST_PX = 15.0
FINE_PERIODS_PX = (8.0, 3.5)
# fine detail in the richest direction over that in the poorest: 1.3 to 10 in 53 sharp photos of knurls, whatever their
# lines; 15 px of shake make 9 to 38 of most of them
MOST_UNEVEN = 12.0
KEPT = 0.2  # contrast below which lines are counted as lost

_DOWN, _ACROSS = np.fft.fftfreq(TILE)[:, None], np.fft.rfftfreq(TILE)[None]
FREQUENCY = np.hypot(_DOWN, _ACROSS)  # cycles per px
DIRECTION = np.rad2deg(np.arctan2(_DOWN, _ACROSS)) % 180
RING = np.digitize(FREQUENCY, 1 / PERIODS_PX) - 1


@dataclass(frozen=True)
class Sharpness:
    """What a region of a photo can carry.

    Attributes
    ----------
    detail : float
        RMS of the structure between blurs of 1 and 4 px, grey levels.
    detail_rel : float
        The same over the mean brightness.
    noise : float
        Standard deviation of the pixel noise, grey levels, from the finest structure alone.
    contrast : float
        Between the 5th and the 95th percentile, grey levels.
    saturated_share, dark_share : float
        Shares of pixels burnt out and of pixels lost in black.
    """

    detail: float
    detail_rel: float
    noise: float
    contrast: float
    saturated_share: float
    dark_share: float


@dataclass(frozen=True)
class Blur:
    """How a region is blurred.

    Attributes
    ----------
    sigma_px : float
        Standard deviation of the Gaussian; right within 20 % from 2 to 6 px.
    shaken : bool
        Whether the camera moved: fine detail is missing in one direction only. Short shakes are not seen.
    """

    sigma_px: float
    shaken: bool

    @property
    def lost_px(self) -> float:
        """Lines closer together than this keep less than a fifth of their contrast, exp(-2 π² σ² / p²)."""
        return self.sigma_px * math.pi * math.sqrt(2 / math.log(1 / KEPT))


def measure_sharpness(grey: Grey, outline_px: Array | None = None) -> Sharpness:
    """Detail, light and noise inside an outline.

    Parameters
    ----------
    grey : (h, w) uint8 array
    outline_px : (k, 2) array, optional
        Polygon; None: the whole photo. A rim of three coarse blurs is left out, for the border itself is detail.
    """
    part, mask = _region(grey, outline_px)
    values = part[mask]
    if not values.size:
        return Sharpness(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    level = part.astype(np.float32)
    band = cv2.GaussianBlur(level, (0, 0), FINE_PX) - cv2.GaussianBlur(level, (0, 0), COARSE_PX)
    detail = float(np.std(band[mask]))
    p5, p95 = np.percentile(values, [5, 95])
    return Sharpness(
        detail=detail,
        detail_rel=detail / max(1.0, float(values.mean())),
        noise=_noise(level, mask),
        contrast=float(p95 - p5),
        saturated_share=float(np.mean(values >= WHITE)),
        dark_share=float(np.mean(values <= BLACK)),
    )


def measure_blur(grey: Grey, outline_px: Array | None = None) -> Blur | None:
    """The Gaussian that blurs a region, from its spectrum; None where there is too little to see.

    Parameters
    ----------
    grey : (h, w) uint8 array
    outline_px : (k, 2) array, optional
        The box about it is looked at; None: the whole photo.
    """
    part = grey if outline_px is None else _region(grey, outline_px)[0]
    power = _power(part)
    if power is None:
        return None
    sigma = _fitted(power.mean(axis=0))
    return None if sigma is None else Blur(sigma, _shaken(power))


def _power(part: Grey) -> NDArray[np.float32] | None:
    """Power spectra (n, TILE, TILE / 2 + 1) of overlapping tiles that are not burnt out; None without such."""
    if min(part.shape) < TILE:
        return None
    tiles = np.lib.stride_tricks.sliding_window_view(part, (TILE, TILE))[:: TILE // 2, :: TILE // 2]
    tiles = tiles.reshape(-1, TILE, TILE)
    tiles = tiles[:: 1 + len(tiles) // MOST_TILES].astype(np.float32)
    tiles = tiles[(tiles >= WHITE).mean(axis=(1, 2)) < 0.1]
    if not len(tiles):
        return None
    taper = np.hanning(TILE + 2)[1:-1].astype(np.float32)
    window = np.outer(taper, taper)
    spectrum = np.fft.rfft2((tiles - tiles.mean(axis=(1, 2), keepdims=True)) * window)
    return np.asarray(np.abs(spectrum) ** 2 / float((window**2).sum()), np.float32)


def _fitted(power: NDArray[np.float32]) -> float | None:
    """Sigma (px) of the blur; None where edges do not stand clear of the noise at all."""
    from scipy.optimize import least_squares

    rings = [k == RING for k in range(len(PERIODS_PX) - 1)]
    f = np.array([np.sqrt(np.mean(FREQUENCY[m] ** 2)) for m in rings])
    seen = np.array([np.mean(np.log(power[m] + 1e-3)) for m in rings])

    def off(p: Array) -> Array:
        edges = np.exp(2 * p[0]) / f**2 * np.exp(-((2 * np.pi * p[1] * f) ** 2))
        pixel = np.exp(-((2 * np.pi * PIXEL_PX * f) ** 2))  # what any camera blurs, noise included
        return np.asarray(np.log(pixel * (edges + np.exp(2 * p[2])) + 1e-3) - seen)

    at = [float(np.log(f[0]) + seen[0] / 2), float(seen[-1] / 2)]
    limits = ([-9.0, 0.0, -3.0], [9.0, WIDEST_PX, 6.0])
    fits = [
        least_squares(off, np.clip([at[0], s, at[1]], *limits), loss="soft_l1", f_scale=0.3, bounds=limits)
        for s in (0.5, 2.0, 6.0)
    ]
    level, sigma, floor = min(fits, key=lambda fit: fit.cost).x
    blurred = level - float(np.log(f[0])) - 2 * (np.pi * sigma * f[0]) ** 2
    return float(sigma) if sigma < 0.9 * WIDEST_PX and blurred > floor else None


def _shaken(power: NDArray[np.float32]) -> bool:
    """Whether hardly any tile has fine detail in one direction while others have it in another."""
    longest, shortest = FINE_PERIODS_PX
    fine = (longest * FREQUENCY >= 1) & (shortest * FREQUENCY < 1)
    sectors = [fine & (np.abs((DIRECTION - d + 90) % 180 - 90) <= 10) for d in range(0, 180, 15)]
    detail = np.sqrt([np.percentile(power[:, m].mean(axis=1), 97) for m in sectors])
    return bool(detail.max() > MOST_UNEVEN * detail.min())


def _region(grey: Grey, outline_px: Array | None) -> tuple[Grey, NDArray[np.bool_]]:
    """The box about an outline, and which of its pixels are well inside."""
    h, w = grey.shape
    if outline_px is None:
        return grey, np.ones(grey.shape, bool)
    low, high = np.floor(outline_px.min(axis=0)) - 8, np.ceil(outline_px.max(axis=0)) + 9
    x0, y0 = (int(v) for v in np.clip(low, 0, [w - 1, h - 1]))
    x1, y1 = (int(v) for v in np.clip(high, [x0 + 1, y0 + 1], [w, h]))
    part = grey[y0:y1, x0:x1]
    inside = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(outline_px - [x0, y0]).astype(np.int32)], [1])
    rim = 2 * int(3 * COARSE_PX) + 1
    well = cv2.erode(inside, np.ones((rim, rim), np.uint8), borderValue=0).astype(bool)
    return part, well if well.sum() > 400 else inside.astype(bool)


def _noise(level: NDArray[np.float32], mask: NDArray[np.bool_]) -> float:
    """From the mixed second difference, which no plane survives; its norm is 6. Quartile: smooth places only."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    rough = np.abs(np.asarray(cv2.filter2D(level, -1, kernel)))
    return float(np.percentile(rough[mask], 25)) / 0.3186 / 6 if mask.any() else 0.0
