"""The part's own cast shadow, which a hard lamp lays against its edge: dark, sharp and as straight as the part.

Its outer border makes as good an edge as the part's. What tells is the strip between that border and the next edge
inside: far darker than the bench beside it, and it goes on beyond the end of the knurl, where the part does not. On
rendered photos, strip over bench, where there was an edge inside at all: 0.21 to 0.24 in three shadows, 0.57 and more
in 40 strips of parts, dark and bright ones. Whether the strip is darker than the part, too, decides if it is surely a
shadow; beside a part as dark as its shadow, either edge may be the right one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from photoscale.straight_grid import sample

from knurlsight.finding.silhouette import edge_candidates

Array = NDArray[np.float64]

NARROWEST, WIDEST = 0.03, 0.2  # of the width; nearer borders are rows of crests
LEAST_EVIDENCE = 0.8
DARK = 0.4  # of the bench beside it
DARKER_THAN_PART = 0.6
GOES_ON = 0.8  # of a quarter of the length beyond one end
STEP_PX = 2.0
HIDDEN = "the shadow beside the part hides its edge: light it from the other side too, or lay it on dark ground"


@dataclass(frozen=True)
class Shadow:
    """A strip along an edge that is, or may be, a cast shadow.

    Attributes
    ----------
    line : (2, 2) array
        The edge inside it, over the same length.
    wide_px : float
    sure : bool
        Whether the edge inside is surely the part's.
    """

    line: Array
    wide_px: float
    sure: bool


def shadows_beside(grey: NDArray[np.uint8], edges: Array) -> tuple[Shadow | None, Shadow | None]:
    """The strip of shadow inside each of two edges; None where there is none.

    Parameters
    ----------
    grey : (h, w) uint8 array
    edges : (2, 2, 2) array
        [edge][end][x, y], over the knurled zone.
    """
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    along = along / length
    across = np.array([-along[1], along[0]])
    middle = edges.mean(axis=(0, 1))
    offsets = (edges.mean(axis=1) - middle) @ across
    width = float(abs(offsets[1] - offsets[0]))
    candidates = edge_candidates(grey, middle, along, length, width)
    u = np.arange(-0.75 * length, 0.75 * length, STEP_PX)
    zone, before, after = np.abs(u) < 0.42 * length, u < -0.5 * length - 6, u > 0.5 * length + 6

    def strip_of(offset: float, a: float, b: float) -> NDArray[np.float32]:
        """Brightness along the strip from `a` to `b` px inside the edge at an offset."""
        v = np.sort(offset - np.sign(offset) * np.linspace(a, b, 10))
        return np.asarray(sample(grey, middle, along, across, u, v).mean(axis=0), np.float32)

    def shadow_at(offset: float) -> Shadow | None:
        inside = [
            (abs(offset) - abs(c.offset), c)
            for c in candidates[offset > 0]
            if c.evidence > LEAST_EVIDENCE and NARROWEST < (abs(offset) - abs(c.offset)) / width < WIDEST
        ]
        if not inside:
            return None
        wide, candidate = max(inside, key=lambda i: i[1].evidence)
        strip = strip_of(offset, 0.15 * wide, 0.85 * wide)
        dark = float(strip[zone].mean())
        lit = float(strip_of(offset, -0.1 * width, -0.04 * width)[zone].mean())
        part = float(strip_of(offset, wide + 0.02 * width, wide + 0.08 * width)[zone].mean())
        ends = [strip[end] < (dark + lit) / 2 for end in (before, after) if end.any()]
        beyond = max((float(end.mean()) for end in ends), default=0.0)
        if dark > DARK * lit or beyond < GOES_ON:
            return None
        return Shadow(candidate.line(middle, along, across, length / 2), wide, dark < DARKER_THAN_PART * part)

    return shadow_at(float(offsets[0])), shadow_at(float(offsets[1]))
