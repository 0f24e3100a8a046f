"""The ends of the pattern along the axis, once the model is known: how much of it each column of the photo shows.

The fitted model, continued beyond the fitted span with the light it was fitted with, is laid over every column; the
share of it that is there falls from one to nothing at the ends, without any smoothing along the axis.

The share is not the depth: of a groove a third as deep hardly a tenth of the pattern is seen. On path-traced linear
run-ins it passes a quarter at 0.41 and three quarters at 0.69 of the depth. And light makes the share fall at one end,
too, but not on all sides: a run-in is taken only where all but one of five bands around show it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flanks import Fit, kinds, light_of
from knurlsight.measuring.sightlines import Sightlines

Array = NDArray[np.float64]

HALF = 0.45  # level of the share taken as the end of a sharp pattern
BANDS = 5
QUARTER_DEPTH, DEPTHS_APART = 0.38, 0.28  # of a linear run-in: where its quarter point lies, how far to three quarters
SHARP, LEAST_FADE = 0.5, 0.75  # pitches between those points at a sharp end, and from where on it is a run-in


@dataclass(frozen=True)
class Ends:
    """First and last trace of pattern and the run-ins, in radii along the axis.

    Attributes
    ----------
    span_z, run_in, u_end : (float, float)
        At end 1 and end 2.
    share : (columns,) array
        How much of the model each column shows; about 1 in the middle.
    share_z : (columns,) array
    """

    span_z: tuple[float, float]
    run_in: tuple[float, float]
    u_end: tuple[float, float]
    share: Array
    share_z: Array


def ends_of(fit: Fit, fitted: Sightlines, longer: Sightlines) -> Ends:
    """Where the pattern ends.

    Parameters
    ----------
    fit : Fit
    fitted : Sightlines
        The patch that was fitted.
    longer : Sightlines
        The same rows over a longer stretch of the part.
    """
    light = light_of(fit, fitted)  # (down, across, k)
    # the longer patch has its own middle: bring its heights to that of the fit
    moved = longer.about(fitted.middle_z)
    shares = kinds(fit.knurl, moved)
    rows, cols = moved.theta.shape
    theta_fitted = fitted.theta.mean(axis=1)
    strips = np.clip(
        np.interp(moved.theta.mean(axis=1), theta_fitted, np.arange(len(theta_fitted)))
        // (len(theta_fitted) // light.shape[0]),
        0,
        light.shape[0] - 1,
    ).astype(int)
    z_row = fitted.z.mean(axis=0)
    z_cols = moved.z.mean(axis=0)
    across = np.clip((z_cols - z_row[0]) / (z_row[-1] - z_row[0]) * light.shape[1], 0, light.shape[1] - 1).astype(int)
    model = np.zeros((rows, cols), np.float32)
    for j in range(light.shape[1]):
        picked = np.nonzero(across == j)[0]
        if len(picked):
            model[:, picked] = np.einsum("krc,rk->rc", shares[:, :, picked], light[strips, j].astype(np.float32))
    model -= model.mean(axis=0, keepdims=True)
    core = np.abs(z_cols) < 0.35 * (z_row[-1] - z_row[0])
    if any(g.along for g in fit.knurl.families):
        # what does not change along the axis, plain metal shows too
        model -= model[:, core].mean(axis=1, keepdims=True)
    weight = moved.weight
    seen, full = moved.brightness * model * weight, model * model * weight
    z = moved.z.mean(axis=0).astype(float) + moved.middle_z
    share = _share(seen, full, core)
    bands = [_share(seen[part], full[part], core) for part in np.array_split(np.arange(rows), BANDS)]
    pitch = max(1 / abs(g.along) if abs(g.along) > 0.5 else g.pitch for g in fit.knurl.families)
    normal = fit.knurl.families[0].pitch
    found = [
        _faded(np.array([b[::side] for b in bands]), z[::side], normal) or _end(share[::side], z[::side], pitch)
        for side in (1, -1)
    ]
    return Ends(
        (found[0][0], found[1][0]),
        (found[0][1], found[1][1]),
        (found[0][2], found[1][2]),
        share,
        z,
    )


def _share(seen: NDArray[Any], full: NDArray[Any], core: NDArray[np.bool_]) -> Array:
    """How much of the model every column shows, 1 in the core."""
    box = np.ones(5)
    share = np.convolve(seen.sum(axis=0), box, mode="same")
    share = share / np.maximum(np.convolve(full.sum(axis=0), box, mode="same"), 1e-6)
    return np.asarray(share / max(float(share[core].mean()), 1e-6), float)


def _faded(bands: Array, z: Array, pitch: float) -> tuple[float, float, float] | None:
    """First trace, run-in and uncertainty of an end that fades, read from outside inwards; None at a sharp end."""
    inward = float(np.sign(z[-1] - z[0]))
    box = max(3, round(pitch / abs(float(z[1] - z[0])))) | 1
    quarters, widths = [], []
    for band in bands:
        smooth = np.convolve(np.pad(band, box // 2, mode="edge"), np.ones(box) / box, mode="valid")
        quarter, half, most = (_rise(smooth, z, level, box // 2) for level in (0.25, 0.5, 0.75))
        quarters.append(quarter)
        # a sharp end in poor light rises at once to half and then slowly
        widths.append(min(abs(most - quarter), 2 * abs(half - quarter)) / pitch)
    width = sorted(widths)[1]
    if width < LEAST_FADE:
        return None
    run = float(np.sqrt(width**2 - SHARP**2)) * pitch / DEPTHS_APART
    return float(np.median(quarters)) - inward * QUARTER_DEPTH * run, run, 0.1 * pitch + 0.15 * run


def _end(share: Array, z: Array, pitch: float) -> tuple[float, float, float]:
    """First trace, run-in (none) and uncertainty of a sharp end, read from outside inwards.

    It is the half level of the share, and a fifth of a pitch beyond: so far inside the end wall's glare drowns the
    pattern (0.18 to 0.23 pitch on path-traced photos).
    """
    step = abs(float(z[1] - z[0]))
    inward = float(np.sign(z[-1] - z[0]))
    sharp = _rise(share, z, HALF, max(3, round(pitch / step)) // 2)
    return sharp - inward * 0.2 * pitch, 0.0, 0.15 * pitch


def _rise(share: Array, z: Array, level: float, hold: int) -> float:
    """Where the share first rises above a level and stays there, by and large, for `hold` columns."""
    stays = np.convolve(share > level, np.ones(max(1, hold)) / max(1, hold), mode="full")[max(1, hold) - 1 :]
    lasting = np.nonzero((share > level) & (stays > 0.7))[0]
    i = int(lasting[0]) if len(lasting) else 0
    if i == 0 or share[i] <= share[i - 1]:
        return float(z[i])
    part = float(np.clip((share[i] - level) / (share[i] - share[i - 1]), 0, 1))
    return float(z[i] - part * (z[i] - z[i - 1]))
