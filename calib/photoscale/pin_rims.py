"""Which two of the lines along a polished pin are its rims.

The lens makes a rim as sharp as it can be, most highlights are broader; where a pin ends, the brightness jumps over its
width and nowhere beside it. The outer sevenths of a polished cylinder mirror what it lies on, so its rims may hardly
differ from the bench, while lines a seventh inside them, where the bench's mirror image begins, stand out. A shadow
beside it ends near its ends, too, but its rows do not all jump where the pin's do. No one of these decides. How much
each says was learnt from 846 pins whose rims are known, 293 of them path-traced, and the answer is a probability.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.straight_grid import sample

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

MOST_LENGTH_PX = 1000  # longer pins are looked at in a smaller photo
STOUTEST = 1.25  # length of the bundle over width, at least
MIN_WIDTH_PX = 16.0
PART_PX = 6  # a part's outline is looked at no closer
BEFORE = 0.3  # lengths of the bundle that are looked at before and behind it
COLUMNS = 32  # brightness is averaged in so many pieces along the pin
MIDDLE = (0.08, 0.92)  # of the bundle: ends are rounded or bevelled
LINE_PX = 1.35  # scale of the filters that find lines: a step or a bend, blurred by a lens
LEAST_NOISE_LINE, LEAST_NOISE_END = 0.05, 0.5  # grey
MOST_LINES = 28
MOST_SLOPE, SLOPES = np.deg2rad(1.6), 33  # of rims against the bundle
MOST_TAPER = np.tan(np.deg2rad(1.3))
END_PX_REL, END_SHIFT_PX = 0.012, 2  # of the length: brightness before and behind an end
END_REL = 0.25  # of the length, between the ends of pin and bundle
OUT_PX, BESIDE_REL = 3.0, 0.12  # from a rim, beyond its blur, and in widths: where nothing may end
SAME_PX, SAME_REL = 2.0, 0.02  # pairs no farther apart are the same
LEAST_NOISE_LEVEL = 0.3  # grey, from row to row
FARTHER_REL, FARTHEST_REL = (0.2, 0.35), (0.35, 0.5)  # beyond a rim, in widths: the bench, out of the pin's shadow
# a conditional logit with "none of these" as one more choice, of each mark and its square (without the squares twice as
# many of those read are wrong), learnt from 846 pins. All are mean logarithms against noise
WEIGHTS = np.array(
    [
        (7.69, -0.475),  # strength of the fainter line
        (0.13, 0.253),  # jump inside, at the fainter end
        (6.88, -1.722),  # the same of the fifth of rows that jumps least
        (-2.88, 0.262),  # jump beside, at the fainter end, on the side where it is larger
        (-1.85, 0.066),  # change of brightness outside, on the side where it is larger
        (-1.61, -0.031),  # strongest line outside, no farther away than the width
        (0.85, -0.498),  # strongest line between
        (2.80, -0.763),  # step of brightness over the rim where it is smaller
        (0.17, 0.201),  # how much darker it is close by than farther out
    ]
)
NONE = 12.23


@dataclass(frozen=True)
class Bundle:
    """Parallel lines close together: highlights of a pin.

    Attributes
    ----------
    start, along : (2,) arrays
        Where the longest begins, px; its direction, of length 1.
    length, low, high : float
        How far it goes; between which offsets across they all lie; px. Across is a quarter turn from x to y.
    """

    start: Array
    along: Array
    length: float
    low: float
    high: float


@dataclass(frozen=True)
class Rims:
    """The likeliest rims of a pin.

    Attributes
    ----------
    ends : (2,) array
        Where the pin begins and stops along its bundle, px from the bundle's start.
    offset, slope : (2,) arrays
        Of each rim, the lower first: px across the bundle at its start, and px more for each px along.
    sure : float
        Probability that these are the rims, among all pairs of lines and none of them.
    """

    ends: Array
    offset: Array
    slope: Array
    sure: float

    @property
    def width(self) -> float:
        """Between the rims in the middle of the pin, px."""
        return float(np.diff(self.offset + self.slope * self.ends.mean())[0])


@dataclass(frozen=True)
class _Strip:
    """The photo around a bundle, laid level (n across, m along): sums of the brightness (n, m + 1) before each column;
    what is part; where rows and columns lie, px.
    """

    before: Array
    part: NDArray[np.bool_]
    across: Array
    along: Array


@dataclass(frozen=True)
class _Lines:
    """Lines along the strip (n,), the strongest first: row in the middle, slope, strength."""

    row: Array
    slope: Array
    strength: Array


@dataclass(frozen=True)
class _Pair:
    """Two lines that may be the rims, by their numbers; where along, px, the pin would end; logarithm of its odds."""

    lower: int
    upper: int
    ends: Array
    score: float


def likeliest_rims(grey: Grey, bundle: Bundle, avoid: Sequence[Array] = ()) -> Rims | None:
    """Choose two lines around a bundle.

    Parameters
    ----------
    grey : (h, w) uint8 array
    bundle : Bundle
    avoid : sequence of (k, 2) arrays
        Outlines of parts, px; what lies inside says nothing.

    Returns
    -------
    Rims or None
        None where there are no two lines.
    """
    smaller = max(1, round(bundle.length / MOST_LENGTH_PX))
    if smaller > 1:
        small = cv2.resize(grey, None, fx=1 / smaller, fy=1 / smaller, interpolation=cv2.INTER_AREA)
        grey = np.asarray(small, np.uint8)
    start = (bundle.start - (smaller - 1) / 2) / smaller
    near = Bundle(start, bundle.along, *(px / smaller for px in (bundle.length, bundle.low, bundle.high)))
    strip = _strip(grey, near, [(np.asarray(outline) - (smaller - 1) / 2) / smaller for outline in avoid])
    lines = _lines(strip, near.length)
    pairs = list(_pairs(strip, lines, near))
    if not pairs:
        return None
    scores = np.array([pair.score for pair in pairs] + [NONE])
    share = np.exp(scores - scores.max())
    share = share[:-1] / share.sum()
    best = pairs[int(np.argmax(share))]
    both = [best.lower, best.upper]
    rows = lines.row[[(pair.lower, pair.upper) for pair in pairs]]
    width = float(np.diff(lines.row[both])[0])
    same = np.abs(rows - lines.row[both]).max(axis=1) < max(SAME_PX, SAME_REL * width)
    slope = lines.slope[both]
    offset = strip.across[0] + lines.row[both] - slope * near.length / 2
    return Rims(best.ends * smaller, offset * smaller, slope, float(share[same].sum()))


def _strip(grey: Grey, bundle: Bundle, avoid: Sequence[Array]) -> _Strip:
    reach = max(1.2 * (bundle.high - bundle.low), bundle.length / 2.5)
    middle = (bundle.low + bundle.high) / 2
    j = np.arange(int(middle - reach), int(middle + reach) + 1, dtype=float)
    i = np.arange(int(-BEFORE * bundle.length), int((1 + BEFORE) * bundle.length) + 1, dtype=float)
    across = np.array([-bundle.along[1], bundle.along[0]])
    seen = sample(grey, bundle.start, bundle.along, across, i, j)
    part = np.zeros(seen.shape, np.uint8)
    for outline in avoid:
        there = (outline - bundle.start) @ np.column_stack([bundle.along, across]) - [i[0], j[0]]
        cv2.fillPoly(part, [np.rint(there).astype(np.int32)], 1)
    near = cv2.dilate(part, np.ones((2 * PART_PX + 1, 2 * PART_PX + 1)))
    before = np.cumsum(np.pad(seen.astype(np.float64), ((0, 0), (1, 0))), axis=1)
    return _Strip(before, near.astype(bool), j, i)


def _lines(strip: _Strip, length: float) -> _Lines:
    """Where steps or bends of the brightness go on along the pin, at any slope that a rim may have."""
    ends = np.searchsorted(strip.along, np.linspace(MIDDLE[0] * length, MIDDLE[1] * length, COLUMNS + 1))
    strength = _steps_and_bends(np.diff(strip.before[:, ends], axis=1) / np.maximum(np.diff(ends), 1))
    strength = np.log1p(strength / (float(np.median(strength)) + LEAST_NOISE_LINE))
    strength *= ~strip.part[:, (ends[1:] + ends[:-1]) // 2]
    rows = np.arange(len(strip.across))
    at = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * (MIDDLE[1] - MIDDLE[0]) * length
    slopes = np.tan(np.linspace(-MOST_SLOPE, MOST_SLOPE, SLOPES))
    along = np.stack(
        [np.mean([np.interp(rows + s * x, rows, strength[:, c]) for c, x in enumerate(at)], axis=0) for s in slopes]
    )
    best = along.max(axis=0)
    r = best[2:-2]
    peak = (r >= best[1:-3]) & (r >= best[3:-1]) & (r > best[:-4]) & (r > best[4:])
    row = np.flatnonzero(peak) + 2
    row = row[np.argsort(-best[row])][:MOST_LINES]
    return _Lines(row.astype(float), slopes[along.argmax(axis=0)[row]], best[row])


def _steps_and_bends(pieces: Array) -> NDArray[np.float32]:
    """Strength of steps and bends down the columns, alike for both.

    A pair of filters in quadrature of small support: W. T. Freeman and E. H. Adelson, "The design and use of steerable
    filters" (1991), second derivative of a Gaussian and its Hilbert transform, coefficients from memory. Their broader
    kin, and log-Gabor pairs, let a highlight's edge hide a rim ten pixels away.
    """
    reach = int(np.ceil(3.2 * LINE_PX))
    u = np.arange(-reach, reach + 1) / LINE_PX
    even, odd = 0.9213 * (2 * u**2 - 1) * np.exp(-(u**2)), (0.978 * u**3 - 2.205 * u) * np.exp(-(u**2))
    a, b = (
        cv2.filter2D(
            pieces.astype(np.float32), cv2.CV_32F, f.astype(np.float32).reshape(-1, 1), borderType=cv2.BORDER_REFLECT
        )
        for f in (even - even.mean(), odd)
    )
    return np.asarray(np.hypot(a, b), np.float32)


def _pairs(strip: _Strip, lines: _Lines, bundle: Bundle) -> Iterator[_Pair]:
    """Pairs of lines with the bundle between them."""
    at, ended = _ends(strip, bundle.length)
    jumps = np.concatenate([np.zeros((1, len(at))), np.cumsum(ended, axis=0, dtype=np.float64)])
    first, last = (np.flatnonzero(np.abs(at - end) < END_REL * bundle.length) for end in (0.0, bundle.length))
    middle = (bundle.low + bundle.high) / 2 - strip.across[0]
    level = _Levels.of(strip, bundle.length)

    def mean(low: float, high: float) -> Array:
        a, b = (round(min(max(row, 0.0), len(strip.across))) for row in (low, high))
        return np.asarray((jumps[b] - jumps[a]) / max(b - a, 1), float)

    for a, b in combinations(np.argsort(lines.row), 2):
        low, high = float(lines.row[a]), float(lines.row[b])
        width = high - low
        if width < MIN_WIDTH_PX or bundle.length < STOUTEST * width or not low <= middle <= high:
            continue
        if abs(lines.slope[a] - lines.slope[b]) > MOST_TAPER:
            continue
        inside = mean(low + 2, high - 2)
        ends = [first[np.argmax(inside[first])], last[np.argmax(inside[last])]]
        near = max(4.0, BESIDE_REL * width)
        # shadows may end, too, where one end of the pin is: the fainter of both ends counts
        below, above = mean(low - OUT_PX - near, low - OUT_PX), mean(high + OUT_PX, high + OUT_PX + near)
        marks = np.array(  # in the order of the weights
            [
                lines.strength[[a, b]].min(),
                inside[ends].min(),
                np.quantile(ended[int(low) + 2 : int(high) - 2, ends], 0.2, axis=0).min(),
                max(below[ends].min(), above[ends].min()),
                level.change_outside(low, high),
                _strongest_outside(lines, low, high),
                lines.strength[(lines.row > low + 3) & (lines.row < high - 3)].max(initial=0.0),
                level.step(low, high),
                level.darker_close_by(low, high),
            ]
        )
        yield _Pair(int(a), int(b), at[ends], float(WEIGHTS[:, 0] @ marks + WEIGHTS[:, 1] @ marks**2))


@dataclass(frozen=True)
class _Levels:
    """Brightness of the rows of a strip along the pin: sums (n + 1,) before each row; what neighbours differ by."""

    before: Array
    noise: float

    @staticmethod
    def of(strip: _Strip, length: float) -> _Levels:
        a, b = np.searchsorted(strip.along, [0.1 * length, 0.9 * length])
        row = (strip.before[:, b] - strip.before[:, a]) / max(b - a, 1)
        noise = float(np.median(np.abs(np.diff(row)))) + LEAST_NOISE_LEVEL
        return _Levels(np.concatenate([[0.0], np.cumsum(row)]), noise)

    def mean(self, low: float, high: float) -> float:
        n = len(self.before) - 1
        a = min(round(max(low, 0.0)), n - 1)
        b = max(min(round(high), n), a + 1)
        return float(self.before[b] - self.before[a]) / (b - a)

    def beside(self, rim: float, way: int, near: float, far: float) -> float:
        """Mean of the rows from `near` to `far` px off a rim, upwards (1) or downwards (-1)."""
        return self.mean(*sorted((rim + way * near, rim + way * far)))

    def step(self, low: float, high: float) -> float:
        steps = [self.beside(rim, -out, 2, 6) - self.beside(rim, out, 2, 6) for rim, out in ((low, -1), (high, 1))]
        return float(np.log1p(min(abs(s) for s in steps) / self.noise))

    def change_outside(self, low: float, high: float) -> float:
        a, b = (2 + (high - low) * share for share in FARTHER_REL)
        changes = [self.beside(rim, out, 2, 5) - self.beside(rim, out, a, b) for rim, out in ((low, -1), (high, 1))]
        return float(np.log1p(max(abs(c) for c in changes) / self.noise))

    def darker_close_by(self, low: float, high: float) -> float:
        a, b = ((high - low) * share for share in FARTHEST_REL)
        brighter = [self.beside(rim, out, 2, 6) - self.beside(rim, out, a, b) for rim, out in ((low, -1), (high, 1))]
        return float(np.log1p(max(0.0, -min(brighter)) / self.noise))


def _ends(strip: _Strip, length: float) -> tuple[Array, NDArray[np.float32]]:
    """Places along (k,), and how far the brightness of each row jumps there, in logarithms against noise (n, k)."""
    k = max(3, int(END_PX_REL * length))
    gap = max(1, k // 3)
    total, i = strip.before, np.arange(k + gap, len(strip.along) - k - gap)
    jump = np.abs(total[:, i + gap + k] - total[:, i + gap] - total[:, i - gap] + total[:, i - gap - k]) / k
    jump = (np.log1p(jump / (float(np.median(jump)) + LEAST_NOISE_END)) * ~strip.part[:, i]).astype(np.float32)
    return strip.along[i], np.asarray(cv2.dilate(jump, np.ones((1, 2 * END_SHIFT_PX + 1))), np.float32)


def _strongest_outside(lines: _Lines, low: float, high: float) -> float:
    """Strength of the strongest line outside, no farther away than the two are apart."""
    width = high - low
    below = (lines.row < low - 3) & (lines.row > low - width)
    above = (lines.row > high + 3) & (lines.row < high + width)
    return float(lines.strength[below | above].max(initial=0.0))
