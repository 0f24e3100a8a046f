"""Maps of the surface: where, and by how much, a patch departs from the model that was fitted to all of it.

The fitted model says what every sample should look like (`m`), and how that would change if the lines of family k lay a
little further on (`dₖ`). In a window about each point of a coarse grid the photo is taken apart as

    brightness = gain · m + Σ shiftₖ · dₖ + residual

by weighted least squares: a lock-in whose reference is the pattern itself. Shifts are phases (turns), the gain is how
much of the pattern is there, the residual is what neither explains. Every fault is read from these maps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flank_fit import Cells, Fit, light_of, put
from knurlsight.measuring.flanks import Knurl, kinds
from knurlsight.measuring.sightlines import Image, Sightlines, off_the_mean
from knurlsight.model import LocalMaps

Array = NDArray[np.float64]

STEP = 0.03  # turns; as far as a blurred border moves
CELLS_PER_PITCH = 3.0
WINDOW = 0.9  # standard deviation of the window, in normal pitches
NARROW = 0.4  # of the window that outlines damage
STIFFNESS = 0.03  # of the local power: a window with hardly any pattern gives no shift rather than a wild one


def local_maps(fit: Fit, sight: Sightlines, light_pitches: float) -> LocalMaps:
    """Maps of one patch.

    Parameters
    ----------
    fit : Fit
        The model as fitted to `sight`.
    sight : Sightlines
    light_pitches : float
        Length along the part over which the light is taken as steady. Short, highlights that lie askew do not look like
        damage; but what shifts slowly is then taken for light.
    """
    pitch = float(np.mean([g.pitch for g in fit.knurl.families]))
    per_pitch = pitch / float(np.abs(sight.z_u).mean())
    families = range(len(fit.knurl.families))
    seen, model = model_of(fit, sight, light_pitches)
    high, wide = model.shape
    basis = [model, *((seen(k, STEP) - model) / np.float32(STEP) for k in families)]
    target, weight = sight.brightness, sight.weight * (model != 0)
    k = max(1.0, per_pitch / CELLS_PER_PITCH)
    size = max(4, round(wide / k)), max(4, round(high / k))

    def windowed(image: Image, window: float = WINDOW) -> Array:
        return np.asarray(window_mean(image, size, window * per_pitch / k), np.float64)

    count = len(basis)
    normal = np.empty((size[1], size[0], count, count))
    right = np.empty((size[1], size[0], count))
    for i, b in enumerate(basis):
        right[..., i] = windowed(weight * b * target)
        for j in range(i, count):
            normal[..., i, j] = normal[..., j, i] = windowed(weight * b * basis[j])
    power = windowed(weight * target * target)
    typical = np.array([np.median(normal[..., i, i]) for i in range(count)])
    solved = np.asarray(np.linalg.solve(normal + STIFFNESS * np.diag(typical), right[..., None])[..., 0], np.float64)
    explained = 2 * np.einsum("...i,...i", solved, right) - np.einsum("...i,...ij,...j", solved, normal, solved)
    residual = 1 - explained / np.maximum(power, 0.05 * np.median(power))
    full = [cv2.resize(np.asarray(c, np.float32), (wide, high)) for c in np.moveaxis(solved, 2, 0)]
    left = target - np.sum([c * b for c, b in zip(full, basis, strict=True)], axis=0)
    rough = windowed(weight * left * left, NARROW) / np.maximum(power, 0.05 * np.median(power))
    away = off_the_mean(sight.root_brightness, sight.weight, per_pitch)
    contrast = np.sqrt(np.maximum(windowed(away * away), 0) / np.maximum(windowed(sight.weight), 1e-3))
    middle = high // 2
    columns, rows = ((np.arange(n) + 0.5) * whole / n - 0.5 for n, whole in zip(size, (wide, high), strict=True))
    theta = np.interp(rows, np.arange(high), sight.theta.mean(axis=1))
    z = np.interp(columns, np.arange(wide), sight.z[middle]) + sight.middle_z
    return LocalMaps(
        theta,
        z,
        tuple(solved[..., 1 + i] for i in families),
        tuple((g.around, g.along) for g in fit.knurl.families),
        solved[..., 0],
        np.clip(residual, 0, 1),
        np.clip(rough, 0, 2),
        contrast,
        np.clip(windowed(weight), 0, 1),
        pitch,
    )


def window_mean(image: Image, size: tuple[int, int], sigma: float) -> Image:
    """An image on a coarse grid of `size` (columns, rows): means over a Gaussian window of `sigma` cells."""
    small = cv2.resize(np.asarray(image, np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT), np.float32)


def model_of(fit: Fit, sight: Sightlines, light_pitches: float) -> tuple[Callable[[int, float], Image], Image]:
    """What the fitted model shows of a patch; first how it would with a family's lines so many turns further on."""
    per_pitch = float(np.mean([g.pitch for g in fit.knurl.families])) / float(np.abs(sight.z_u).mean())
    cells = Cells(fit.cells.down, int(np.clip(sight.theta.shape[1] / (light_pitches * per_pitch), 1, 12)))
    light = light_of(replace(fit, cells=cells), sight).reshape(cells.down * cells.across, -1).astype(np.float32)

    def seen(knurl: Knurl) -> Image:
        shares = np.stack([cells.of(share) for share in kinds(knurl, sight)], axis=1)
        return _as_picture(cells, np.matmul(light[:, None], shares)[:, 0], sight)

    def turned(k: int, turns: float) -> Image:
        return seen(put(fit.knurl, {(k, "phase"): fit.knurl.families[k].phase + turns}))

    return turned, seen(fit.knurl)


def _as_picture(cells: Cells, values: Image, sight: Sightlines) -> Image:
    """Undo `Cells.of` for one value a sample: (cells, samples) -> (rows, columns), 0 in the remainder it left out."""
    rows, cols = sight.theta.shape
    high, wide = rows // cells.down, cols // cells.across
    cut = values.reshape(cells.down, cells.across, high, wide).transpose(0, 2, 1, 3)
    out = np.zeros((rows, cols), np.float32)
    out[: cells.down * high, : cells.across * wide] = cut.reshape(cells.down * high, cells.across * wide)
    return out
