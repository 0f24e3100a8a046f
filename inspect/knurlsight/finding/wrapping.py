"""Does a pattern of lines wrap a cylinder that has its silhouette at two given edges?

Along the axis a knurl repeats with one frequency, wherever round the part one looks; across the axis its phase runs
with the angle θ, so that the lines crowd towards both silhouettes. So each row of the photo along a supposed axis is
taken to its spectrum once, and for every supposed pair of edges the few strong columns of these spectra are read off at
even steps of θ. Where the edges are right, one number of teeth explains all of it: with the wrong width, a strip of a
part, the axis across the part or a flat pattern (mesh, cloth, a rule) the lines are uneven in θ and no number does.
What is explained is counted as width in px, each block of θ with the share of its own contrast: light does not matter,
and a wider pair of edges that explains as well explains more.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Array = NDArray[np.float64]

ARC = np.radians(66.0)
ROWS = 192
BLOCK, HOP = 72, 30  # rows; 50° of arc, within which light moves the lines little
BINS = 256
COLUMNS = 8  # of the rows' spectra that are followed, beside that of axial lines
LEAST_CYCLES = 3  # along the window; slower is shading
FEWEST_TEETH = 13.0
SLOW_TEETH = 5.0  # counts of what goes round as rings do
UNRESOLVED = 0.8  # of the highest number of teeth that the rows can hold
PAIR_TEETH = 0.08  # two families of a diamond differ by no more in what they seem to count
WEAK_SHARE = 0.2  # blocks with less contrast than this share of the usual count for less
SMOOTH_ROWS = 6.0
STEP_CLIP = 3.5

ROOT_SHARE = 0.03  # of the radius: roots and shadows make lines crowd as on a cylinder so much smaller (path-traced)

JUST_INSIDE = 0.88, 0.98  # of half the width

THETA = np.linspace(-ARC, ARC, ROWS)
TEETH = scipy.fft.fftfreq(BINS, THETA[1] - THETA[0]) * 2 * np.pi
INNER = np.nonzero(np.abs(np.fft.fftfreq(BINS, 1 / BINS)) < BINS // 4)[0]
BEFORE, AFTER = np.roll(np.arange(BINS), 1), np.roll(np.arange(BINS), -1)
DOUBLE = (2 * INNER + np.where(INNER > BINS // 2, -BINS, 0)) % BINS  # the bins of twice the count
WINDOW = np.hanning(BLOCK + 2)[1:-1].astype(np.float32)
STARTS = np.arange(0, ROWS - BLOCK + 1, HOP)
IN_BLOCKS = STARTS[:, None] + np.arange(BLOCK)
# matrices: mean power of the rows of each block; the slow part of a column of rows
ENERGY = np.zeros((len(STARTS), ROWS), np.float32)
np.put_along_axis(ENERGY, IN_BLOCKS, np.broadcast_to(WINDOW**2 / (WINDOW**2).sum(), IN_BLOCKS.shape), axis=1)
SLOW = np.asarray(cv2.GaussianBlur(np.eye(ROWS, dtype=np.float32), (1, 61), sigmaX=1, sigmaY=SMOOTH_ROWS), np.float32)
COUNTABLE = (np.abs(TEETH) >= FEWEST_TEETH) & (np.abs(TEETH) <= UNRESOLVED * np.abs(TEETH).max())


def _beside(sign: int) -> NDArray[np.float32]:
    """(bin, bin): the mean over the counts 17 to 26 teeth slower or faster, beyond the spread of a line in a block."""
    apart = (np.abs(TEETH)[None, :] - np.abs(TEETH)[:, None]) * sign
    same = np.sign(TEETH)[None, :] * np.sign(TEETH)[:, None] >= 0
    near = (same & (apart > 17) & (apart < 26)).astype(np.float32)
    return np.asarray(near / np.maximum(near.sum(axis=1, keepdims=True), 1), np.float32)


BESIDE = np.vstack([_beside(-1), _beside(1)])


@dataclass(frozen=True)
class Rows:
    """Rows of a window of the photo along a supposed axis.

    Attributes
    ----------
    v : (n,) array
        Where the rows lie across the axis, px, evenly.
    spectra : (n, k) complex64 array
        Of log brightness along the axis; column 0 is the row's mean, the other columns are the strongest.
    total : (n,) float32 array
        Power of all columns but the mean.
    noise : (n,) float32 array
        The power that a quarter of the columns stay below: what is no line.
    cycles : (k,) array
        Cycles along the window of each column.
    """

    v: Array
    spectra: NDArray[np.complex64]
    total: NDArray[np.float32]
    noise: NDArray[np.float32]
    cycles: NDArray[np.intp]


@dataclass(frozen=True)
class Wrap:
    """How well a pattern wraps the cylinder between two edges.

    Attributes
    ----------
    explained_px : float
        Width over which one number of teeth explains the pattern.
    share : float
        The same over the width between ±66°.
    teeth : float
        That number, to one or two in a hundred and what light does.
    cycles : int
        Of the lines along the window; 0 for axial lines.
    """

    explained_px: float
    share: float
    teeth: float
    cycles: int


def rows_of(patch: NDArray[np.float32], v: Array, inner: NDArray[np.bool_]) -> Rows | None:
    """Spectra of the rows of a patch (n, columns); the strong columns are chosen from the rows `inner`."""
    columns = patch.shape[1]
    if columns < 24 or inner.sum() < 8:
        return None
    log = np.log(patch + 12)
    window = np.hanning(columns + 2)[1:-1].astype(np.float32)
    mean = log @ (window / window.sum())
    scale = 1 / np.sqrt(float((window * window).sum()))
    spectra = scipy.fft.rfft((log - mean[:, None]) * (window * scale), axis=1, workers=1)
    last = int(0.42 * columns)
    power = (spectra.real**2 + spectra.imag**2)[:, LEAST_CYCLES:last]
    if power.shape[1] < 4:
        return None
    total = power.sum(axis=1)
    weight = 1 / (total[inner] + 0.2 * float(np.median(total[inner])) + 1e-9)
    strength = weight @ power[inner]
    chosen = np.sort(np.argsort(-strength)[:COLUMNS]) + LEAST_CYCLES
    first = (mean * (float(window.sum()) * scale)).astype(np.complex64)
    return Rows(
        v,
        np.column_stack([first, spectra[:, chosen]]).astype(np.complex64),
        total.astype(np.float32),
        np.partition(power, power.shape[1] // 4, axis=1)[:, power.shape[1] // 4].astype(np.float32),
        np.concatenate([[0], chosen]),
    )


def wraps(rows: Rows, edges: Array, focal_px: float, *, flat: bool = False) -> list[Wrap | None]:
    """Every pair of edges (p, 2), offsets across the axis in px, tried; None for what runs out of the window.

    With `flat` the lines are taken as even across the width instead of round it.
    """
    centre, half = edges.mean(axis=1), (1 - ROOT_SHARE) * np.abs(edges[:, 1] - edges[:, 0]) / 2
    distance = np.maximum(focal_px / half, 1.6)[:, None]  # radii
    # a point at θ is seen at sin θ / (distance - cos θ) of the focal length, the silhouette at 1 / √(distance² - 1)
    across = np.sin(THETA) / (distance - np.cos(THETA)) * np.sqrt(distance * distance - 1)
    if flat:
        across = np.linspace(-1, 1, ROWS) * across[:, -1:]
    step = float(rows.v[1] - rows.v[0])
    place = (centre[:, None] + half[:, None] * across - rows.v[0]) / step
    fits = (place[:, 0] >= 0) & (place[:, -1] <= len(rows.v) - 1)
    out: list[Wrap | None] = [None] * len(edges)
    for i in np.nonzero(fits)[0]:
        out[i] = _explained(rows, place[i], step)
    return out


def _explained(rows: Rows, place: Array, step: float) -> Wrap:
    low = np.minimum(place.astype(int), len(rows.v) - 2)
    part = (place - low).astype(np.float32)
    read = rows.spectra[low] * (1 - part)[:, None] + rows.spectra[low + 1] * part[:, None]
    mean = np.ascontiguousarray(read[:, 0].real)
    lines = mean - SLOW @ mean
    most = STEP_CLIP * float(np.median(np.abs(lines))) + 1e-6
    read[:, 0] = np.clip(lines, -most, most)
    total = rows.total[low] * (1 - part) + rows.total[low + 1] * part + read[:, 0].real ** 2
    blocks = read[IN_BLOCKS] * WINDOW[:, None]  # (block, row, column)
    bins = scipy.fft.fft(blocks, BINS, axis=1, workers=1)
    power = (bins.real**2 + bins.imag**2) / float(WINDOW.sum()) ** 2
    energy = ENERGY @ np.asarray(total, np.float32)
    # the window along the axis spreads a line over three columns
    width = place[STARTS + BLOCK // 2 + 1] - place[STARTS + BLOCK // 2 - 1]
    width = np.asarray(width / width.sum() * (place[-1] - place[0]) * step, np.float32)
    shares = power / (energy + WEAK_SHARE * float(energy.mean()) + 1e-12)[:, None, None]
    explained = np.tensordot(width, shares, axes=1)  # (bin, column)
    joined = explained.copy()
    for k in range(1, len(rows.cycles) - 1):
        if rows.cycles[k + 1] == rows.cycles[k] + 1:
            joined[:, k] += explained[:, k + 1]
            joined[:, k + 1] += explained[:, k]
    # a line stands out from the counts about it; what falls off from slow to fast is shading, grain or a shadow
    beside = BESIDE @ joined
    joined = np.maximum(joined - np.maximum(beside[:BINS], beside[BINS:]), 0)
    teeth = np.abs(TEETH)
    everything = joined.copy()
    joined[~COUNTABLE] = 0
    # a summit, not the flank of something slower; with its second harmonic and the sum of two crossing families
    summit = (joined >= joined[BEFORE]) & (joined >= joined[AFTER])
    whole = joined.copy()
    whole[INNER] += joined[DOUBLE, :1] * (rows.cycles > 0)
    for column, cycles in enumerate(rows.cycles):
        twice = np.nonzero(rows.cycles == 2 * cycles)[0]
        if len(twice):
            whole[INNER, column] += joined[DOUBLE, twice[0]]
    joined = np.where(summit, whole, 0)
    j, k = (int(i) for i in np.unravel_index(int(joined.argmax()), joined.shape))
    best = float(joined[j, k])
    if k > 0:
        other = np.abs(TEETH + TEETH[j]) < PAIR_TEETH * teeth[j] + 1.5
        best += float(joined[other, k].max(initial=0))
    else:
        best *= 2  # a real profile has its power on both sides
        # rings that cross axial lines make a square of them; alone they may be turned or a shadow's
        rings = everything[np.abs(TEETH) < SLOW_TEETH, 1:].max(axis=0, initial=0)
        crossing = everything[j, 1:] + everything[-j, 1:]
        best += min(best, float((np.minimum(rings, 4 * crossing) + crossing).max(initial=0)))
    seen = (place[-1] - place[0]) * step
    return Wrap(best, best / seen, float(teeth[j]), int(rows.cycles[k]))


def presence(rows: Rows, edges: Array, cycles: int) -> float:
    """How clearly lines stand out just inside the less clear of two edges: logarithm of their power over the noise.

    Lines that repeat along the axis do so as often at the limb as in the middle, and end where the part does.

    Parameters
    ----------
    rows : Rows
    edges : (2,) array
        Offsets across the axis, px.
    cycles : int
        Of the lines along the window.
    """
    column = int(np.flatnonzero(rows.cycles == cycles)[0])
    strength = np.abs(rows.spectra[:, column]) ** 2 / (rows.noise + 1e-9)
    outwards = (rows.v - float(edges.mean())) / (float(edges[1] - edges[0]) / 2)
    bands = [strength[(side * outwards > JUST_INSIDE[0]) & (side * outwards < JUST_INSIDE[1])] for side in (-1, 1)]
    return float(np.log(min(band.mean() if len(band) else 0.0 for band in bands) + 1e-9))
