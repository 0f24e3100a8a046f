"""Which rule it is, told from the pattern of long and short lines.

A metric rule lengthens every fifth and every tenth line, an inch rule every second, fourth, eighth …; a thread, a knurl
or wood has no such pattern, so a comb without one is no rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from photoscale.words import MM_PER_INCH

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Pattern:
    """One way to graduate an edge.

    Attributes
    ----------
    name : str
    step_mm : float
        Between neighbouring lines.
    period : int
        Lines until the pattern repeats.
    ranks : (period,) int array
        0 for the shortest lines, counted from a longest line.
    """

    name: str
    step_mm: float
    period: int
    ranks: NDArray[np.int64]


def _binary(period: int) -> NDArray[np.int64]:
    k = np.arange(period)
    return np.array([int(np.log2(period)) if i == 0 else int(np.log2(i & -i)) for i in k])


_TEN = np.array([2, 0, 0, 0, 0, 1, 0, 0, 0, 0])
_TWENTY = np.array([3 if i == 0 else 2 if i == 10 else 1 if i % 2 == 0 else 0 for i in range(20)])
PATTERNS = (
    Pattern("1 mm", 1.0, 10, _TEN),
    Pattern("0.5 mm", 0.5, 20, _TWENTY),
    *(Pattern(f"1/{n} in", MM_PER_INCH / n, n, _binary(n)) for n in (16, 32, 64)),
)
GLASS = Pattern("0.1 mm", 0.1, 10, _TEN)


@dataclass(frozen=True)
class Graduation:
    """An edge whose pattern was recognised.

    Attributes
    ----------
    pattern : Pattern
    zero : int
        Index of a line that begins the pattern.
    explained : float
        Share of the variance of line lengths that the pattern explains.
    longest : int
        How many of the longest lines were seen.
    """

    pattern: Pattern
    zero: int
    explained: float
    longest: int


MIN_EXPLAINED = 0.6
CAP = 0.7  # of a deviation, log of length
FLOOR = 0.01
MIN_STEP = 0.045  # log of length between one class and the next
CLEAR = 6.0  # by which the best pattern must beat one of another step


def recognise(
    index: NDArray[np.int64], lengths: Array, patterns: tuple[Pattern, ...], others: tuple[Pattern, ...] = ()
) -> Graduation | None:
    """Best pattern for lines of known index and length, or None when none explains them.

    Parameters
    ----------
    index : (n,) int array
        Place of each line in the comb; missing lines leave gaps.
    lengths : (n,) array
        In any unit.
    patterns : tuple of Pattern
        Those that may be.
    others : tuple of Pattern
        Those that may not: when one of them fits better, it is another rule.
    """
    n = len(index)
    logs = np.log(np.maximum(lengths, 1.0))
    # absolute deviations forgive the few lines that digits or dirt falsify
    total = float(np.sum(np.minimum((logs - np.median(logs)) ** 2, CAP**2)))
    if n < 12 or total <= 0:
        return None
    order = np.argsort(logs)
    ordered = logs[order]
    best: tuple[float, Graduation] | None = None
    scores: dict[float, float] = {}
    foreign = np.inf
    for pattern in (*patterns, *others):
        levels = int(pattern.ranks.max()) + 1
        for zero in range(pattern.period):
            ranks = pattern.ranks[(index - zero) % pattern.period]
            counts = np.bincount(ranks, minlength=levels)
            # one line alone is no class: it may be dirt, so it counts with the next shorter ones
            present = [r for r in range(levels) if counts[r] >= 2]
            by_length = ranks[order]
            means = [_median(ordered[by_length == r]) for r in present]
            if len(means) < 2 or any(b <= a + MIN_STEP for a, b in pairwise(means)):
                continue
            single = [r for r in range(levels) if counts[r] == 1 and r > present[0]]
            if any(float(logs[ranks == r][0]) < means[np.searchsorted(present, r) - 1] + MIN_STEP for r in single):
                continue  # what should be longer is not
            place = np.maximum(np.searchsorted(present, ranks, side="right") - 1, 0)
            expected = np.array(means)[place]
            off = np.minimum(np.abs(logs - expected), CAP)
            rest = float(np.sum(off))
            # Bayesian information criterion with Laplace errors: more levels must pay for themselves
            score = 2 * n * np.log(rest / n + FLOOR) + len(means) * np.log(n)
            if pattern not in patterns:
                foreign = min(foreign, score)
                continue
            scores[pattern.step_mm] = min(score, scores.get(pattern.step_mm, np.inf))
            longest = int(counts[levels - 1])
            if best is None or score < best[0]:
                best = score, Graduation(pattern, zero, 1 - float(off @ off) / total, longest)
    if best is None or best[1].explained < MIN_EXPLAINED or best[1].longest < 2:
        return None
    rivals = [score for step, score in scores.items() if step != best[1].pattern.step_mm]
    if min(rivals, default=np.inf) < best[0] + CLEAR or foreign < best[0]:
        return None
    return best[1]


def _median(ordered: Array) -> float:
    """Of values in order; NumPy's takes ten times as long for some twenty."""
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2
