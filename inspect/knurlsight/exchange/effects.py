"""What each setting of a series of test cuts does to a figure: least squares, with intervals that few cuts deserve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from photoscale.quantity import Quantity

Level = float | str
#: Share of intervals that hold the true effect.
CONFIDENCE = 0.95
#: Fewer degrees of freedom than this are a hint only.
FEW = 4


@dataclass(frozen=True)
class Effect:
    """What one setting does to one figure.

    Attributes
    ----------
    setting : str
    low, high : float or str
        The levels between which it acts; words are held against the first of them.
    change : float
        Of the figure, from low to high, the other settings as they are.
    half_width : float
        Of the 95 % interval about `change`.
    """

    setting: str
    low: Level
    high: Level
    change: float
    half_width: float

    @property
    def clear(self) -> bool:
        """Whether the interval leaves no change out."""
        return abs(self.change) > self.half_width


@dataclass(frozen=True)
class Effects:
    """The effects of a series on one figure.

    Attributes
    ----------
    effects : tuple of Effect
        Empty where there are too few cuts for any interval.
    spare : int
        Degrees of freedom: cuts beyond the number of unknowns.
    mixed : tuple of str
        Settings whose effects this series cannot tell apart.
    words : str
        What to think of it.
    """

    effects: tuple[Effect, ...]
    spare: int
    mixed: tuple[str, ...]
    words: str


def effects(settings: Sequence[Mapping[str, Level]], figure: Sequence[Quantity | None]) -> Effects:
    """Fit a figure as a sum of the effects of the settings that differ.

    Parameters
    ----------
    settings : sequence of mapping
        One a cut: setting → number or word.
    figure : sequence of Quantity or None
        The figure of each cut; cuts without it are left out.

    Notes
    -----
    Ordinary least squares (Draper & Smith, *Applied Regression Analysis*): settings with numbers act straight from
    their lowest to their highest level, words each against the first; effects add up. The half width is the larger of
    t(0.975, ν) times the standard error from the scatter of the cuts, and twice what the uncertainties of the figures
    alone make of it (JCGM 100, 5.1.2), since a small scatter of few cuts may be luck.
    """
    used = [(s, q) for s, q in zip(settings, figure, strict=True) if q is not None]
    columns = _columns([s for s, _ in used])
    if not columns:
        return Effects((), 0, (), "no setting differs between the cuts that have this figure")
    n = len(used)
    y = np.array([q.value for _, q in used])
    u = np.array([q.u for _, q in used])
    x = np.column_stack([np.ones(n), *(c for *_, c in columns)])  # (n, 1 + effects)
    rank = int(np.linalg.matrix_rank(x))
    spare = n - rank
    free = np.linalg.svd(x)[2][rank:]  # directions in which coefficients may change without any cut telling
    told = np.abs(free).max(axis=0, initial=0.0)[1:] < 1e-8
    mixed = tuple(dict.fromkeys(name for (name, *_), known in zip(columns, told, strict=True) if not known))
    if spare < 1:
        words = f"{n} cuts for {rank} unknowns leave none to show the scatter: repeat cuts before any effect is named"
        return Effects((), spare, mixed, words)
    from scipy.special import stdtrit

    inverse = np.linalg.pinv(x)  # (1 + effects, n)
    b = inverse @ y
    s = np.sqrt(float(((y - x @ b) ** 2).sum()) / spare)
    by_scatter = float(stdtrit(spare, 0.5 + CONFIDENCE / 2)) * s * np.sqrt((inverse**2).sum(axis=1))
    by_figures = 2.0 * np.sqrt((inverse**2 * u**2).sum(axis=1))
    half = np.maximum(by_scatter, by_figures)
    made = tuple(
        Effect(name, low, high, float(b[i]), float(half[i]))
        for i, ((name, low, high, _), known) in enumerate(zip(columns, told, strict=True), 1)
        if known
    )
    return Effects(made, spare, mixed, _words(n, spare, mixed))


def _columns(settings: Sequence[Mapping[str, Level]]) -> list[tuple[str, Level, Level, np.ndarray]]:
    """Name, low and high level, and the column of each effect: 0 at low, 1 at high."""
    names = dict.fromkeys(name for s in settings for name in s)
    columns: list[tuple[str, Level, Level, np.ndarray]] = []
    for name in names:
        levels = [s.get(name, "not stated") for s in settings]
        numbers = [v for v in levels if not isinstance(v, str)]
        if len(numbers) == len(levels):
            low, high = min(numbers), max(numbers)
            if high > low:
                columns.append((name, low, high, (np.array(numbers) - low) / (high - low)))
            continue
        words = list(dict.fromkeys(levels))
        columns += [(name, words[0], w, np.array([float(v == w) for v in levels])) for w in words[1:]]
    return columns


def _words(n: int, spare: int, mixed: Sequence[str]) -> str:
    lines = []
    if spare < FEW:
        lines.append(f"only {n} cuts, {spare} to spare: a hint, to be confirmed by repeating cuts")
    if mixed:
        lines.append(f"{', '.join(mixed)} changed together, so that their effects cannot be told apart")
    return "; ".join(lines)
