"""A measured figure: a value, its standard uncertainty and its unit."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty (JCGM 100, 2.3.1).

    Attributes
    ----------
    value : float
        Best estimate, in `unit`.
    u : float
        Standard uncertainty, same unit, > 0 (k = 1; it is shown with k = 2).
    unit : str
        ``"mm"``, ``"deg"`` or ``""`` for counts and ratios.
    """

    value: float
    u: float
    unit: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"a quantity needs finite numbers, got {self.value} ± {self.u} {self.unit}")

    @property
    def relative_u(self) -> float:
        """u / |value|; infinite at zero."""
        return self.u / abs(self.value) if self.value else math.inf

    @property
    def interval(self) -> tuple[float, float]:
        """The k = 2 interval."""
        return self.value - 2 * self.u, self.value + 2 * self.u
