"""The ends of the pattern along the axis, once the model is known: how much of it each column of the photo shows.

The fitted model, continued beyond the fitted span with the light it was fitted with, is laid over every column; the
share of it that is there falls from one to nothing at the ends, without any smoothing along the axis. A linear run-in
of length r has its quarter and three-quarter points r/2 apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knurlsight.flanks import Fit, kinds, light_of
from knurlsight.sightlines import Sightlines

Array = NDArray[np.float64]

HALF = 0.45  # level of the share taken as the end of a sharp pattern


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
    seen = (moved.brightness * model * weight).sum(axis=0)
    full = (model * model * weight).sum(axis=0)
    width = 5
    box = np.ones(width)
    share = np.convolve(seen, box, mode="same") / np.maximum(np.convolve(full, box, mode="same"), 1e-6)
    z = moved.z.mean(axis=0).astype(float) + moved.middle_z
    share = np.asarray(share / max(float(share[core].mean()), 1e-6), float)
    pitch = max(1 / abs(g.along) if abs(g.along) > 0.5 else g.pitch for g in fit.knurl.families)
    found = [_end(share[::side], z[::side], pitch) for side in (1, -1)]
    return Ends(
        (found[0][0], found[1][0]),
        (found[0][1], found[1][1]),
        (found[0][2], found[1][2]),
        share,
        z,
    )


def _end(share: Array, z: Array, pitch: float) -> tuple[float, float, float]:
    """First trace, run-in and uncertainty, read from outside inwards.

    The run-in is twice the way from a quarter to three quarters, on the share smoothed over one pitch, less what that
    smoothing alone gives. A sharp end is the half level of the share as it is, and a fifth of a pitch beyond: so far
    inside the end wall's glare drowns the pattern (0.18 to 0.23 pitch on path-traced photos).
    """
    step = abs(float(z[1] - z[0]))
    inward = float(np.sign(z[-1] - z[0]))
    box = max(3, round(pitch / step))
    smooth = np.convolve(np.pad(share, box // 2, mode="edge"), np.ones(box) / box, mode="valid")[: len(share)]
    quarter, half, most = (_rise(smooth, z, level, box // 2) for level in (0.25, 0.5, 0.75))
    run = 2 * abs(most - quarter) - box * step
    if run > 0.8 * pitch:
        return half - inward * run / 2, run, float(0.2 * pitch + 0.1 * run)
    sharp = _rise(share, z, HALF, box // 2)
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
