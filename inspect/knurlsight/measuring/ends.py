"""The ends of the pattern along the axis, once the model is known: how much of it each column of the photo shows.

The fitted model, continued beyond the fitted span with the light it was fitted with, is laid over every column; the
share of it that is there falls from one to nothing at the ends, without any smoothing along the axis.

The share is not the depth, and light makes it fall at an end, too. What tells the depth is the look of the lines, not
how strong they are: a shallower groove leaves a wider land. So models of less and less depth are laid over every
column, and the depth is that of the one that looks most like it. Of 388 ends without run-in (path-traced and synthetic,
true outlines) 15 were called faded by their share alone, one by the look as well; eleven run-ins of leaning lines came
out with an error of 0.2 of themselves (standard deviation). Straight lines look the same at any depth, but for their
light: where their share fades, a run-in is in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flank_fit import Fit, light_of
from knurlsight.measuring.flanks import kinds
from knurlsight.measuring.sightlines import Sightlines

Array = NDArray[np.float64]

HALF = 0.45  # level of the share taken as the end of a sharp pattern
BANDS = 5
DEPTHS = np.linspace(0.15, 1.05, 7)  # of the fitted depth
TRACE = 0.2  # share of the model from which on there is pattern
LEAST_RUN = 1.5  # pitches; a run-in shorter than that is no more than the window
BEGUN = 0.12  # of a run-in lies before that
SUPPORT = 0.6  # of it must be seen by two of three bands, too
QUARTER_DEPTH, DEPTHS_APART = 0.38, 0.28  # of a linear run-in: where its quarter point lies, how far to three quarters
SHARP, LEAST_FADE = 0.5, 0.75  # pitches between those points at a sharp end, and from where on it is a run-in

# How far inside its end a sharp pattern reaches half its share, and how well that is known, in pitches. So far inside,
# the glare of the end wall drowns the pattern: 0.18 to 0.23 pitch on path-traced photos. Straight lines are lost
# sooner, most of all at a rim: 0.2 to 0.8 pitch, 0.45 on average, standard deviation 0.18 (18 ends of path-traced
# photos). Both ends of a part often err the same way, so that the doubt is taken a little larger.
LEANING_END = 0.2, 0.15
STRAIGHT_END = 0.45, 0.22


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
    # the longer patch has its own middle: bring its heights to that of the fit
    moved = longer.about(fitted.middle_z)
    z_cols = moved.z.mean(axis=0)
    core = np.abs(z_cols) < 0.35 * float(np.ptp(fitted.z.mean(axis=0)))
    light = _light_over(fit, fitted, moved)
    model = np.einsum("krc,rck->rc", kinds(fit.knurl, moved), light)
    model -= model.mean(axis=0, keepdims=True)
    if any(g.along for g in fit.knurl.families):
        # what does not change along the axis, plain metal shows too
        model -= model[:, core].mean(axis=1, keepdims=True)
    weight = moved.weight
    seen, full = moved.brightness * model * weight, model * model * weight
    z = moved.z.mean(axis=0).astype(float) + moved.middle_z
    share = _share(seen, full, core)
    bands = [_share(seen[part], full[part], core) for part in np.array_split(np.arange(len(seen)), BANDS)]
    pitch = max(1 / abs(g.along) if abs(g.along) > 0.5 else g.pitch for g in fit.knurl.families)
    normal = fit.knurl.families[0].pitch
    leaning = any(g.around and g.along for g in fit.knurl.families)
    rings = any(not g.around for g in fit.knurl.families)
    depth = _depth_along(fit, moved, light) if leaning else None
    found = []
    for side in (1, -1):
        faded = _faded(np.array([b[::side] for b in bands]), z[::side], normal, 1 if leaning else BANDS // 2)
        # one family alone looks alike at many depths: its share must fade as well
        told = depth is not None and (faded is not None or len(fit.knurl.families) == 2)
        shape = depth.run_in(side) if depth is not None and told else None
        sharp = _end(share[::side], z[::side], pitch, *(LEANING_END if leaning or rings else STRAIGHT_END))
        # where only the share fades, it is a run-in or light: anything from nothing to that length
        found.append(shape or (sharp if faded is None else (sharp[0], faded[1] / 2, faded[1] / 3)))
    return Ends(
        (found[0][0], found[1][0]),
        (found[0][1], found[1][1]),
        (found[0][2], found[1][2]),
        share,
        z,
    )


def _light_over(fit: Fit, fitted: Sightlines, moved: Sightlines) -> NDArray[np.float32]:
    """Light of the nearest cell of the fit for every sample of a longer patch: (rows, columns, kinds)."""
    light = light_of(fit, fitted).astype(np.float32)  # (down, across, k)
    down, across, _ = light.shape
    theta, z = fitted.theta.mean(axis=1), fitted.z.mean(axis=0)
    strips = np.interp(moved.theta.mean(axis=1), theta, np.arange(len(theta))) // (len(theta) // down)
    part = (moved.z.mean(axis=0) - z[0]) / (z[-1] - z[0]) * across
    rows, columns = np.clip(strips, 0, down - 1).astype(int), np.clip(part, 0, across - 1).astype(int)
    return np.asarray(light[rows][:, columns])


@dataclass(frozen=True)
class _Depth:
    """Depth along the axis over the fitted one as the look of the lines tells it.

    Attributes
    ----------
    z : (n,) array
        Radii.
    look, alike, share : (4, n) arrays
        Depth, how alike the model of that depth is, and how much of the whole model is there; of the whole arc, then
        of thirds of it.
    pitch : float
        Normal, radii.
    """

    z: Array
    look: Array
    alike: Array
    share: Array
    pitch: float

    def run_in(self, side: int) -> tuple[float, float, float] | None:
        """First trace, run-in and uncertainty at end 1 (`side` 1) or end 2 (-1); None where there is none."""
        z = self.z[::side]
        x = np.abs(z - z[0]) / self.pitch
        whole, *parts = (_ramp(x, *(a[k, ::side] for a in (self.look, self.alike, self.share))) for k in range(4))
        supported = sorted(p[1] for p in parts)[1] >= SUPPORT * whole[1]
        if whole[1] < LEAST_RUN or not supported:
            return None
        run = whole[1] / (1 - BEGUN) * self.pitch
        u = float(np.hypot(0.4 * self.pitch, 0.2 * run))
        return float(z[0] + side * (whole[0] * self.pitch - BEGUN * run)), run, u / 1.5


def _depth_along(fit: Fit, moved: Sightlines, light: NDArray[np.float32]) -> _Depth:
    thin = moved.cut(slice(None, None, 2), slice(None, None, 2))
    thin = replace(thin, theta_u=2 * thin.theta_u, theta_v=2 * thin.theta_v, z_u=2 * thin.z_u, z_v=2 * thin.z_v)
    bright = light[::2, ::2]
    z = thin.z.mean(axis=0).astype(float)
    core = np.abs(z - z.mean()) < 0.25 * float(np.ptp(z))
    weight = thin.weight
    target = (thin.brightness - np.median(thin.brightness[:, core], axis=1, keepdims=True)) * weight
    pitch = fit.knurl.families[0].pitch
    box = np.hanning((max(3, round(1.5 * pitch / abs(float(z[1] - z[0])))) | 1) + 2)[1:-1]
    thirds = np.array_split(np.arange(len(target)), 3)

    def along(product: NDArray[Any]) -> Array:
        """Sums over the whole arc and over thirds, smoothed along the axis: (4, columns)."""
        sums = np.stack([product.sum(axis=0), *(product[t].sum(axis=0) for t in thirds)])
        wide = np.pad(sums, ((0, 0), (len(box) // 2, len(box) // 2)), mode="edge")
        return np.array([np.convolve(row, box, "valid") for row in wide])

    power = np.maximum(along(target * target), 1e-9)
    alike, share = [], []
    for deep in DEPTHS:
        families = tuple(replace(g, fill=max(0.02, g.fill * float(deep))) for g in fit.knurl.families)
        model = np.einsum("krc,rck->rc", kinds(replace(fit.knurl, families=families), thin), bright)
        model -= model.mean(axis=0, keepdims=True)
        model = (model - model[:, core].mean(axis=1, keepdims=True)) * weight
        own, shared = np.maximum(along(model * model), 1e-9), along(target * model)
        alike.append(shared / np.sqrt(own * power))
        share.append(shared / own)
    likeness = np.array(alike)
    best = np.clip(likeness.argmax(axis=0), 1, len(DEPTHS) - 2)
    low, top, high = (np.take_along_axis(likeness, best[None] + i, 0)[0] for i in (-1, 0, 1))
    bend = np.minimum(low - 2 * top + high, -1e-9)
    look = DEPTHS[best] + (DEPTHS[1] - DEPTHS[0]) * np.clip(0.5 * (low - high) / bend, -1, 1)
    within = np.abs(z - z.mean()) < 0.2 * float(np.ptp(z))

    def relative(values: Array) -> Array:
        return np.asarray(values / np.maximum(np.median(values[:, within], axis=1, keepdims=True), 1e-6))

    whole = int(np.argmin(np.abs(DEPTHS - 1)))
    return _Depth(z + thin.middle_z, relative(look), relative(likeness.max(axis=0)), relative(share[whole]), pitch)


def _ramp(x: Array, look: Array, alike: Array, share: Array) -> tuple[float, float]:
    """First trace and length until full depth, pitches; read from outside (x = 0) inwards."""
    step, middle = float(x[1] - x[0]), len(x) // 2
    hold = max(1, int(1 / step))
    below = share < TRACE
    first = middle
    while first > 0 and not (below[first] and below[max(0, first - hold) : first + 1].mean() > 0.8):
        first -= 1
    depth, weight = np.clip(look[first:middle], 0, 1.1), np.clip(alike[first:middle], 0, 1) ** 2
    away = x[first:middle] - x[first]
    best = np.inf, 0.0
    for run in (0.0, *np.arange(0.4, 0.9 * float(away[-1]), 0.2)) if len(away) else ():
        for begun in (0.0, 0.2, 0.4) if run else (1.0,):
            ramp = np.clip(begun + (1 - begun) * away / max(run, 1e-6), 0, 1)
            cost = float((weight * np.minimum(np.abs(depth - ramp), 0.4)).sum())
            best = min(best, (cost, float(run)))
    return float(x[first]), best[1]


def _share(seen: NDArray[Any], full: NDArray[Any], core: NDArray[np.bool_]) -> Array:
    """How much of the model every column shows, 1 in the core."""
    box = np.ones(5)
    share = np.convolve(seen.sum(axis=0), box, mode="same")
    share = share / np.maximum(np.convolve(full.sum(axis=0), box, mode="same"), 1e-6)
    return np.asarray(share / max(float(share[core].mean()), 1e-6), float)


def _faded(bands: Array, z: Array, pitch: float, bands_sharp: int) -> tuple[float, float, float] | None:
    """First trace, run-in and uncertainty of an end whose share fades, read from outside inwards; None at a sharp end.

    So many bands may show a sharp end nevertheless.
    """
    inward = float(np.sign(z[-1] - z[0]))
    box = max(3, round(pitch / abs(float(z[1] - z[0])))) | 1
    quarters, widths = [], []
    for band in bands:
        smooth = np.convolve(np.pad(band, box // 2, mode="edge"), np.ones(box) / box, mode="valid")
        quarter, half, most = (_rise(smooth, z, level, box // 2) for level in (0.25, 0.5, 0.75))
        quarters.append(quarter)
        # a sharp end in poor light rises at once to half and then slowly
        widths.append(min(abs(most - quarter), 2 * abs(half - quarter)) / pitch)
    width = sorted(widths)[bands_sharp]
    if width < LEAST_FADE:
        return None
    run = float(np.sqrt(width**2 - SHARP**2)) * pitch / DEPTHS_APART
    return float(np.median(quarters)) - inward * QUARTER_DEPTH * run, run, 0.1 * pitch + 0.15 * run


def _end(share: Array, z: Array, pitch: float, beyond: float, u: float) -> tuple[float, float, float]:
    """First trace, run-in (none) and uncertainty of a sharp end, read from outside inwards.

    It is the half level of the share, and so many pitches beyond, known to `u` pitches.
    """
    step = abs(float(z[1] - z[0]))
    inward = float(np.sign(z[-1] - z[0]))
    lines = max(3, round(pitch / step))
    first = _last_gap(share, lines)
    sharp = _rise(share[first:], z[first:], HALF, lines // 2)
    return sharp - inward * beyond * pitch, 0.0, u * pitch


def _last_gap(share: Array, lines: int) -> int:
    """Where, from outside, the last stretch of a whole pitch without pattern lies before the middle; 0 without one.

    Plain metal beside the pattern shows rings of the model in turns as there and as their opposite.
    """
    unseen = np.convolve(share, np.ones(lines) / lines, mode="same") < HALF
    gaps = np.flatnonzero(np.convolve(unseen[: len(share) // 2], np.ones(lines), mode="valid") > lines - 0.5)
    return int(gaps[-1]) if len(gaps) else 0


def _rise(share: Array, z: Array, level: float, hold: int) -> float:
    """Where the share first rises above a level and stays there, by and large, for `hold` columns."""
    stays = np.convolve(share > level, np.ones(max(1, hold)) / max(1, hold), mode="full")[max(1, hold) - 1 :]
    lasting = np.nonzero((share > level) & (stays > 0.7))[0]
    i = int(lasting[0]) if len(lasting) else 0
    if i == 0 or share[i] <= share[i - 1]:
        return float(z[i])
    part = float(np.clip((share[i] - level) / (share[i] - share[i - 1]), 0, 1))
    return float(z[i] - part * (z[i] - z[i - 1]))
