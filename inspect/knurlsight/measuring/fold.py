"""The mean cell of a pattern: a window of the surface folded on its own lines, so that every groove lies on one.

A single photo shows hundreds of diamonds. Folded on the phases of both families they become one picture of one diamond
with a hundred times less noise, in which a second track is a line of its own, raised lips are a frame, a shallow form a
flat. The fold follows the lines of sight to a middle depth; what is left of the parallax only shifts the cell.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flanks import Knurl
from knurlsight.measuring.sightlines import Sightlines

Image = NDArray[np.float32]

CELL = 24  # samples across a folded cell: as fine as photos are
MIDDLE_DEPTH = 0.4  # of the groove depth: where most of what is seen lies
FEWEST_SAMPLES = 400
SMOOTH = 0.6  # in samples of the cell; fills the gaps between the photo's pixels


@dataclass(frozen=True)
class Phases:
    """Where each sample of a patch stands in the pattern: turns of every family, (rows, columns) each."""

    turns: tuple[Image, ...]
    theta_deg: Image
    brightness: Image
    inside: NDArray[np.bool_]

    def columns(self, part: slice) -> Phases:
        """A piece of the length."""
        return Phases(
            tuple(t[:, part] for t in self.turns),
            self.theta_deg[:, part],
            self.brightness[:, part],
            self.inside[:, part],
        )


def phases_of(knurl: Knurl, sight: Sightlines) -> Phases:
    """Phases of a fitted pattern over the patch that it was fitted to."""
    deep = np.float32(MIDDLE_DEPTH * np.mean([g.depth(knurl.profile_angle_deg) for g in knurl.families]))
    theta = sight.theta + deep * (sight.theta_1 + deep * sight.theta_2)
    z = sight.z + deep * (sight.z_1 + deep * sight.z_2)
    turns = tuple(
        np.asarray(np.float32(g.around) * theta + np.float32(g.along) * z - np.float32(g.phase), np.float32)
        for g in knurl.families
    )
    return Phases(turns, np.asarray(np.degrees(sight.theta), np.float32), sight.brightness, sight.weight > 0)


def folded(phases: Phases, family: int, arcs_deg: tuple[float, ...], half_arc_deg: float) -> Image:
    """Cells (arcs, CELL, CELL): rows go with the phase of `family`, columns with that of the other one.

    One cell for each arc (centre in degrees from the near line) that holds enough samples; each has mean 0, spread 1. A
    pattern of one family gives cells whose columns are all alike.
    """
    cells = []
    other = 1 - family if len(phases.turns) == 2 else None
    for arc in arcs_deg:
        here = (np.abs(phases.theta_deg - arc) < half_arc_deg) & phases.inside
        if int(here.sum()) < FEWEST_SAMPLES:
            continue
        own = phases.turns[family][here]
        across = phases.turns[other][here] if other is not None else np.linspace(0, CELL, own.size, endpoint=False)
        cell = _splat(own, np.asarray(across), phases.brightness[here])
        if other is None:
            cell = np.repeat(cell.mean(axis=1, keepdims=True), CELL, axis=1)
        cell -= cell.mean()
        cells.append(cell / (cell.std() + 0.003))
    return np.array(cells, np.float32).reshape(-1, CELL, CELL)


def _splat(own: Image, across: Image, brightness: Image) -> Image:
    """Mean brightness over the cell, each sample shared between its four neighbours."""
    at = [(t - np.floor(t)) * CELL - 0.5 for t in (own, across)]
    low = [np.floor(a).astype(np.int64) for a in at]
    part = [a - k for a, k in zip(at, low, strict=True)]
    total, count = np.zeros(CELL * CELL), np.zeros(CELL * CELL)
    for i in (0, 1):
        for j in (0, 1):
            share = (part[0] if i else 1 - part[0]) * (part[1] if j else 1 - part[1])
            spot = ((low[0] + i) % CELL) * CELL + (low[1] + j) % CELL
            total += np.bincount(spot, share * brightness, CELL * CELL)
            count += np.bincount(spot, share, CELL * CELL)

    def smooth(a: NDArray[np.float64]) -> NDArray[np.float64]:
        wrapped = np.pad(a.reshape(CELL, CELL), 4, mode="wrap")
        return np.asarray(cv2.GaussianBlur(wrapped, (0, 0), SMOOTH)[4:-4, 4:-4], float)

    total, count = smooth(total), smooth(count)
    return np.asarray(total / np.maximum(count, 1e-3 * count.mean() + 1e-9), np.float32)
