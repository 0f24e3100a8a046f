"""Which wheels could have left marks that stand so many lines apart.

A wheel of W teeth sets the same tooth into every W-th groove as it rolls round and round; on a part of N grooves its
marks are then W, or W less or more than whole turns of N, apart. Plane arithmetic, no source needed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

WHEELS_MM = (6.0, 45.0)  # diameters of knurling wheels (common practice: 8 to 32 mm, and some more)
MOST_TURNS = 3
WHOLE = 0.3  # lines; marks farther than this from a whole number apart are not told from the next one


def lines_apart(turns: Sequence[float]) -> int | None:
    """Whole number of lines that the marks of one family stand apart; None where there is no such number.

    Parameters
    ----------
    turns : sequence of float
        Phase of each mark.

    Examples
    --------
    >>> lines_apart([-11.2, 9.0, -1.0]), lines_apart([3.0]), lines_apart([0.0, 7.1, 10.2])
    (10, None, None)
    """
    away = [b - a for a, b in itertools.pairwise(sorted(turns)) if round(b - a)]
    apart = min((round(d) for d in away), default=0)
    told = apart > 1 and all(abs(d - round(d)) < WHOLE and round(d) % apart == 0 for d in away)
    return apart if told else None


def wheels_of(apart: int, count: float, transverse_pitch_mm: float) -> tuple[tuple[int, float], ...]:
    """Teeth and diameter (mm) of the wheels that leave marks `apart` lines from each other on a part of `count`.

    Examples
    --------
    >>> [(teeth, round(mm, 1)) for teeth, mm in wheels_of(27, 108, 1.1636)]
    [(27, 10.0), (81, 30.0)]
    """
    teeth = sorted({abs(round(turn * count) + side * apart) for turn in range(MOST_TURNS) for side in (-1, 1)})
    sizes = [(t, t * transverse_pitch_mm / math.pi) for t in teeth if t]
    return tuple((t, mm) for t, mm in sizes if WHEELS_MM[0] <= mm <= WHEELS_MM[1])
