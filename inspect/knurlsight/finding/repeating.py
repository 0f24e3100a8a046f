"""Where in a photo brightness repeats as a knurl's does: patches to look at when many parts lie in it.

Contrast (`texture`) joins parts that touch, and a part to its own turned ends or its shadow. What tells a knurl from
them is that a tile of it has most of its power in one or two narrow peaks, at the same frequency in the next tile.
Tiles at even steps are taken to their spectra; neighbours whose peaks agree make a patch. The two peaks of a diamond
also tell which way the axis runs, where the outline of a patch about as wide as long does not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.sparse
from numpy.typing import NDArray

from knurlsight.finding.texture import Patch, overlap
from knurlsight.side_by_side import Each, in_turn

Array = NDArray[np.float64]

TILE = 48  # px at each size; holds 5 to 11 pitches, and a knurl has 13 or more round and 9 or more along
STEP = 12
SLOWEST, FASTEST = 4.5, 11.5  # cycles in a tile
LEAST_SHARE = 0.22  # of a tile's power, in its two strongest peaks
WEAKER_PEAK = 0.25  # of the stronger, to count as the second family
SLOWER = 0.62  # so much slower there must be less
OFF_RAY = 3.2  # cycles in a tile
ALIKE = 0.16  # peaks of neighbouring tiles lie no farther apart, in their frequency
FEWEST_TILES = 6
SQUARE_DEG = 12.0  # two families so near a right angle may be axial lines and rings
SHRINKS = (1, 2, 4, 8)
LEAST_SIDE_PX = 120
ROWS_AT_ONCE = 16  # of tiles, in one piece of work


@dataclass(frozen=True)
class Tiles:
    """Spectra of the tiles of a photo at one size.

    Attributes
    ----------
    share : (rows, columns) array
        Of each tile's power, what its two strongest peaks hold.
    peaks : (2, rows, columns) complex array
        Their frequencies, cycles in a tile, x + iy, x not negative; 0 where there is no second.
    """

    share: Array
    peaks: NDArray[np.complex128]


def repeating_patches(grey: NDArray[np.uint8], each: Each = in_turn) -> tuple[Patch, ...]:
    """Patches of even texture, the largest first; one for every direction that the axis may have."""
    found: list[tuple[float, Patch]] = []
    for shrink in SHRINKS:
        if min(grey.shape) / shrink < LEAST_SIDE_PX:
            break
        h, w = grey.shape
        small = cv2.resize(grey, (w // shrink, h // shrink), interpolation=cv2.INTER_AREA) if shrink > 1 else grey
        tiles = tiles_of(np.asarray(small, np.uint8), each)
        for member in _alike(tiles):
            found += [(float(tiles.share[member].sum()) * shrink**2, p) for p in _patches(tiles, member, shrink)]
    found.sort(key=lambda item: -item[0])
    kept: list[Patch] = []
    for _, patch in found:
        if all(overlap(patch, other) < 0.6 or not _same_way(patch, other) for other in kept):
            kept.append(patch)
    return tuple(kept)


def tiles_of(grey: NDArray[np.uint8], each: Each = in_turn) -> Tiles:
    """The strongest peaks of every tile of a photo."""
    rows = (grey.shape[0] - TILE) // STEP + 1
    firsts = range(0, rows, ROWS_AT_ONCE)
    bands = [grey[i * STEP : (min(i + ROWS_AT_ONCE, rows) - 1) * STEP + TILE] for i in firsts]
    done = each(_band, bands)
    return Tiles(np.concatenate([t.share for t in done]), np.concatenate([t.peaks for t in done], axis=1))


def _band(grey: NDArray[np.uint8]) -> Tiles:
    log = np.log(np.arange(256, dtype=np.float32) + 12)[grey]
    view = np.lib.stride_tricks.sliding_window_view(log, (TILE, TILE))[::STEP, ::STEP]
    window = np.hanning(TILE + 2)[1:-1].astype(np.float32)
    window2 = window[:, None] * window
    # of the spectrum only what can be a peak and its slower companions is looked at, slow rows in the middle
    half = int(FASTEST) + 2
    fy, fx = np.arange(-half, half + 1)[:, None], np.arange(half + 1)[None, :]
    radius = np.hypot(fx, fy)
    band = (radius >= SLOWEST) & (radius <= FASTEST)
    every = np.hypot(np.arange(TILE // 2 + 1)[None, :], np.fft.fftfreq(TILE, 1 / TILE)[:, None]) > 2.5
    ones_and_half = np.where(np.arange(TILE // 2 + 1) == 0, 0.5, 1.0)  # the other half of a column of its own
    counted = (every * ones_and_half).astype(np.float32).ravel()
    rows, columns = view.shape[:2]
    tile = np.arange(columns)
    share = np.zeros((rows, columns))
    peaks = np.zeros((2, rows, columns), np.complex128)
    for i in range(rows):  # a row of tiles at a time bounds the memory
        block = (view[i] - view[i].mean(axis=(1, 2), keepdims=True)) * window2
        spectra = scipy.fft.rfft2(block, workers=1)
        whole = spectra.real**2 + spectra.imag**2
        total = whole.reshape(columns, -1) @ counted + 1e-6
        power = np.concatenate([whole[:, -half:, : half + 1], whole[:, : half + 1, : half + 1]], axis=1)
        power[:, :, 0] *= 0.5
        # a line of the window's spread: three bins each way
        whole_lobe = 9 * np.stack([cv2.blur(p, (3, 3), borderType=cv2.BORDER_CONSTANT) for p in power])
        lobe = np.where(band, whole_lobe, 0)
        for k in (0, 1):
            flat = lobe.reshape(columns, -1)
            at = flat.argmax(axis=1)
            y, x = np.unravel_index(at, band.shape)
            strength = flat[tile, at]
            here = x + 1j * fy[y, 0]
            # an edge or a shadow has more the slower, a knurl's line stands alone
            slower = np.rint(SLOWER * here)
            below = whole_lobe[tile, slower.imag.astype(int) + half, slower.real.astype(int)]
            strength = np.where(below < strength, strength, 0)
            if k == 0:
                first = strength
                share[i] = strength
                peaks[0, i] = here
                # what lies along the same ray belongs to the same line
                away = here.astype(np.complex64)[:, None, None]
                off_ray = np.abs(fx.astype(np.float32) * away.imag - fy.astype(np.float32) * away.real)
                lobe *= off_ray >= np.float32(OFF_RAY) * np.abs(away)
            else:
                second = strength > WEAKER_PEAK * first
                share[i] += np.where(second, strength, 0)
                peaks[1, i] = np.where(second, here, 0)
        share[i] /= total
    return Tiles(share, peaks)


def _alike(tiles: Tiles) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Groups of neighbouring tiles with the same peaks: their rows and columns."""
    even = tiles.share > LEAST_SHARE
    number = np.arange(even.size).reshape(even.shape)
    pairs = []
    for a, b in (((slice(None), slice(-1)), (slice(None), slice(1, None))), ((slice(-1),), (slice(1, None),))):
        same = np.zeros(even[a].shape, bool)
        for p in tiles.peaks:
            for q in tiles.peaks:
                f, g = p[a], q[b]
                apart = np.minimum(np.abs(f - g), np.abs(f + g))
                same |= (apart < ALIKE * np.abs(f)) & (np.abs(g) > 0)
        joined = same & even[a] & even[b]
        pairs.append((number[a][joined], number[b][joined]))
    i, j = (np.concatenate(side) for side in zip(*pairs, strict=True))
    graph = scipy.sparse.coo_array((np.ones(len(i)), (i, j)), (even.size, even.size))
    _, labels = scipy.sparse.csgraph.connected_components(graph, directed=False)
    labels = np.where(even.ravel(), labels, -1)
    order = np.argsort(labels, kind="stable")
    _, starts, counts = np.unique(labels[order], return_index=True, return_counts=True)
    for start, count in zip(starts, counts, strict=True):
        if count >= FEWEST_TILES and labels[order[start]] >= 0:
            y, x = np.unravel_index(order[start : start + count], even.shape)
            yield y, x


def _patches(tiles: Tiles, member: tuple[NDArray[np.intp], NDArray[np.intp]], shrink: int) -> Iterator[Patch]:
    """The rectangle round a group of tiles, along every direction that its axis may have."""
    y, x = member
    centres = np.column_stack([x, y]).astype(np.float32) * STEP + np.float32((TILE - 1) / 2)
    (_, _), (_, _), angle = cv2.minAreaRect(centres)
    for degrees in _directions(tiles.peaks[:, y, x], angle):
        turn = np.radians(degrees)
        along = np.array([np.cos(turn), np.sin(turn)])
        across = np.array([-along[1], along[0]])
        u, v = centres @ along, centres @ across
        low, high = np.array([u.min(), v.min()]), np.array([u.max(), v.max()])
        middle = (low + high) / 2
        centre = middle[0] * along + middle[1] * across
        # tiles look half their own width beyond their centres
        side = (high - low + 0.6 * TILE) * shrink
        yield Patch(
            (centre + 0.5) * shrink - 0.5, (float(side[0]), float(side[1])), along, float(tiles.share[member].mean())
        )


def _directions(peaks: NDArray[np.complex128], outline_deg: float) -> list[float]:
    """Directions, degrees, modulo 90, that the axis may have: by the lines, and by the outline of the patch."""
    strongest = _usual(peaks[0])
    doubled = [outline_deg]
    rest = peaks[1][np.abs(peaks[1]) > 0]
    if len(rest) > 0.4 * len(peaks[0]):
        # the two change places from tile to tile: the other is whichever is not near the first
        both = np.where(_apart(peaks[0], strongest) > _apart(peaks[1], strongest), peaks[0], peaks[1])
        other = _usual(both[np.abs(both) > 0])
        a, b = np.degrees(np.angle([strongest, other]))
        between = (a - b + 90) % 180 - 90
        doubled.append(b + between / 2)
        if abs(abs(between) - 90) < SQUARE_DEG:
            doubled.append(a)
    else:
        doubled.append(float(np.degrees(np.angle(strongest))))
    kept: list[float] = []
    for d in doubled[::-1]:
        if all(abs((d - k + 45) % 90 - 45) > 4 for k in kept):
            kept.append(d)
    return kept


def _apart(peaks: NDArray[np.complex128], from_: complex) -> Array:
    return np.asarray(np.minimum(np.abs(peaks - from_), np.abs(peaks + from_)))


def _usual(peaks: NDArray[np.complex128]) -> complex:
    """The commonest frequency among some, up to its sign: the one with the most others near."""
    near = np.minimum(np.abs(peaks[:, None] - peaks[None]), np.abs(peaks[:, None] + peaks[None])) < 1.5
    best = int(near.sum(axis=1).argmax())
    group = peaks[near[best]]
    turned = np.where(np.abs(group - peaks[best]) < np.abs(group + peaks[best]), group, -group)
    return complex(turned.mean())


def _same_way(a: Patch, b: Patch) -> bool:
    return bool(abs(((np.degrees(np.arctan2(*a.direction) - np.arctan2(*b.direction))) + 45) % 90 - 45) < 4)
