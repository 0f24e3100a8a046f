"""Whether what stands between two edges can be a knurl at all: asked before anything is measured.

Cloth, mesh, boards of holes and rules repeat as finely as knurls do and have edges, too. But they are flat: their lines
are even right up to the edge, where those of a cylinder crowd together as 1 / cos θ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.straight_grid import sample

from knurlsight.finding.wrapping import WEAK_SHARE, presence, rows_of, wraps
from knurlsight.model import Outline

Array = NDArray[np.float64]

MARGIN = 0.06  # of the zone's length, at either end
ROWS_ACROSS = 240.0


FLAT_GAIN = -0.3  # knurls on path-traced photos: -0.25 and more
LEAST_AXIAL_SHARE = 0.1  # brushed lines and grain: up to 0.3 by chance
CLEAR_AXIAL_SHARE = 0.32  # straight knurls: 0.37 and more
CLEAR_GAIN = 0.5  # squares whose zone takes in some cloth: 0.76 and more; a turned bar of so small a share: 0
ROUND_GAIN = 0.2  # surely round: a cloth beneath may by chance be as fine as the knurl
GOES_ON = 0.3  # of the share inside: so much of the same lines beyond both edges, and the edges are none
NEAR_EDGE, FAR_EDGE = 0.07, 0.3  # of the width: where beyond the edges is looked
FEWEST_TEETH = 16.5
MOST_UNLIKE = 0.105  # counts of the two families of a diamond; wheels that lean differ by 0.07
COUNT_AGREES = 0.13  # the count of the fit against that of the lines, which roots make read low by up to 0.07
# right outlines 0.66 and more (140 of rendered photos; under 0.84 one, half in the dark), one with the bench in it
# 0.59. Four of 350 synthetic ones 0.45 to 0.57: parts half in shade, lines clear right up to the edge (over 5)
LEAST_REACH, CLEAR_LINES = 0.62, 4.5
FINE, FAINTEST, DARKEST = 0.16, 0.1, 12.0  # half widths; of the median inside; grey levels
NOT_ROUND = "the lines there do not go round a part as a knurl does: show the knurled part whole, lit from one side"


@dataclass(frozen=True)
class Roundness:
    """What the lines between the edges of an outline say.

    Attributes
    ----------
    share : float
        Of the contrast between ±66° that one number of teeth explains, about; 0 where there are no lines.
    gain : float
        Logarithm of that over the same for lines that are even across the width: above 0 for a cylinder.
    teeth : float
        The number, roughly.
    axial : bool
        Whether the lines run along the axis.
    beyond : float
        Share of the same lines in the contrast outside the edges over that inside, on the side in the frame where it
        is less; 0 for axial lines.
    reach : float
        How far out from the axis contrast as in the middle is seen, in half widths, on the side where it is less.
    present : float
        How clearly the lines stand out just inside the less clear edge (`wrapping.presence`); 0 for axial lines.
    """

    share: float
    gain: float
    teeth: float
    axial: bool
    beyond: float
    reach: float
    present: float = 0.0

    @property
    def too_wide(self) -> bool:
        """Whether bare ground lies between the pattern and an edge: it is not that of the part."""
        return self.reach < LEAST_REACH and self.present < CLEAR_LINES

    @property
    def flat(self) -> bool:
        """Whether this is surely a flat pattern, or none."""
        least = LEAST_AXIAL_SHARE if self.axial and self.gain < CLEAR_GAIN else 0.0
        return self.share <= least or self.gain < FLAT_GAIN or self.goes_on

    @property
    def goes_on(self) -> bool:
        """Whether the pattern goes on beyond both edges: cloth, mesh, or like parts that touch on both sides."""
        return self.beyond > GOES_ON and self.gain < ROUND_GAIN


def roundness(grey: NDArray[np.uint8], outline: Outline) -> Roundness | None:
    """How a pattern goes round the part of an outline; None where the zone is too small to tell.

    Parameters
    ----------
    grey : (h, w) uint8 array
    outline : Outline
    """
    edges = outline.edges_px
    ends = outline.camera.project(outline.cylinder.points(np.zeros(2), np.array(outline.zone_z)))
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    middle = edges.mean(axis=(0, 1))
    u_ends = np.sort((ends - middle) @ along)
    margin = MARGIN * float(u_ends[1] - u_ends[0])
    offsets = np.sort((edges.mean(axis=1) - middle) @ across)
    width = float(offsets[1] - offsets[0])
    step = max(1.0, width / ROWS_ACROSS)
    u = np.arange(u_ends[0] + margin, u_ends[1] - margin, step)
    reach = FAR_EDGE * width + 2 * step
    v = np.arange(offsets[0] - reach, offsets[1] + reach + 1e-6, step)
    if len(u) < 24 or len(v) < 24:
        return None
    inside = (v > offsets[0]) & (v < offsets[1])
    patch = sample(grey, middle, along, across, u, v)
    rows = rows_of(patch, v, inside)
    if rows is None:
        return None
    focal = outline.camera.focal_px
    round_, flat = (wraps(rows, offsets[None], focal, flat=f)[0] for f in (False, True))
    if round_ is None or flat is None or round_.share <= 0:
        return Roundness(0.0, 0.0, 0.0, axial=False, beyond=0.0, reach=0.0)
    reach = _reach(patch, (v - offsets.mean()) / (width / 2), axial=round_.cycles == 0)
    gain = float(np.log(round_.share / max(flat.share, 1e-9)))
    if round_.cycles == 0:  # beyond the edges of axial lines lie the edges of shadows, which are axial, too
        return Roundness(float(round_.share), gain, round_.teeth, axial=True, beyond=0.0, reach=reach)
    power = (np.abs(rows.spectra[:, np.abs(rows.cycles - round_.cycles) <= 1]) ** 2).sum(axis=1)
    power /= rows.total + WEAK_SHARE * float(rows.total[inside].mean())  # grain has power at every frequency
    framed = _in_frame(grey.shape, middle + v[:, None] * across, u[[0, -1]], along)
    out = []
    for away in (offsets[0] - v, v - offsets[1]):
        side = framed & (away > NEAR_EDGE * width) & (away < FAR_EDGE * width)
        if side.sum() > 4:
            out.append(float(power[side].mean()))
    beyond = min(out, default=0.0) / max(float(power[inside].mean()), 1e-12)
    present = presence(rows, offsets, round_.cycles)
    return Roundness(float(round_.share), gain, round_.teeth, axial=False, beyond=beyond, reach=reach, present=present)


def _reach(patch: NDArray[np.float32], x: Array, *, axial: bool) -> float:
    """How far out the fine contrast of a patch (rows at `x` half widths from the axis) reaches on both sides."""
    log = np.log(patch + DARKEST)
    lines = np.asarray(log.mean(axis=1, keepdims=True) if axial else log, np.float32)
    rows = max(3, round(FINE / float(x[1] - x[0]))) | 1
    fine = lines - cv2.blur(lines, (1 if axial else rows, rows))
    contrast = cv2.blur((fine * fine).mean(axis=1, keepdims=True), (1, rows))[:, 0]
    seen = np.flatnonzero(contrast > FAINTEST * np.median(contrast[np.abs(x) < 0.9]))
    return float(min(-x[seen[0]], x[seen[-1]])) if len(seen) else 0.0


def surely_round(grey: NDArray[np.uint8], outline: Outline) -> bool:
    """Whether the lines between the edges of an outline crowd as round a cylinder: no rule, card or cloth.

    Parameters
    ----------
    grey : (h, w) uint8 array
    outline : Outline
    """
    round_ = roundness(grey, outline)
    return round_ is not None and not round_.flat and round_.gain > ROUND_GAIN


def _in_frame(shape: tuple[int, ...], starts: Array, u_ends: Array, along: Array) -> NDArray[np.bool_]:
    """Which rows lie in the frame with both their ends."""
    inside = np.ones(len(starts), bool)
    for u in u_ends:
        px = starts + u * along
        inside &= (px >= 0).all(axis=1) & (px[:, 0] <= shape[1] - 1) & (px[:, 1] <= shape[0] - 1)
    return inside


def no_knurl(round_: Roundness | None, counts: Sequence[float], *, crossed: bool = False) -> str:
    """Why a fitted pattern cannot be a knurl; empty when it can.

    Parameters
    ----------
    round_ : Roundness or None
    counts : sequence of float
        Teeth of the fitted families, rings left out.
    crossed : bool
        Whether other lines cross these, rings included: grain and brushed lines all run one way.
    """
    if (
        round_ is None
        or round_.flat
        or round_.too_wide
        or not counts
        or min(min(counts), round_.teeth + 1.5) < FEWEST_TEETH
    ):
        return NOT_ROUND
    if max(counts) - min(counts) > MOST_UNLIKE * max(counts):
        return NOT_ROUND
    if not crossed and round_.axial and round_.share < CLEAR_AXIAL_SHARE:
        return NOT_ROUND
    # the harmonic of a square's or a sharp crest's lines, or every second one, is the same pattern
    likely = [abs(np.log(n / (k * round_.teeth))) for n in counts for k in (0.5, 1, 2)]
    return "" if min(likely) < COUNT_AGREES else NOT_ROUND
