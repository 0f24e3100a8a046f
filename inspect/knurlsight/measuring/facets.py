"""One family of grooves read facet by facet: lands, flanks, roots and crest edges in its profile around the part.

Lines that all run one way show the same profile all along them, so it is averaged along the lines and read as a curve
over the angle. Every ray is followed down to the facet that it meets. What a facet shines like is not known, but is not
free either: it is drawn from a Gaussian process (Rasmussen and Williams 2006, eq. 2.30 for the evidence) in which

- facets whose normals point the same way look alike, whatever kind they are;
- facets of a kind change slowly around the part, and each has some of its own;
- flanks get darker towards the root, where less of the room is seen;
- roots and crest edges are rounded, so they glint as the lands do: narrow lines that pin the geometry.

Count, fill and profile angle are the mean of the optima, each by its evidence. Learnt on path-traced straight knurls
with true outlines, errors in teeth of 53 to 69: flanks with free light, -0.9 to +2.2; a process without roots and
edges, +3.0, 0.0, +2.5, +1.0, +3.0, +0.5; with them and a mean of nought, 0.0, +0.2, -0.3, +0.4, -0.5, +0.3, but crest
and root may change places (half a pitch away, three teeth more) in two of six; roots believed darker settle that. As
it stands, median and root mean square in % of the count: 13 path-traced parts 0.5 / 1.1 (peaks 3 / 3, flanks 2 /
2.5), 28 of `fixtures/` 0.4 / 1.2 (flanks 1.3 / 2.4). More flexible flanks lead less; steps in their light (shadows)
are what goes wrong.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.compiled import compiled
from knurlsight.measuring.flanks import Grooves
from knurlsight.measuring.sightlines import Image, Sightlines

Array = NDArray[np.float64]

FINE = 6  # rays to a sample
DEPTHS = 16  # steps down a ray
ROUNDED = 0.05  # half width of roots and edges at their foot, pitches
ARCS_DEG = (36.0, 60.0)
STRIP_PITCHES = 3.0
FEWEST_SAMPLES = 40
NODES = 5  # depths at which the brightness of a flank may differ

# facets of a tooth: kind, side (right of the groove +, left -) and depth
LAND, SLOPE, ROOT, EDGE, FLANK = range(5)
FIRST_NODE, KINDS = 5, 5 + 2 * NODES
KIND = np.array([LAND, SLOPE, ROOT, EDGE, EDGE] + [FLANK] * (2 * NODES))
SIDE = np.array([0, 0, 0, 1, -1] + [1] * NODES + [-1] * NODES)
DEPTH = np.concatenate([np.zeros(5), np.linspace(0, 1, NODES), np.linspace(0, 1, NODES)])

# of a profile with spread 1, angles in rad; from the evidence of the same photos, none of them critical
ALIKE, ALIKE_RAD = 1.2, 0.15
OF_KIND, OF_KIND_RAD = 0.9, 0.2
OF_ITS_OWN = 0.3
SLOPED, DARKER_ROOT, BRIGHTER_LAND = 0.35, -0.4, 0.4
BEND, BEND_OWN, DEEP = 0.7, 0.15, 0.25
GLINT = 1.0
NOISE = 0.1
ANGLE_DEG, U_ANGLE_DEG = 90.0, 4.0
FILL, U_FILL = 0.75, 0.25

PHASES = np.arange(6) / 6
FILLS = (0.45, 0.65, 0.85)
# counts that are started from, in relative depths (a twentieth at 50 teeth) below the given one: it may be off to
# either side, and what else is found is doubt. 123 synthetic parts: ± 2 u held 0.90 from 0 to 1.2, 0.98 from these
FEWER = tuple(0.4 * i for i in range(-5, 5))
KEPT = (14, 5)
TEMPER = 5.0  # rays, light and metal are less simple than believed: the evidence claims too much
RADII = ((2.0, 1.2), (1.5, 1.0, 0.8))
UNITS = np.array([0.004, 0.02, 0.05, 4.0])  # of count (relative), phase, fill, profile angle: about what a photo leaves


@dataclass(frozen=True)
class Profile:
    """Mean brightness of a strip along its lines, and the rays that made it.

    Attributes
    ----------
    brightness : (n,) array
        Root of brightness, mean 0, spread 1.
    theta, theta_1, theta_2, z, z_1 : (FINE n,) arrays
        As in `Sightlines`, for the rays.
    mix : (n, FINE n) sparse array
        What the camera's blur makes of the rays.
    """

    brightness: Array
    theta: Array
    theta_1: Array
    theta_2: Array
    z: Array
    z_1: Array
    mix: Any

    @cached_property
    def degrees(self) -> Array:
        """Angle of each sample, deg."""
        return np.asarray(np.degrees(self.theta.reshape(-1, FINE).mean(axis=1)))

    def within(self, arc_deg: float) -> Profile:
        """The part within ±`arc_deg`."""
        keep = np.nonzero(np.abs(self.degrees) <= arc_deg)[0]
        a, b = keep[0], keep[-1] + 1
        rays = slice(FINE * a, FINE * b)
        return Profile(
            _standardised(self.brightness[a:b]),
            self.theta[rays],
            self.theta_1[rays],
            self.theta_2[rays],
            self.z[rays],
            self.z_1[rays],
            self.mix[a:b, rays],
        )


@dataclass(frozen=True)
class Reading:
    """One family as its profile shows it.

    Attributes
    ----------
    grooves : Grooves
    profile_angle_deg : float
    covariance : (4, 4) array
        Of around, phase, fill and profile angle: curvature of the evidence and how the readings differ.
    evidence : float
        Logarithm, up to a constant of the profile.
    """

    grooves: Grooves
    profile_angle_deg: float
    covariance: Array
    evidence: float


def read_facets(
    sight: Sightlines, start: Grooves, weight: Image | None = None, u_count_rel: float | None = None
) -> Reading | None:
    """The family near `start` as its profile shows it; None when that is too short.

    Parameters
    ----------
    sight : Sightlines
        14 samples to a pitch or more.
    start : Grooves
        Count within some per cent; phase and fill are searched.
    weight : image, optional
        Where the family is seen by itself; default everywhere.
    u_count_rel : float, optional
        How well the count of `start` is known, for lines along the axis whose spectral peak held it; else it is no more
        than a start. Tails are wide: light may have misled it.
    """
    whole = profile_along(sight, start, weight)
    if len(whole.brightness) < FEWEST_SAMPLES:
        return None
    found = list(_starts(whole.within(ARCS_DEG[0]), start))
    for arc, kept, radii in zip(ARCS_DEG, KEPT, RADII, strict=True):
        part = whole.within(arc)
        found = _distinct([_climb(part, r, radii) for r in _distinct(found)[:kept]])

    def belief(r: Reading) -> float:
        away = r.grooves.around / start.around - 1
        return 0.0 if u_count_rel is None else -math.log1p((away / u_count_rel) ** 2)

    return mean_reading(found, [belief(r) for r in found])


def mean_reading(found: list[Reading], beliefs: list[float]) -> Reading:
    """The mean of the readings, each by evidence and what was believed, and what they differ by as doubt.

    The phase is that of the best: rivals may have root and crest change places, and half way between is nothing.

    Parameters
    ----------
    found : list of Reading
        One or more.
    beliefs : list of float
        Of each, the logarithm of what was believed before the profile was read.
    """
    worth = np.array([r.evidence for r in found]) / TEMPER + beliefs
    best = found[int(worth.argmax())]
    weight = np.exp(worth - worth.max())
    weight /= weight.sum()
    figures = np.array([_figures(r) for r in found])
    around, _, fill, angle_deg = (float(i) for i in weight @ figures)
    apart = figures - (around, best.grooves.phase, fill, angle_deg)
    apart[:, 1] -= np.round(apart[:, 1])
    own = np.tensordot(weight, np.array([r.covariance for r in found]), axes=1)
    return Reading(
        replace(best.grooves, around=around, fill=fill),
        angle_deg,
        np.asarray(own + (apart * weight[:, None]).T @ apart),
        best.evidence,
    )


def _figures(r: Reading) -> Array:
    return np.array([r.grooves.around, r.grooves.phase, r.grooves.fill, r.profile_angle_deg])


# ---------------------------------------------------------------- from the photo to the profile


def profile_along(sight: Sightlines, grooves: Grooves, weight: Image | None = None) -> Profile:
    """The patch averaged along the lines: all of it for axial lines, else some pitches in the middle of its length."""
    columns = sight.theta.shape[1]
    middle = columns // 2
    seen = sight.weight if weight is None else sight.weight * weight
    if not grooves.along:
        return _profile(sight, sight.root_brightness, seen, middle)
    half = min(int(STRIP_PITCHES / 2 * grooves.pitch / float(np.abs(sight.z_u).mean())), middle - 1)
    part = sight.cut(slice(None), slice(middle - half, middle + half + 1))
    # slide every column along the lines onto the middle one
    turned = part.theta - part.theta[:, half : half + 1]
    turned += grooves.along / grooves.around * (part.z - part.z[:, half : half + 1])
    y, x = (np.asarray(i, np.float32) for i in np.indices(part.theta.shape))
    source = y - (turned / np.gradient(part.theta, axis=0)).astype(np.float32)
    slid = cv2.remap(part.root_brightness, x, source, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    held = ((source >= 0) & (source <= len(y) - 1)).astype(np.float32) * part.weight
    return _profile(part, np.asarray(slid, np.float32), held, half)


def _profile(sight: Sightlines, bright: Image, weight: Image, column: int) -> Profile:
    total = weight.sum(axis=1)
    keep = np.nonzero(total > 0.3 * total.max())[0]
    a, b = keep[0], keep[-1] + 1
    mean = (bright * weight).sum(axis=1) / np.maximum(total, 1e-6)
    mean = np.interp(np.arange(a, b), keep, mean[keep])
    at = np.arange(b - a)
    fine = (np.arange(FINE * (b - a)) - (FINE - 1) / 2) / FINE

    def rays(field: Image) -> Array:
        return np.asarray(np.polynomial.Polynomial.fit(at, field[a:b, column].astype(float), 7)(fine))

    return Profile(
        _standardised(mean),
        rays(sight.theta),
        rays(sight.theta_1),
        rays(sight.theta_2),
        rays(sight.z),
        rays(sight.z_1),
        _blur(b - a, 1.0 / sight.step_px),
    )


def _standardised(values: Array) -> Array:
    away = values - values.mean()
    return np.asarray(away / max(float(away.std()), 1e-9))


def _blur(n: int, sigma: float) -> Any:
    """A Gaussian of `sigma` samples over a sample's own width, as a sparse matrix from rays to samples."""
    from scipy.sparse import diags_array

    reach = int(np.ceil(4 * sigma * FINE)) + FINE
    offsets = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (offsets / (sigma * FINE)) ** 2)
    kernel = np.convolve(bell / bell.sum(), np.full(FINE, 1 / FINE), "same")
    full = diags_array(list(kernel), offsets=list(offsets), shape=(FINE * n, FINE * n)).tocsr()
    both = (full[FINE // 2 - 1 :: FINE] + full[FINE // 2 :: FINE]) / 2
    share = np.asarray(both.sum(axis=1)).ravel()
    return (diags_array(1 / share) @ both).tocsr()


# ---------------------------------------------------------------- the evidence


class _Light:
    """What is believed of the brightness of the facets before the photo is looked at.

    Facets of a tooth: the land, its slope, the root, both crest edges, and each flank at `NODES` depths.
    """

    def __init__(self, grooves: Grooves, profile: Profile, angle_deg: float) -> None:
        turns = grooves.around * profile.theta + grooves.along * profile.z - grooves.phase
        self.first = int(np.floor(turns.min())) - 2
        teeth = int(np.ceil(turns.max())) + 3 - self.first
        side = np.tile(SIDE, teeth)
        depth = np.tile(DEPTH, teeth)
        kind = np.tile(KIND, teeth)
        half = grooves.fill / 2
        away = np.where(kind == FLANK, side * half * (1 - depth), np.where(kind == EDGE, side * half, 0.5))
        away[kind == ROOT] = 0.0
        tooth = np.repeat(np.arange(self.first, self.first + teeth), len(KIND))
        theta = (tooth + away + grooves.phase - grooves.along * float(profile.z.mean())) / grooves.around
        lean = math.radians(90 - angle_deg / 2) * grooves.around * grooves.pitch
        normal = theta - lean * side * (kind == FLANK)
        self.covariance = np.empty((len(theta), len(theta)))
        _alike(theta, normal, kind, side, depth, tooth, self.covariance)
        self.mean = np.where(kind == FLANK, DARKER_ROOT * (2 * depth - 1), np.where(kind == LAND, BRIGHTER_LAND, 0.0))


@compiled
def _alike(theta: Array, normal: Array, kind: Any, side: Any, depth: Array, tooth: Any, out: Array) -> None:
    """Write how facets are believed to shine alike, (facets, facets); arguments as in `_Light`."""
    for i in range(len(theta)):
        for j in range(i + 1):
            same = kind[i] == kind[j] and side[i] == side[j]
            flanks = kind[i] == FLANK and kind[j] == FLANK
            plain = (kind[i] == FLANK or kind[i] == LAND) and (kind[j] == FLANK or kind[j] == LAND)
            value = 0.0
            if plain:
                value += ALIKE**2 * math.exp(-0.5 * ((normal[i] - normal[j]) / ALIKE_RAD) ** 2)
            if same:
                own = 1.0 if tooth[i] == tooth[j] else 0.0
                slow = math.exp(-0.5 * ((theta[i] - theta[j]) / OF_KIND_RAD) ** 2)
                if plain:
                    value += OF_KIND**2 * slow + OF_ITS_OWN**2 * own
                if flanks:
                    deep = math.exp(-0.5 * ((depth[i] - depth[j]) / DEEP) ** 2)
                    value += deep * (BEND**2 * slow + BEND_OWN**2 * own)
                elif kind[i] == SLOPE:
                    value += SLOPED**2 * (slow + own / 2)
                elif not plain:
                    value += GLINT**2 * (slow + own / 2)
            out[i, j] = value
            out[j, i] = value


@compiled
def _shares(
    theta: Array, theta_1: Array, theta_2: Array, z: Array, z_1: Array, around: float, along: float, phase: float,
    fill: float, full: float, first: int, starts: Any, rays: Any, blur: Array, out: Array,
) -> None:  # fmt: skip
    """Write what share of each facet every sample sees, (n, facets).

    Every ray is followed down in `DEPTHS` steps to the first that lies below the surface; `full` is the depth of the
    grooves. `starts`, `rays` and `blur` say which rays a sample mixes (rows of a sparse matrix); facets are counted
    from the tooth `first`.
    """
    facets = out.shape[1]
    columns = np.empty((len(theta), 5), np.int64)
    values = np.empty((len(theta), 5))
    for ray in range(len(theta)):
        where = around * theta[ray] + along * z[ray] - phase
        before = -full * max(0.0, 1 - 2 * abs(where - np.rint(where)) / fill)
        land = before >= -1e-9
        depth = 0.0
        if not land:
            for step in range(1, DEPTHS):
                down = full * step / (DEPTHS - 1)
                turns = around * (theta[ray] + down * (theta_1[ray] + down * theta_2[ray]))
                turns += along * (z[ray] + down * z_1[ray]) - phase
                after = down - full * max(0.0, 1 - 2 * abs(turns - np.rint(turns)) / fill)
                if after >= -1e-9 or step == DEPTHS - 1:
                    part = min(max(-before / max(after - before, 1e-12), 0.0), 1.0)
                    where += part * (turns - where)
                    depth = (step - 1 + part) / (DEPTHS - 1)
                    break
                before, where = after, turns
        tooth = np.rint(where)
        x = where - tooth
        owner = np.floor(where) if land else tooth
        at = int(tooth - first) * KINDS
        # tents, at the root and the edges and from node to node down a flank
        for k in range(3):
            columns[ray, k] = at + 2 + k
            values[ray, k] = max(0.0, 1 - abs(x - fill / 2 * (0, 1, -1)[k]) / ROUNDED)
        at = int(owner - first) * KINDS
        if land:
            values[ray, 0] = 0.0
            columns[ray, 3], values[ray, 3] = at, 1.0
            columns[ray, 4], values[ray, 4] = at + 1, 2 * (where - owner - 0.5) / max(1 - fill, 0.05)
        else:
            node = min(max(depth, 0.0), 1.0) * (NODES - 1)
            upper = min(int(node), NODES - 2)
            at += FIRST_NODE + upper if x > 0 else FIRST_NODE + NODES + upper
            columns[ray, 3], values[ray, 3] = at, 1 - (node - upper)
            columns[ray, 4], values[ray, 4] = at + 1, node - upper
    out[:] = 0.0
    for sample in range(len(out)):
        for i in range(starts[sample], starts[sample + 1]):
            for k in range(5):
                column = columns[rays[i], k]
                if 0 <= column < facets:
                    out[sample, column] += blur[i] * values[rays[i], k]


@compiled
def _mixed(shares: Array, of: Array, out: Array) -> None:
    """Write shares @ of; a sample sees few of the facets, the rest is passed over."""
    out[:] = 0.0
    for i in range(shares.shape[0]):
        for k in range(shares.shape[1]):
            share = shares[i, k]
            if share != 0:
                for j in range(of.shape[1]):
                    out[i, j] += share * of[k, j]


def _evidence(profile: Profile, grooves: Grooves, angle_deg: float, light: _Light) -> float:
    """Logarithm of the probability of a profile, up to a constant, whatever the light."""
    from scipy.linalg import solve_triangular

    p, g, mix = profile, grooves, profile.mix
    shares = np.empty((len(p.brightness), len(light.mean)))
    lines = float(g.around), float(g.along), float(g.phase), float(g.fill), float(g.depth(angle_deg))
    _shares(p.theta, p.theta_1, p.theta_2, p.z, p.z_1, *lines, light.first, mix.indptr, mix.indices, mix.data, shares)
    rest = p.brightness - shares @ light.mean
    seen, covariance = np.empty_like(shares), np.empty((len(rest), len(rest)))
    _mixed(shares, light.covariance, seen)
    _mixed(shares, np.ascontiguousarray(seen.T), covariance)
    covariance.flat[:: len(rest) + 1] += NOISE**2
    lower = np.linalg.cholesky(covariance)
    white = solve_triangular(lower, rest, lower=True, check_finite=False)
    return -0.5 * float(white @ white) - float(np.log(np.diag(lower)).sum())


def _belief(fill: float, angle_deg: float) -> float:
    return -0.5 * (((angle_deg - ANGLE_DEG) / U_ANGLE_DEG) ** 2 + ((fill - FILL) / U_FILL) ** 2)


# ---------------------------------------------------------------- the search


def _starts(profile: Profile, start: Grooves) -> Iterator[Reading]:
    excess = FILL / (2 * start.around)  # relative depth at 90°, in radii
    for fewer in FEWER:
        around = start.around * (1 - fewer * excess)
        for fill in FILLS:
            even = replace(start, around=around, phase=0.0, fill=fill)
            light = _Light(even, profile, ANGLE_DEG)
            for phase in start.phase + PHASES:
                g = replace(even, phase=float(phase))
                yield Reading(g, ANGLE_DEG, np.eye(4), _evidence(profile, g, ANGLE_DEG, light))


def _climb(profile: Profile, start: Reading, radii: tuple[float, ...]) -> Reading:
    """Uphill by response surfaces (Box and Wilson 1951).

    The evidence is rough on the scale of a step, since rays jump from facet to facet; a parabola through many points
    about the best so far finds the top, and its curvature gives the covariance.
    """
    grooves, angle = start.grooves, start.profile_angle_deg
    unit = UNITS * np.array([(ARCS_DEG[-1] / float(np.abs(profile.degrees).max())) ** 1.5, 1, 1, 1])
    middle = float(profile.theta.mean())
    evidence = -math.inf
    covariance: Array = np.eye(4)

    def moved(v: Array) -> tuple[Grooves, float]:
        around = grooves.around * (1 + unit[0] * float(v[0]))
        # the pattern stretches about the middle of the view, where its phase is known best
        phase = grooves.phase + unit[1] * float(v[1]) + (around - grooves.around) * middle
        fill = min(max(grooves.fill + unit[2] * float(v[2]), 0.15), 0.98)
        return replace(grooves, around=around, phase=phase, fill=fill), min(max(angle + unit[3] * float(v[3]), 70), 110)

    for radius in radii:
        light = _Light(grooves, profile, angle)
        values = np.empty(len(DESIGN))
        for i, v in enumerate(DESIGN * radius):
            g, deg = moved(v)
            values[i] = _belief(g.fill, deg) + _evidence(profile, g, deg, light)
        top, hessian = _parabola(DESIGN * radius, values)
        grooves, angle = moved(np.clip(top, -1.5 * radius, 1.5 * radius))
        evidence, covariance = float(values.max()), np.asarray(np.linalg.inv(hessian))
    scale = np.diag(unit * np.array([grooves.around, 1, 1, 1]))
    return Reading(grooves, angle, np.asarray(scale @ covariance @ scale), evidence)


def _design() -> Array:
    """Where a response surface is probed: centre, corners and axes of a cube in four dimensions."""
    corners = np.array(np.meshgrid(*[(-1.0, 1.0)] * 4)).reshape(4, -1).T
    axes = np.concatenate([np.eye(4), -np.eye(4)])
    return np.concatenate([np.zeros((1, 4)), 0.6 * corners, axes])


DESIGN = _design()


def _parabola(points: Array, values: Array) -> tuple[Array, Array]:
    """Top and (negative) curvature of a concave parabola through points, the higher ones weighing more."""
    pairs = [(i, j) for i in range(4) for j in range(i, 4)]
    basis = np.column_stack([np.ones(len(points)), points, *(points[:, i] * points[:, j] for i, j in pairs)])
    spread = max(4.0, float(np.median(values.max() - values)))
    weight = np.exp(-0.5 * (values.max() - values) / spread)
    c = np.linalg.lstsq(basis * weight[:, None], values * weight, rcond=None)[0]
    hessian = np.zeros((4, 4))
    for (i, j), k in zip(pairs, c[5:], strict=True):
        hessian[i, j] -= k
        hessian[j, i] -= k
    size, axes = np.linalg.eigh(hessian)
    concave = np.asarray(axes @ np.diag(np.maximum(size, 0.1)) @ axes.T)
    return np.linalg.solve(concave, c[1:5]), concave


def _apart(a: Grooves, b: Grooves) -> bool:
    turned = a.phase - b.phase
    return abs(turned - round(turned)) > 0.12 or abs(a.around / b.around - 1) > 0.01


def _distinct(found: list[Reading]) -> list[Reading]:
    kept: list[Reading] = []
    for candidate in sorted(found, key=lambda r: -r.evidence):
        if all(_apart(candidate.grooves, other.grooves) for other in kept):
            kept.append(candidate)
    return kept
