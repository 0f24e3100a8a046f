"""How much a region of a photo can carry: detail, light and noise, measured instead of guessed.

Detail is what is left between two Gaussian blurs, of 1 and of 4 px: structure with periods of some 4 to 25 px. A
surface that is out of focus or burnt out has hardly any, whatever its shading.

Where there are steps (squares of a card, the shoulders of a part) the lens blur itself is measured: blurring once more
by a known amount lowers the slope of a step by a ratio R that tells how blurred it was, σ = σ₀ / √(R² - 1), whatever
its contrast. (Slopes of a step blurred by a Gaussian go as 1 / σ, and variances add.)
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

FINE_PX, COARSE_PX = 1.0, 4.0
WHITE, BLACK = 244, 5  # tone curves end below 255
PRE_BLUR_PX = 0.6  # against noise, taken out again
MIN_STEPS = 60


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


def step_blur_px(grey: Grey, outline_px: Array | None = None, reblur_px: float = 2.0) -> float | None:
    """Standard deviation of the Gaussian that blurs the steps in a region; None where there are too few steps.

    Lines and fine texture are no steps: their slopes fall faster, and the answer would be too small. Right within 10 %
    from 0.6 to 2 px; stronger blur reads low, 2.5 for 3 px.
    """
    part, mask = _region(grey, outline_px)
    noise = _noise(part.astype(np.float32), mask)
    first = cv2.GaussianBlur(part.astype(np.float32), (0, 0), PRE_BLUR_PX)
    again = cv2.GaussianBlur(first, (0, 0), reblur_px)
    gx, gy = _gradient(first)
    slope, slope_again = np.hypot(gx, gy), np.hypot(*_gradient(again))
    # ridges of the slope: pixels steeper than both neighbours in its direction
    size = np.maximum(slope, 1e-6)
    y, x = np.mgrid[: part.shape[0], : part.shape[1]].astype(np.float32)
    ahead = cv2.remap(slope, x + gx / size, y + gy / size, cv2.INTER_LINEAR)
    behind = cv2.remap(slope, x - gx / size, y - gy / size, cv2.INTER_LINEAR)
    strong = max(2.0, 3 * noise, 0.3 * float(slope[mask].max(initial=0.0)))
    steps = mask & (slope > ahead) & (slope >= behind) & (slope > strong)
    steps[[0, -1], :] = steps[:, [0, -1]] = False
    if steps.sum() < MIN_STEPS:
        return None
    ratio = slope[steps] / np.maximum(slope_again[steps], 1e-6)
    # the Sobel pair spans two pixels, which acts like a further blur of variance 1/2 or so
    variance = reblur_px**2 / np.maximum(ratio**2 - 1, 1e-3) - PRE_BLUR_PX**2 - 0.5
    return float(np.sqrt(max(0.04, float(np.median(variance)))))


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


def _gradient(image: cv2.typing.MatLike) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    gx = cv2.Sobel(image, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(image, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32)


def _noise(level: NDArray[np.float32], mask: NDArray[np.bool_]) -> float:
    """From the mixed second difference, which no plane survives; its norm is 6. Quartile: smooth places only."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    rough = np.abs(np.asarray(cv2.filter2D(level, -1, kernel)))
    return float(np.percentile(rough[mask], 25)) / 0.3186 / 6 if mask.any() else 0.0
