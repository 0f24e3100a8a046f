"""A batch in figures: verdicts counted, each figure against its limits, what fails most and why."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knurlsight.batch.capability import Capability, capability
from knurlsight.batch.lines import Figure, PartLine
from knurlsight.batch.run_chart import RunChart, run_chart
from knurlsight.verdict import FIGURE_WORDS, RANGES

#: Worst first.
VERDICTS = ("fail", "cannot_tell", "missing", "unreadable", "pass", None)


@dataclass(frozen=True)
class Spread:
    """One figure over all parts that were held against the same limits, in the order of the parts.

    Attributes
    ----------
    name, unit : str
    ids : tuple of str
    values : (n,) array
    u : float
        Median standard uncertainty of one value.
    nominal, lower, upper : float or None
    mean, s : float
        Overall standard deviation; NaN for a single part.
    capability : Capability
    chart : RunChart
    """

    name: str
    unit: str
    ids: tuple[str, ...]
    values: NDArray[np.float64]
    u: float
    nominal: float | None
    lower: float | None
    upper: float | None
    mean: float
    s: float
    capability: Capability
    chart: RunChart

    @property
    def measuring_share(self) -> float:
        """Share of the variance that the measuring itself may account for, 0 to 1; NaN for a single part."""
        return min(1.0, (self.u / self.s) ** 2) if self.s > 0 else math.nan


@dataclass(frozen=True)
class Summary:
    """A whole batch.

    Attributes
    ----------
    lines : tuple of PartLine
        In the order of time where every photo has one, else as given.
    by_time : bool
    counts : tuple of (verdict, int)
        Worst first, those that occur.
    spreads : tuple of Spread
    failed, untold, causes : tuple of (str, int)
        How many parts each concerns, most first.
    """

    lines: tuple[PartLine, ...]
    by_time: bool
    counts: tuple[tuple[str | None, int], ...]
    spreads: tuple[Spread, ...]
    failed: tuple[tuple[str, int], ...]
    untold: tuple[tuple[str, int], ...]
    causes: tuple[tuple[str, int], ...]


def summarise(lines: Sequence[PartLine], group: int = 1) -> Summary:
    """The summary of a batch.

    Parameters
    ----------
    lines : sequence of PartLine
    group : int
        Parts to a point of the run charts.
    """
    times = [line.taken_at for line in lines]
    # one photo of a tray has one time: its parts keep the order of the tray
    by_time = len(lines) > 1 and all(times) and len(set(times)) > 1
    ordered = sorted(lines, key=lambda line: line.taken_at or "") if by_time else list(lines)
    counted = Counter(line.verdict for line in ordered)
    return Summary(
        tuple(ordered),
        by_time,
        tuple((v, counted[v]) for v in VERDICTS if counted[v]),
        _spreads(ordered, group),
        _pareto(line.failed for line in ordered),
        _pareto(line.untold for line in ordered if line.verdict != "fail"),
        _pareto(line.causes for line in ordered),
    )


def _pareto(named: object) -> tuple[tuple[str, int], ...]:
    counted: Counter[str] = Counter()
    for names in named:  # type: ignore[attr-defined]
        counted.update(set(names))
    return tuple(sorted(counted.items(), key=lambda item: (-item[1], item[0])))


def _spreads(lines: Sequence[PartLine], group: int) -> tuple[Spread, ...]:
    gathered: dict[tuple[object, ...], list[tuple[str, Figure]]] = {}
    for line in lines:
        for f in line.figures:
            key = (f.name, f.unit, f.nominal, f.lower, f.upper)
            gathered.setdefault(key, []).append((line.id, f))
    spreads = [_spread(members, group) for members in gathered.values()]
    # judged figures first, then by name, larger sets of limits first
    return tuple(sorted(spreads, key=lambda s: (s.lower is None and s.upper is None, s.name, -len(s.values))))


def _spread(members: Sequence[tuple[str, Figure]], group: int) -> Spread:
    first = members[0][1]
    values = np.array([f.value for _, f in members])
    return Spread(
        first.name,
        first.unit,
        tuple(part_id for part_id, _ in members),
        values,
        float(np.median([f.u for _, f in members])),
        first.nominal,
        first.lower,
        first.upper,
        float(values.mean()),
        _deviation(values),
        capability(values, first.lower, first.upper, _bounds(first.name)),
        run_chart(values, group),
    )


def _deviation(values: NDArray[np.float64]) -> float:
    """Standard deviation; rounding noise of equal values is none."""
    if len(values) < 2:
        return math.nan
    s = float(values.std(ddof=1))
    return s if s > 1e-12 * float(np.abs(values).max()) else 0.0


def _bounds(name: str) -> tuple[float, float]:
    """Range that a figure cannot leave."""
    for key, words in FIGURE_WORDS.items():
        if name.startswith(words) and key in RANGES:
            return RANGES[key]
    return (-math.inf, math.inf)
