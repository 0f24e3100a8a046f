"""The two silhouette edges of a part, straight lines in the photo: found, then refined to the envelope of the crests.

An edge is where the brightness changes its statistics: left and right of it, mean and spread differ, whatever the light
does. For every row of a patch along the part the log likelihood ratio of "two populations" against "one" is summed over
blocks along the edge; its ridges are the candidates. Tried on path-traced photos: the true edges stand among the three
strongest ridges on their side in all of them and lie within 1 px; which ridge it is must be decided by the pattern.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.straight_grid import sample

Array = NDArray[np.float64]

SLOPES = np.linspace(-0.12, 0.12, 49)  # candidates' directions against the patch, rad
REACH = 0.9  # of the length: knurls shorter than their radius are rare (common practice)
MOVED_DOUBT = 0.3  # of the way between two readings of an edge, standard (path-traced photos)
MOST_SKEW_PX = 24.0  # across an edge, from end to end of it
NEAREST_SHARE, NEAREST_SIGMA = 0.35, 0.454  # that lie on the line in any case; half their width, of a normal law
COLUMNS_TO_A_FACT = 6  # neighbouring columns show the same tooth
FINEST_PX = 0.5  # narrower than this no band of points is
NOISE_FLOOR_GREY = 1.5  # quantisation and JPEG leave at least this much spread


@dataclass(frozen=True)
class EdgeCandidate:
    """A straight edge: offset at the patch's middle and slope, in px of the photo across the patch's direction."""

    offset: float
    slope: float
    evidence: float

    def line(self, centre: Array, along: Array, across: Array, half_length: float) -> Array:
        """Two points (2, 2) on the edge, at -half_length and +half_length along the patch."""
        u = np.array([-half_length, half_length])[:, None]
        return np.asarray(centre + u * along + (self.offset + self.slope * u) * across)


def edge_candidates(
    grey: NDArray[np.uint8], centre: Array, along: Array, length: float, width: float, most: int = 7
) -> tuple[list[EdgeCandidate], list[EdgeCandidate]]:
    """Candidate edges on either side of a patch of texture `length` along and `width` across.

    Returns the strongest on the negative and on the positive side of ``across = (-along_y, along_x)``.
    """
    across = np.array([-along[1], along[0]])
    step = max(1.0, width / 220)
    u = np.arange(-0.42 * length, 0.42 * length + 1e-6, step)
    half = max(1.4 * width, REACH * length) + 12
    v = np.arange(-half, half + 1e-6, step)
    if len(u) < 12:
        return [], []
    evidence, u_block = change_evidence(sample(grey, centre, along, across, u, v), max(5, int(0.04 * width / step)))
    u_block = u_block - len(u) / 2 + 0.5  # in steps, from the middle
    total = _along_slopes(evidence, u_block)
    best = total.max(axis=0)
    sides: tuple[list[EdgeCandidate], list[EdgeCandidate]] = ([], [])
    for i in range(4, len(v) - 4):
        if best[i] < 0.25 or best[i] < best[i - 4 : i + 5].max() or abs(v[i]) < 0.25 * width:
            continue
        candidate = EdgeCandidate(float(v[i] - 0.5 * step), float(SLOPES[total[:, i].argmax()]), float(best[i]))
        sides[int(v[i] > 0)].append(candidate)
    for side in sides:
        side.sort(key=lambda c: max(0.0, np.log(abs(c.offset) / (0.75 * width))) - c.evidence)
        del side[most:]
    return sides


def _along_slopes(evidence: Array, u_block: Array) -> Array:
    """Mean evidence (slopes, rows) along straight lines through every row of the middle, in all `SLOPES`."""
    rows = len(evidence)
    total = np.zeros((len(SLOPES), rows))
    most = int(np.ceil(np.abs(SLOPES).max() * np.abs(u_block).max())) + 1
    padded = np.pad(evidence, ((most, most + 1), (0, 0)), mode="edge")
    for column, away in zip(np.ascontiguousarray(padded.T), u_block, strict=True):
        shift = SLOPES * away
        low = np.floor(shift).astype(int)
        part = (shift - low)[:, None]
        shifted = np.lib.stride_tricks.sliding_window_view(column, rows)
        total += shifted[low + most] * (1 - part) + shifted[low + most + 1] * part
    return np.asarray(total / len(u_block))


def change_evidence(patch: NDArray[np.float32], window: int) -> tuple[Array, Array]:
    """Log likelihood ratio per px, (rows, blocks), of a change of mean or spread before each row; and block middles."""
    rows, cols = patch.shape
    blocks = max(4, min(14, cols // 8))
    width = cols // blocks
    cells = patch[:, : width * blocks].reshape(rows, blocks, width).astype(np.float64)
    zero = np.zeros((1, blocks))
    sum1 = np.vstack([zero, np.cumsum(cells.mean(axis=2), axis=0)])
    sum2 = np.vstack([zero, np.cumsum((cells * cells).mean(axis=2), axis=0)])
    i = np.arange(window, rows - window)
    mean_a, mean_b = (sum1[i] - sum1[i - window]) / window, (sum1[i + window] - sum1[i]) / window
    sq_a, sq_b = (sum2[i] - sum2[i - window]) / window, (sum2[i + window] - sum2[i]) / window
    floor = NOISE_FLOOR_GREY**2

    def log_var(mean: Array, square: Array) -> Array:
        return np.asarray(np.log(np.maximum(square - mean * mean, 0) + floor))

    evidence = np.zeros((rows, blocks))
    joint = log_var((mean_a + mean_b) / 2, (sq_a + sq_b) / 2)
    evidence[i] = joint - 0.5 * log_var(mean_a, sq_a) - 0.5 * log_var(mean_b, sq_b)
    return evidence, np.arange(blocks) * width + width / 2 - 0.5


@dataclass(frozen=True)
class Edge:
    """A refined silhouette line.

    Attributes
    ----------
    line : (2, 2) array
        Two points on the crest envelope.
    u_px : float
        Standard uncertainty of its offset.
    u_skew_px : float
        Standard uncertainty of how far its two ends lie apart across it.
    columns : int
        Places where the edge was seen.
    """

    line: Array
    u_px: float
    u_skew_px: float
    columns: int

    def moved(self, by: Array) -> Edge:
        """The same edge elsewhere (2,) px, read in another way; where the two differ, there is doubt."""
        u_px = float(np.hypot(self.u_px, MOVED_DOUBT * np.hypot(*by)))
        return replace(self, line=self.line + by, u_px=u_px, columns=max(1, self.columns))


def along_edge(line: Array, inward: Array) -> tuple[Array, Array, float]:
    """Unit vectors (2,) along an edge and square to it, towards the axis, and its length in px.

    Parameters
    ----------
    line : (2, 2) array
        Two points on the edge, px.
    inward : (2,) array
        Roughly from the edge to the axis.
    """
    span = line[1] - line[0]
    length = float(np.hypot(*span))
    along = span / length
    across = np.array([-along[1], along[0]])
    return along, across if across @ inward >= 0 else -across, length


def refine_edge(grey: NDArray[np.uint8], line: Array, inward: Array, reach: float) -> Edge | None:
    """The envelope of the crests along a silhouette that is known to a px or two.

    Parameters
    ----------
    grey : (h, w) uint8 array
    line : (2, 2) array
        Two points on the edge as found.
    inward : (2,) unit array
        Roughly from the edge to the axis.
    reach : float
        How far to look on either side, px.

    Returns
    -------
    Edge or None
        None when the edge cannot be told from its background in enough columns.
    """
    centre = line.mean(axis=0)
    along, across, length = along_edge(line, inward)
    u = np.arange(-length / 2, length / 2 + 1e-6, max(1.0, length / 700))
    step = 0.5
    v = np.arange(-reach, reach + 1e-6, step)  # from outside (negative) inwards
    patch = sample(grey, centre, along, across, u, v)
    patch = np.asarray(cv2.blur(patch, (3, 1)), np.float32)
    outer = v < -0.35 * reach
    # background per stretch of the edge: its level may drift, its grain may not
    blocks = max(1, len(u) // 25)
    position = np.full(len(u), np.nan)
    for cols in np.array_split(np.arange(len(u)), blocks):
        sky = patch[outer][:, cols]
        level, grain = float(np.median(sky)), float(np.median(np.abs(sky - np.median(sky)))) * 1.4826
        grain = max(grain, 1.0)
        away = np.abs(patch[:, cols] - level)
        for k, col in enumerate(cols):
            position[col] = first_rise(away[:, k], v, 4.0 * grain)
    seen = np.isfinite(position) & (np.abs(position) < 0.95 * reach)
    if seen.sum() < max(8, 0.3 * len(u)):
        return None
    x, y = u[seen], position[seen]
    fit, keep, u_skew = _line_of_most(x, y, length)
    rest = np.sort((y - np.polyval(fit, x))[keep])
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    # crests stand out as the outermost part of a wavy edge; a plain edge is its own envelope
    crest = float(rest[: max(3, len(rest) // 5)].mean()) if spread > 0.35 else 0.0
    offset = np.polyval(fit, np.array([-length / 2, length / 2])) + crest
    ends = centre + np.array([-length / 2, length / 2])[:, None] * along + offset[:, None] * across
    independent = max(4.0, len(rest) / COLUMNS_TO_A_FACT)
    u_px = max(0.25, 0.3 * abs(crest), spread / float(np.sqrt(independent)))
    return Edge(np.asarray(ends), u_px, max(0.6, u_skew), len(rest))


def _line_of_most(x: Array, y: Array, length: float) -> tuple[Array, NDArray[np.bool_], float]:
    """Slope and offset of the line along which most of the points lie, which points those are, and how far its ends may
    lie apart across it by chance, standard.

    Where a part is as dark as what lies behind it, or a shadow ends beside it, half of an edge may be read anywhere. So
    it begins with the line that has a share of the points nearest to it, less than the half of the least median of
    squares (Rousseeuw 1984); other directions that have theirs nearly as near are its doubt.

    Parameters
    ----------
    x, y : (n,) arrays
        Along and across the edge, px.
    length : float
        Of the edge, px.
    """
    skews = np.arange(-MOST_SKEW_PX, MOST_SKEW_PX + 1e-6, 0.5)
    rest = np.sort(y - (skews / length)[:, None] * x, axis=1)
    near = max(3, int(NEAREST_SHARE * len(x)))
    wide = rest[:, near:] - rest[:, : len(x) - near]
    first = wide.argmin(axis=1)
    least = wide[np.arange(len(skews)), first]
    best = int(least.argmin())
    fit = np.array([skews[best] / length, rest[best, first[best] : first[best] + near].mean()])
    spread = float(least[best]) / 2 / NEAREST_SIGMA
    keep = np.abs(y - np.polyval(fit, x)) < 3 * max(spread, 0.3)
    for _ in range(3):
        fit = np.polyfit(x[keep], y[keep], 1)
        off = y - np.polyval(fit, x)
        middle = float(np.median(off[keep]))
        spread = 1.4826 * float(np.median(np.abs(off[keep] - middle)))
        keep = np.abs(off - middle) < 3 * max(spread, 0.3)
    likely = ((least + FINEST_PX) / (least[best] + FINEST_PX)) ** (-len(x) / COLUMNS_TO_A_FACT)
    u_skew = float(np.sqrt((likely * (skews - fit[0] * length) ** 2).sum() / likely.sum()))
    return fit, keep, u_skew


def first_rise(away: NDArray[np.float32], v: Array, threshold: float) -> float:
    """Where a profile, read from outside, first leaves its background for good: at half of its first plateau."""
    over = away > threshold
    twice = over[:-1] & over[1:]
    if not twice.any():
        return float("nan")
    i = int(twice.argmax())
    plateau = float(away[i : i + 5].max())
    level = max(threshold, 0.5 * plateau)
    j = i + int((away[i:] >= level).argmax())
    if j == 0:
        return float(v[0])
    a, b = float(away[j - 1]), float(away[j])
    return float(v[j] - (v[1] - v[0]) * ((b - level) / (b - a) if b > a else 0.0))
