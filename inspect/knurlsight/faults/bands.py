"""Bands: something that repeats at a distance of its own, along the part (rings of a feed) or round it (chatter).

Averaged round the part, the pattern leaves only lines at whole multiples of its own pitches along; averaged along the
part, lines that lean leave nothing but light, which changes slowly, and their own count. A sharp line elsewhere in the
spectrum of such an average is a band. Rings are sought in what the fitted model leaves over, chatter in the evened
photo itself, since the model's light follows anything that runs along its strips.

Strengths in the units of the evened photo (spread 1), path-traced and synthetic parts with true outlines: of 170 parts
without rings one (dented) seemed to have them; of eleven with rings 0.04 mm deep four were told, at distances right to
1.1 %. Without chatter the strongest wave had 0.09; four of eight leaning patterns with it had 0.15 to 0.25.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.faults.maps import model_of
from knurlsight.measuring.flank_fit import Fit
from knurlsight.measuring.flanks import Knurl
from knurlsight.measuring.sightlines import Sightlines

Array = NDArray[np.float64]

FACING_RAD = 0.8
PAD = 4  # finer than the resolution, for reading where a line stands
RINGS = 0.025  # least strength of rings
STANDS_OUT = 5.0  # over what lies beside it
SLICES, TOGETHER = 8, 0.7  # share of its strength that slices round the part show in one place, or evenly turned
HARMONICS = 8
FEWEST_RINGS = 5.0
WIDEST = 1.3  # normal pitches from ring to ring; feeds are finer, light does wider ones
ALIKE = 0.5  # rings seen on the lands alone may be read at another distance, about as strong
CHATTER = 0.15
CHATTER_ARC_RAD = 0.9
FEWEST_WAVES = 24.0  # round the part; below, light does as much
U_WAVES = 3.5  # bright and dark sides wander as the surface turns away
MOST_OF_COUNT = 0.85  # nearer the count of the lines, lips do as much


@dataclass(frozen=True)
class Bands:
    """Rings along the part or waves round it.

    Attributes
    ----------
    along : bool
        Along the part (rings), otherwise round it (waves that run along it).
    spacing : Quantity
        Radii.
    strength : Quantity
        Amplitude over the spread of the whole pattern.
    or_spacing : float or None
        The other distance, in radii, at which they may stand as well.
    """

    along: bool
    spacing: Quantity
    strength: Quantity
    or_spacing: float | None = None


def rings_of(fit: Fit, sight: Sightlines, light_pitches: float) -> Bands | None:
    """Rings round the part, as a feed leaves them; None where none stand out.

    None, too, for squares, whose own rings are lit differently along the part: six of 90 good ones seemed to have
    others.
    """
    if not all(g.around for g in fit.knurl.families):
        return None
    _, model = model_of(fit, sight, light_pitches)
    weight = np.asarray(sight.weight * (model != 0), float)
    rows = np.flatnonzero(np.abs(sight.theta.mean(axis=1)) < FACING_RAD)
    if len(rows) < 8 or not weight.any():
        return None
    left = (sight.brightness - model) * weight
    z = sight.z.mean(axis=0).astype(float)
    n, length = len(z), abs(float(z[-1] - z[0]))
    slow = _slow(n)
    own = _own_lines(fit.knurl)
    waves = [np.exp(2j * np.pi * k * z) for k in own if k < 0.5 * (n - 1) / length]
    basis = np.column_stack([slow, *(part for w in waves for part in (w.real, w.imag))])

    def spectrum(part: NDArray[np.int64]) -> NDArray[np.complex128]:
        return _spectrum(_mean(left[part], weight[part], 0), basis)

    frequency = np.fft.rfftfreq(PAD * n, length / (n - 1))
    pitch = float(np.mean([g.pitch for g in fit.knurl.families]))
    allowed = (frequency > max(FEWEST_RINGS / length, 1 / (WIDEST * pitch))) & (frequency < 0.4 * (n - 1) / length)
    for k in own:
        allowed &= np.abs(frequency - k) > max(1.5 / length, 0.02 * k)
    whole = spectrum(rows)
    strength = np.where(allowed, np.abs(whole), 0.0)
    best = int(strength.argmax())
    slices = np.array([spectrum(part)[best] for part in np.array_split(rows, SLICES)])
    # an axis that is seen a little askew turns the rings evenly from slice to slice
    turns = np.exp(-2j * np.pi * np.outer(np.linspace(-1, 1, 41), np.arange(SLICES) / (SLICES - 1)))
    together = float(np.abs(turns @ slices).max() / max(float(np.abs(slices).sum()), 1e-12))
    beside = strength[max(0, best - 80) : best + 80]
    usual = float(np.median(beside[beside > 0])) if (beside > 0).any() else np.inf
    if strength[best] < max(RINGS, STANDS_OUT * usual) or together < TOGETHER:
        return None
    k = _top(frequency, strength, best)
    other = _alias(fit.knurl, frequency, strength, k)
    # a line is read to about a fifth of its width, the height along the part to half a per cent
    spacing = Quantity(1 / k, float(np.hypot(0.2 / (length * k**2), 0.005 / k)))
    return Bands(True, spacing, Quantity(float(strength[best]), usual), other)


def chatter_of(fit: Fit, sight: Sightlines) -> Bands | None:
    """Waves round the part; None where none stand out.

    None, too, where lines run straight along the part, which hides them, and for recessed points: one good part of 16
    seemed to have them.
    """
    families = fit.knurl.families
    if not all(g.around and g.along for g in families) or fit.knurl.crossing == "recessed":
        return None
    theta = sight.theta.mean(axis=1).astype(float)
    even = np.linspace(-CHATTER_ARC_RAD, CHATTER_ARC_RAD, 600)
    order = np.argsort(theta)
    if theta[order[0]] > even[0] or theta[order[-1]] < even[-1]:
        return None
    weight = sight.weight.astype(float)
    mean = np.interp(even, theta[order], _mean(sight.brightness * weight, weight, 1)[order])
    strength = np.abs(_spectrum(mean, _slow(len(even))))
    waves = 2 * np.pi * np.fft.rfftfreq(PAD * len(even), float(even[1] - even[0]))
    count = 2 * np.pi * min(g.around for g in families)
    strength = np.where((waves > FEWEST_WAVES) & (waves < MOST_OF_COUNT * count), strength, 0.0)
    best = int(strength.argmax())
    if strength[best] < CHATTER or best in (0, len(waves) - 1) or strength[best + 1] * strength[best - 1] == 0:
        return None  # the top must lie inside
    turns = _top(waves, strength, best) / (2 * np.pi)
    spacing = Quantity(1 / turns, U_WAVES / (2 * np.pi) / turns**2)
    return Bands(False, spacing, Quantity(float(strength[best]), CHATTER / 3))


def _top(x: NDArray[Any], y: NDArray[Any], i: int) -> float:
    """Where a parabola through the highest of evenly spaced values and its neighbours has its top."""
    if not 0 < i < len(y) - 1 or not y[i - 1] or not y[i + 1]:
        return float(x[i])
    away = 0.5 * (y[i - 1] - y[i + 1]) / min(float(y[i - 1] - 2 * y[i] + y[i + 1]), -1e-12)
    return float(x[i] + np.clip(away, -0.5, 0.5) * (x[1] - x[0]))


def _own_lines(knurl: Knurl) -> list[float]:
    """Frequencies along, per radius, at which the pattern itself may show when averaged round the part."""
    along = [abs(g.along) for g in knurl.families if g.along]
    both = [sum(along), abs(along[0] - along[1])] if len(along) == 2 else []
    return [k * i for k in (*along, *both) if k > 0.5 for i in range(1, HARMONICS + 1)]


def _alias(knurl: Knurl, frequency: NDArray[Any], strength: NDArray[Any], k: float) -> float | None:
    """Another distance that the lands of a diamond, which alone carry rings, cannot tell from the first."""
    along = [abs(g.along) for g in knurl.families if g.along]
    if len(along) < 2:
        return None
    lattice = sum(along)
    others = [abs(k + i * lattice) for i in (-2, -1, 1, 2)]
    top = float(np.interp(k, frequency, strength))
    near = [(float(strength[np.abs(frequency - o) < 4 * frequency[1]].max(initial=0.0)), o) for o in others]
    best = max(near)
    return 1 / best[1] if best[0] > ALIKE * top else None


def _mean(values: Array, weight: Array, axis: int) -> Array:
    total = weight.sum(axis=axis)
    return np.where(total > 0.3 * total.max(), values.sum(axis=axis) / np.maximum(total, 1e-6), 0.0)


def _slow(n: int) -> Array:
    return np.asarray(np.polynomial.legendre.legvander(np.linspace(-1, 1, n), 6))


def _spectrum(mean: Array, basis: Array) -> NDArray[np.complex128]:
    """Amplitudes of a mean, what `basis` explains taken out."""
    n = len(mean)
    rest = mean - basis @ np.linalg.lstsq(basis, mean, rcond=None)[0]
    return np.asarray(np.fft.rfft(rest * np.hanning(n), PAD * n) * 4 / n)
