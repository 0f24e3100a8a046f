"""How well blanks track, as two lines for a terminal."""

from __future__ import annotations

import itertools
import math

from knurlsight.planning.plan import Plan
from knurlsight.setup_math.tracking import DOUBLE_TRACK_MISMATCH, SURE_MISMATCH, teeth_on_blank


def tracking_line(plan: Plan, columns: int = 61) -> tuple[str, str]:
    """The same for a terminal, two lines: zones by diameter, and a pointer under the chosen blank.

    ``#`` tracks, ``.`` needs a firm start, ``x`` double tracking likely; ``|`` a whole count.
    """
    pitch, chosen = plan.transverse_pitch_mm, plan.blank.blank_diameter_mm
    half = 2.1 * plan.step_mm
    cells = []
    edges = [chosen - half + 2.0 * half * (i - 0.5) / (columns - 1) for i in range(columns + 1)]
    for a, b in itertools.pairwise(edges):
        real = teeth_on_blank((a + b) / 2.0, pitch, plan.bite_mm)
        off = abs(real - round(real))
        whole = math.floor(teeth_on_blank(b, pitch, plan.bite_mm)) != math.floor(teeth_on_blank(a, pitch, plan.bite_mm))
        zone = "#" if off <= SURE_MISMATCH else "x" if off > DOUBLE_TRACK_MISMATCH else "."
        cells.append("|" if whole else zone)
    return "".join(cells), " " * (columns // 2) + "^"
