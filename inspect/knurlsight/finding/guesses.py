"""Pairs of lines in a photo that may be the two silhouette edges of a knurled part, and how likely each is.

For each patch, along either of its directions, candidate edges are paired and tried (`wrapping`): between the right two
one number of teeth explains the most. What tells, and how much, was learnt from guesses that are known to be right or
wrong: a score for all of a photo, of whatever width, direction and patch.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder, cylinder_from_silhouette
from photoscale.straight_grid import sample

from knurlsight.finding.silhouette import EdgeCandidate, edge_candidates
from knurlsight.finding.texture import Patch
from knurlsight.finding.wrapping import Rows, Wrap, presence, rows_of, wraps

Array = NDArray[np.float64]

# what the best pair explains of its width; flat patterns gain less than nothing by being taken round a cylinder
LEAST_SHARE = 0.06
FLAT_GAIN = -0.25
# the score of a guess: weights against the evidence of the edges, by a conditional logit on 65,000 guesses in 184
# synthetic and path-traced photos; of logarithms: share times teeth, gain, presence; of a square: width over length
TEETH_SHARE, GAIN, PRESENCE, SHORT = 2.2, 2.8, 0.4, 1.0
MOST_TEETH, MOST_GAIN = 75.0, 0.3  # beyond which more says nothing
PRESENT, AXIAL_PRESENT = (1.0, 5.0), 2.0  # where it says something; what stands for it where no line crosses the rows
CLEAR_EDGE, TAPER = 2.0, 100.0  # evidence; the same by the square of an angle
SLOPE_STEP = 0.02
ROWS_ACROSS = 300.0
MOST_WIDER = 4.5  # a part is at most so much wider than the lit strip of it that was noticed
PAIRS_LOOKED_AT = 4  # of a patch and direction
USUAL_TIP_RAD = 0.14
MOST_TAPER = 0.11  # rad, between two edges
STEEPEST_VIEW = 0.6  # tangent of the angle by which the axis may run towards or away from the camera


@dataclass(frozen=True)
class Reach:
    """How far a guess may go from its patch.

    Attributes
    ----------
    most_wide : float
        Lengths of the patch that its part is wide at most: knurls shorter than their radius are rare (common practice).
    u_skew_px : float
        How far the two ends of a part may seem to differ in width by chance, to be weighed against lying level.
    """

    most_wide: float
    u_skew_px: float


# a lit strip may be all that was noticed of a single part; among many, the next part is near. Where the edges of a
# short knob are taken as they are found, the right ones may seem too steep
ALONE, AMONG_MANY = Reach(np.inf, 5.0), Reach(2.0, 2.0)


@dataclass(frozen=True)
class View:
    """What is looked at: a photo (h, w) uint8, itself in smaller sizes, and the camera as far as it is known."""

    grey: NDArray[np.uint8]
    sizes: tuple[NDArray[np.uint8], ...]
    camera: Camera


@dataclass(frozen=True)
class Guess:
    """A pair of edges with what the pattern says of it.

    Attributes
    ----------
    edges : (2, 2, 2) array
        [edge][end][x, y].
    cylinder : Cylinder
    span_z : (float, float)
    wrap : Wrap
    gain : float
        Logarithm of how much more is explained round a cylinder than on a flat thing.
    evidence : float
        Of the two edges.
    present : float
        How clearly lines stand out just inside the less clear edge, the logarithm of their power over the noise; the
        usual where lines run along the axis.
    """

    edges: Array
    cylinder: Cylinder
    span_z: tuple[float, float]
    wrap: Wrap
    gain: float
    evidence: float
    present: float

    @property
    def middle(self) -> Array:
        """Between the edges, px."""
        return np.asarray(self.edges.mean(axis=(0, 1)))

    @property
    def length_px(self) -> float:
        """Along the axis."""
        return float(np.hypot(*(self.edges[:, 1] - self.edges[:, 0]).mean(axis=0)))

    @property
    def width_px(self) -> float:
        """Across the axis."""
        return float(np.hypot(*(self.edges[1] - self.edges[0]).mean(axis=0)))

    @property
    def score(self) -> float:
        """To choose between guesses: 0.4 times the logarithm of their odds, up to a constant."""
        present = PRESENCE * float(np.clip(self.present, *PRESENT))
        short = SHORT * max(float(np.log(self.width_px / self.length_px)), 0.0) ** 2
        return _counted(self.wrap) + self.evidence + GAIN * min(self.gain, MOST_GAIN) + present - short


def guesses_of(view: View, reach: Reach, patch: Patch) -> list[Guess]:
    """The best pairs of silhouette edges for a patch, along either of its directions, that may be a knurl's."""
    turned = np.array([-patch.direction[1], patch.direction[0]])
    length, width = patch.side
    return [
        *guesses_along(view, reach, patch.centre, patch.direction, length, width),
        *guesses_along(view, reach, patch.centre, turned, width, length),
    ]


def guesses_along(view: View, reach: Reach, centre: Array, along: Array, length: float, width: float) -> list[Guess]:
    """The best pairs of edges along one direction, without what is flat or explains nothing.

    Parameters
    ----------
    view : View
    reach : Reach
    centre : (2,) array
        Of what was noticed, px.
    along : (2,) unit array
        Supposed direction of the axis.
    length, width : float
        Of what was noticed, along and across that direction, px.
    """
    across = np.array([-along[1], along[0]])
    lower, upper = edge_candidates(view.grey, centre, along, length, width)
    groups: dict[int, list[tuple[EdgeCandidate, EdgeCandidate]]] = {}
    for a, b in product(lower, upper):
        apart = b.offset - a.offset
        if (
            0.6 * width < apart < min(MOST_WIDER * width, reach.most_wide * length)
            and abs(a.slope - b.slope) < MOST_TAPER
        ):
            groups.setdefault(round((a.slope + b.slope) / 2 / SLOPE_STEP), []).append((a, b))
    tried: list[tuple[float, float, EdgeCandidate, EdgeCandidate, Rows, Wrap]] = []
    for slope, pairs in groups.items():
        direction = along + slope * SLOPE_STEP * across
        direction /= np.hypot(*direction)
        rows = _rows(view.sizes, centre, direction, length, width, max(max(-a.offset, b.offset) for a, b in pairs))
        if rows is None:
            continue
        shrink = float(direction @ along)
        edges = np.array([(a.offset, b.offset) for a, b in pairs]) * shrink
        for (a, b), wrap in zip(pairs, wraps(rows, edges, view.camera.focal_px), strict=True):
            if wrap is not None and wrap.share > LEAST_SHARE:
                tried.append((_counted(wrap) + _evidence(a, b), shrink, a, b, rows, wrap))
    tried.sort(key=lambda t: -t[0])
    out: list[Guess] = []
    for _, shrink, a, b, rows, wrap in tried[:PAIRS_LOOKED_AT]:
        edge_v = np.array([a.offset, b.offset]) * shrink
        flat = wraps(rows, edge_v[None], view.camera.focal_px, flat=True)[0]
        if flat is None:
            continue
        gain = float(np.log(wrap.share / max(flat.share, 1e-9)))
        lines = np.stack([c.line(centre, along, across, length / 2) for c in (a, b)])
        lines = levelled(view.camera, lines, (reach.u_skew_px, reach.u_skew_px))
        try:
            cylinder = cylinder_from_silhouette(view.camera, lines[0], lines[1])
        except ValueError:
            continue
        span = span_of(view.camera, cylinder, lines)
        if gain > FLAT_GAIN and abs(sum(span)) / 2 < STEEPEST_VIEW * cylinder.distance:
            present = presence(rows, edge_v, wrap.cycles) if wrap.cycles else AXIAL_PRESENT
            out.append(Guess(lines, cylinder, span, wrap, gain, _evidence(a, b), present))
    return out


def _evidence(a: EdgeCandidate, b: EdgeCandidate) -> float:
    """Of two edges, of which a clear one says no more than others; the less they are parallel, the less."""
    return min(a.evidence, CLEAR_EDGE) + min(b.evidence, CLEAR_EDGE) - TAPER * (a.slope - b.slope) ** 2


def _counted(wrap: Wrap) -> float:
    """In the units of evidence: how much one count explains. By chance a low one explains more: there are fewer."""
    return float(TEETH_SHARE * np.log(wrap.share * min(wrap.teeth, MOST_TEETH)))


def _rows(
    sizes: tuple[NDArray[np.uint8], ...], centre: Array, along: Array, length: float, width: float, reach: float
) -> Rows | None:
    """Spectra of the rows along a direction, as far out as the outermost edge."""
    across = np.array([-along[1], along[0]])
    step = max(1.0, 2 * reach / ROWS_ACROSS)
    level = min(int(np.log2(step)), len(sizes) - 1)
    u = np.arange(-0.42 * length, 0.42 * length + 1e-6, step)
    v = np.arange(-reach - step, reach + step + 1e-6, step)
    if len(u) < 24:
        return None
    shrink = 2**level
    patch = sample(sizes[level], (centre + 0.5) / shrink - 0.5, along, across, u / shrink, v / shrink)
    return rows_of(patch, v, np.abs(v) < 0.45 * width)


def levelled(camera: Camera, edges: Array, u_skew_px: tuple[float, float]) -> Array:
    """Edges whose taper is weighed against what a part lying about level to the camera can show.

    The taper alone says how the axis tips towards the camera, and on a short knob a pixel is worth 5°. Parts lie level
    or on rim and stud, and photos are taken from above: within 8° or so (common practice). The edge whose direction is
    known less well gives way more.

    Parameters
    ----------
    camera : Camera
    edges : (2, 2, 2) array
        [edge][end][x, y], px.
    u_skew_px : (float, float)
        How far the two ends of each edge may lie apart across it by chance, standard.

    Returns
    -------
    (2, 2, 2) array
    """
    apart = edges[1] - edges[0]
    across, _ = frame_of(edges)
    taper = float((apart[1] - apart[0]) @ across)
    variances = np.square(u_skew_px)
    usual = usual_taper(camera, edges) ** 2
    feigned = taper * float(variances.sum()) / max(usual + float(variances.sum()), 1e-12)
    shares = variances / max(float(variances.sum()), 1e-12)
    fixed = edges.copy()
    for k, sign in ((0, 1.0), (1, -1.0)):
        skew = sign * feigned * float(shares[k]) * across
        fixed[k, 0] -= skew / 2
        fixed[k, 1] += skew / 2
    return fixed


def frame_of(edges: Array) -> tuple[Array, float]:
    """Unit vector (2,) across a part, and the length of its edges (2, 2, 2), px."""
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    return np.array([-along[1], along[0]]) / length, length


def usual_taper(camera: Camera, edges: Array) -> float:
    """By how much the width between two edges (2, 2, 2) usually changes from end to end, standard, px."""
    across, length = frame_of(edges)
    width = float(np.abs((edges[1] - edges[0]) @ across).mean())
    distance = 2 * camera.focal_px / width  # in radii, near enough
    return 2 * length / distance * USUAL_TIP_RAD


def span_of(camera: Camera, cylinder: Cylinder, edges: Array) -> tuple[float, float]:
    """From where to where along its axis a cylinder is seen between the ends of its edges (2, 2, 2) px, in radii."""
    _, z, _ = cylinder.meet(camera.rays(edges.reshape(-1, 2)))
    ends = z.reshape(2, 2).mean(axis=0)
    return float(ends.min()), float(ends.max())
