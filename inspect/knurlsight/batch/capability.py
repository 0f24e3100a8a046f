"""How well a process keeps its limits: Pp and Ppk with their confidence interval.

Names and formulas as in ISO 22514-2 for normally spread values (from memory): Pp = (U - L) / 6 s,
Ppk = min(U - mean, mean - L) / 3 s with the overall standard deviation s. The interval of Pp is exact (chi-squared);
that of Ppk is Bissell's approximation (1990, from memory): Ppk (1 ± z sqrt(1 / (9 n Ppk²) + 1 / (2 (n - 1)))).
It covers the draw of the parts alone; an error that all parts share, such as that of the scale, is not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: With fewer parts the interval is so wide that the figure misleads.
LEAST_PARTS = 25
CONFIDENCE = 0.95
#: Chance of calling normal values not normal.
NORMAL_RISK = 0.01


@dataclass(frozen=True)
class Capability:
    """Pp and Ppk, each with its interval at 95 % confidence; None with the reason in `why`.

    `pp` is None, too, where only one limit is stated.
    """

    pp: float | None
    pp_interval: tuple[float, float] | None
    ppk: float | None
    ppk_interval: tuple[float, float] | None
    why: str = ""


def capability(
    values: NDArray[np.float64],
    lower: float | None,
    upper: float | None,
    bounds: tuple[float, float] = (-math.inf, math.inf),
) -> Capability:
    """Capability of a process from values of its parts.

    Parameters
    ----------
    values : (n,) array
    lower, upper : float or None
        Limits; None is open.
    bounds : (float, float)
        Range that the figure cannot leave: a limit there is none.
    """
    values = np.asarray(values, np.float64)
    lower = None if lower is None or lower <= bounds[0] else lower
    upper = None if upper is None or upper >= bounds[1] else upper
    n = len(values)
    if lower is None and upper is None:
        return Capability(None, None, None, None, "no limit")
    if n < LEAST_PARTS:
        return Capability(None, None, None, None, f"{n} parts; a capability needs {LEAST_PARTS}")
    mean, s = float(values.mean()), float(values.std(ddof=1))
    if not s > 1e-9 * max(abs(mean), 1e-9):
        return Capability(None, None, None, None, "all values are the same")
    from scipy import stats

    p = float(stats.normaltest(values).pvalue)
    if p < NORMAL_RISK:
        words = f"the values are not normally spread (p = {p:.2g}), so the figure would mislead"
        return Capability(None, None, None, None, words)
    sides = [(upper - mean) / (3 * s)] if upper is not None else []
    sides += [(mean - lower) / (3 * s)] if lower is not None else []
    ppk = min(sides)
    half = float(stats.norm.ppf(0.5 + CONFIDENCE / 2)) * math.sqrt(1 / (9 * n) + ppk**2 / (2 * (n - 1)))
    pp = (upper - lower) / (6 * s) if upper is not None and lower is not None else None
    tail = (1 - CONFIDENCE) / 2
    ratios = [math.sqrt(float(stats.chi2.ppf(t, n - 1)) / (n - 1)) for t in (tail, 1 - tail)]
    return Capability(pp, (pp * ratios[0], pp * ratios[1]) if pp is not None else None, ppk, (ppk - half, ppk + half))
