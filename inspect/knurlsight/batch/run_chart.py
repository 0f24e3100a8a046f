"""Run charts: values in order, their control limits and what the run rules say.

Single values have limits from the mean moving range, groups of n from the mean range (Shewhart; ISO 7870-2 from
memory). The rules are the four of the Western Electric handbook (1956, from memory).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
#: Limits from fewer points say little (common practice: 20 to 25).
LEAST_POINTS = 20
LARGEST_GROUP = 10


@dataclass(frozen=True)
class Constants:
    """Factors of control charts for groups of n: see `constants`."""

    d2: float
    d3: float
    c4: float
    A2: float
    A3: float
    D3: float
    D4: float
    B3: float
    B4: float


@functools.cache
def constants(n: int) -> Constants:
    """Factors for groups of n normal values.

    d2 and d3 are mean and standard deviation of their range in standard deviations, c4 the mean of their standard
    deviation; the others follow by definition: A2 = 3 / (d2 sqrt n), D3 and D4 = 1 ∓ 3 d3 / d2, A3 = 3 / (c4 sqrt n),
    B3 and B4 = 1 ∓ 3 sqrt(1 - c4²) / c4, none below 0.

    Notes
    -----
    With F the normal distribution, x < y the ends of the range: E[R] = ∫ 1 - F^n - (1 - F)^n dx and
    E[R²] = 2 ∬ 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n dx dy (Tippett 1925), by the trapezoidal rule at two steps.
    """
    from scipy.special import gammaln

    (d2, coarse), (_, fine) = _range_moments(n, 0.04), _range_moments(n, 0.02)
    # the rule's error goes with the square of the step, which two steps cancel
    d3 = math.sqrt((4 * fine - coarse) / 3 - d2**2)
    c4 = math.sqrt(2 / (n - 1)) * math.exp(gammaln(n / 2) - gammaln((n - 1) / 2))
    wide, spread = 3 * d3 / d2, 3 * math.sqrt(1 - c4**2) / c4
    root = math.sqrt(n)
    return Constants(
        d2, d3, c4, 3 / (d2 * root), 3 / (c4 * root), max(0, 1 - wide), 1 + wide, max(0, 1 - spread), 1 + spread
    )


def _range_moments(n: int, step: float) -> tuple[float, float]:
    """Mean, and mean square, of the range of n normal values."""
    from scipy.special import ndtr

    below = ndtr(np.arange(-8.4, 8.4 + step / 2, step))
    mean = float(np.sum(1 - below**n - (1 - below) ** n)) * step
    low, high = below[:, None], below[None, :]
    inner = 1 - high**n - (1 - low) ** n + np.clip(high - low, 0, None) ** n
    # half of the diagonal belongs to x < y
    area = float(np.triu(inner, 1).sum() + np.trace(inner) / 2)
    return mean, 2 * area * step**2


@dataclass(frozen=True)
class RunChart:
    """Points in order with their limits.

    Attributes
    ----------
    points : (k,) array
        Values, or means of groups.
    centre, sigma : float
        Mean, and standard deviation of a point as it follows from the ranges; NaN under `LEAST_POINTS` points.
    group : int
        Parts to a point.
    signals : tuple of (int, str)
        Points (from 0) at which a rule speaks, and what it says.
    """

    points: Array
    centre: float
    sigma: float
    group: int
    signals: tuple[tuple[int, str], ...] = ()

    @property
    def limits(self) -> tuple[float, float]:
        """Control limits, three standard deviations from the centre."""
        return self.centre - 3 * self.sigma, self.centre + 3 * self.sigma


def run_chart(values: Array, group: int = 1) -> RunChart:
    """A run chart of values in their order; a rest that does not fill a group is left out.

    Parameters
    ----------
    values : (n,) array
    group : int
        Consecutive parts to a point, 1 to 10.
    """
    values = np.asarray(values, np.float64)
    if group == 1:
        points = values
        ranges, of = np.abs(np.diff(values)), 2
    else:
        rows = values[: len(values) // group * group].reshape(-1, group)
        points, ranges, of = rows.mean(axis=1), np.ptp(rows, axis=1), group
    if len(points) < LEAST_POINTS:
        return RunChart(points, float(points.mean()) if len(points) else math.nan, math.nan, group)
    centre = float(points.mean())
    sigma = float(ranges.mean()) / constants(of).d2 / math.sqrt(group)
    return RunChart(points, centre, sigma, group, run_signals(points, centre, sigma))


def run_signals(points: Array, centre: float, sigma: float) -> tuple[tuple[int, str], ...]:
    """Where the four rules speak; each point once, with the rule that comes first."""
    if not sigma > 0:
        return ()
    z = (np.asarray(points, np.float64) - centre) / sigma
    found: dict[int, str] = {}
    for beyond, count, of, words in (
        (3.0, 1, 1, "beyond the limits"),
        (2.0, 2, 3, "two of three beyond two standard deviations"),
        (1.0, 4, 5, "four of five beyond one standard deviation"),
        (0.0, 8, 8, "eight in a row on one side"),
    ):
        for side in (1, -1):
            out = (side * z > beyond).astype(np.int64)
            seen = np.convolve(out, np.ones(of, np.int64))[: len(out)]
            for i in np.flatnonzero((seen >= count) & (out == 1)):
                found.setdefault(int(i), words)
    return tuple(sorted(found.items()))
