"""From spectral peaks to a fitted model: which families there are, where their lines lie, and outwards from the middle.

The peaks give pitch and direction to a few per cent and nothing of the phase that matters, since the light decides
which flank is bright. So the phases are searched on a small patch in the middle of the view, where lines of sight go
straight down; the best few are fitted there, and the winner is followed outwards over wider and wider arcs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder

from knurlsight.measuring.flank_fit import (
    BELIEFS,
    DEAR_SHADING,
    FREE_SHADING,
    TIED,
    Cells,
    Fit,
    Patch,
    cells_for,
    fit,
    gain_of_freeing,
    put,
    shape_of,
)
from knurlsight.measuring.flanks import Crossing, Grooves, Knurl, Name
from knurlsight.measuring.sightlines import Sightlines, sightlines
from knurlsight.measuring.spectrum import Peak, peaks_of, power_of
from knurlsight.measuring.unroll import unroll

AXIAL_DEG = 5.0  # lines no steeper than this count as axial
RING_DEG = 84.0
STEEPEST_DEG = 66.0
PHASES = np.arange(8) / 8
START_FILL = 0.75
HALF_WITHIN = 0.035  # of its frequency a harmonic may stand off twice the first: roots are seen displaced
LATTICE_ORDERS = 4
LATTICE_TOLERANCE = 0.04  # of the power: pairs that explain so nearly as much count as equal
UNUSUAL_COST = 1.12  # the way of crossing that nobody asked for has to explain this much more
TIED_COST = 1.012  # a common count is kept up to this growth of the unexplained share
LEADERS = 5
KEPT = (LEADERS, 4, 3, 2)  # how many of the best go on: from the phases, the middle, wider, over the whole patch
STRAIGHT_KEPT = (3, 3, 2, 1)  # each with variants of its own
INNER_STEPS, WIDE_STEPS, WHOLE_STEPS, FINE_STEPS = 6, 8, 6, 8  # most of a fit
# a count a little higher and grooves a little shallower look nearly alike, so others are started beside the best:
# by how much the count differs, and the fill
BESIDE = ((-0.02, 0.92), (-0.02, 0.75))
RIVAL_WITHIN, RIVALS_APART = 1.1, 0.002  # times the least cost; relative difference of their counts
RIVAL_WEIGHT = 40.0  # power of the cost
# of one count against counts that differ by more than light feigns: two pitches in one holder are rare (common
# practice)
ALIKE_ODDS = 200.0


@dataclass(frozen=True)
class Hypothesis:
    """A set of families that the peaks suggest: (around, along) of each, and how they may cross."""

    lines: tuple[tuple[float, float], ...]
    crossings: tuple[Crossing, ...]


def hypotheses(peaks: tuple[Peak, ...]) -> tuple[Hypothesis, ...]:
    """What the peaks may be, the likeliest first; empty when no family of knurl lines stands out."""
    usable = [p for p in peaks if p.steepness_deg < STEEPEST_DEG]
    if not usable:
        return ()
    first = _fundamental(usable)
    out: list[Hypothesis] = []
    if first.steepness_deg < AXIAL_DEG:
        # light that changes sign round the part puts rings to either side of where they are
        rings = [replace(p, around=0.0) for p in peaks if p.steepness_deg > RING_DEG and p.power > 0.02 * first.power]
        similar = [p for p in rings if 0.5 < p.pitch / first.pitch < 2.0]
        if similar:
            ring = _fundamental(sorted(similar, key=lambda p: -p.power))
            out.append(Hypothesis(((abs(first.around), 0.0), (0.0, ring.along)), ("raised", "recessed")))
        # a diamond's sum peak is axial as well: its two families stand at half the frequency around
        halves = _counterparts(usable, first)
        if halves is not None:
            out.insert(0, halves)
        out.append(Hypothesis(((abs(first.around), 0.0),), ("single",)))
        return tuple(out)
    square = _square(peaks, first)
    if square is not None:
        out.append(square)
    pair = _lattice(peaks, first)
    if pair is not None:
        out.append(Hypothesis(pair, ("raised", "recessed")))
    others = [p for p in usable if np.sign(p.around) != np.sign(first.around) and _alike(p, first)]
    if not others or others[0].power < 0.08 * first.power:
        out.append(Hypothesis((_grooves(first),), ("single",)))
    return tuple(out)


def _alike(p: Peak, q: Peak) -> bool:
    """Whether two peaks may be the two families of one diamond, by pitch and steepness."""
    return (
        min(p.steepness_deg, q.steepness_deg) >= AXIAL_DEG
        and abs(np.log(p.pitch / q.pitch)) < 0.3
        and abs(p.steepness_deg - q.steepness_deg) < 16
    )


def _lattice(peaks: tuple[Peak, ...], first: Peak) -> tuple[tuple[float, float], ...] | None:
    """The two leaning families whose sums and multiples the peaks are; None when there is no second family.

    The strongest leaning peaks need not be the families: a second track between the first can leave (1, 3) and (0, 2)
    stronger than (1, 1). So of all pairs that explain nearly as much, the one of the shortest pitches is taken.
    """
    strong = [p for p in peaks if p.power > 0.02 * peaks[0].power and AXIAL_DEG <= p.steepness_deg < STEEPEST_DEG]
    weak = [p for p in peaks if p.power > 0.003 * first.power and AXIAL_DEG <= p.steepness_deg < STEEPEST_DEG]
    pairs = [(_grooves(p), _grooves(q)) for p in strong for q in weak if p.around * q.around < 0 and _alike(p, q)]
    for ring in (p for p in peaks if p.steepness_deg > RING_DEG and p.power > 0.02 * peaks[0].power):
        for a, m in map(_grooves, strong):
            other = (a, (ring.along if m < 0 else -ring.along) + m)
            if m * other[1] < 0 and abs(abs(other[1]) / abs(m) - 1) < 0.15:
                pairs.append(((a, m), other))
    if not pairs:
        return None
    shares = np.array([_explained(peaks, pair) for pair in pairs])
    near = [pair for pair, share in zip(pairs, shares, strict=True) if share > shares.max() - LATTICE_TOLERANCE]
    (a, m), (b, n) = max(near, key=lambda pair: abs(pair[0][0] * pair[1][1] - pair[1][0] * pair[0][1]))
    return tuple(sorted(((a, m), (b, n)), key=lambda g: g[1]))


def _explained(peaks: tuple[Peak, ...], pair: tuple[tuple[float, float], tuple[float, float]]) -> float:
    """Share of the peaks' power that stands at whole sums of two frequencies."""
    spots = np.array([(p.around, p.along) for p in peaks])
    power = np.array([p.power for p in peaks])
    basis = np.array(pair).T
    orders = np.round(np.linalg.solve(basis, spots.T))
    away = np.abs(basis @ orders - spots.T)
    near = away < 0.06 * np.abs(spots.T) + 0.3
    low = (np.abs(orders) <= LATTICE_ORDERS).all(axis=0)
    return float(power[near.all(axis=0) & low].sum() / power.sum())


def _square(peaks: tuple[Peak, ...], sum_peak: Peak) -> Hypothesis | None:
    """Axial lines and rings whose sum is the given peak; in a diamond these two places are empty."""

    def at(around: float, along: float) -> Peak | None:
        near = [
            p
            for p in peaks
            if abs(abs(p.around) - around) < 0.05 * abs(sum_peak.around)
            and abs(p.along - along) < 0.05 * sum_peak.along
            and p.power > 0.04 * sum_peak.power
        ]
        return max(near, key=lambda p: p.power, default=None)

    axial, ring = at(abs(sum_peak.around), 0.0), at(0.0, sum_peak.along)
    if axial is None or ring is None:
        return None
    return Hypothesis(((abs(axial.around), 0.0), (0.0, ring.along)), ("raised", "recessed"))


def _grooves(peak: Peak) -> tuple[float, float]:
    """(around, along) with around positive; along is negative for right-hand lines."""
    return (peak.around, peak.along) if peak.around > 0 else (-peak.around, -peak.along)


def _fundamental(peaks: list[Peak]) -> Peak:
    """The strongest peak, or that of half its frequency when there is one: sharp crests make strong harmonics."""
    first = peaks[0]
    # bands of light run along the axis; true halves had 0.15 and more there, false ones up to 0.065
    weakest = 0.1 if first.steepness_deg < AXIAL_DEG else 0.02
    for p in peaks[1:]:
        # a wave and its opposite are one; that of lines along the axis stands on either side by chance
        if p.power > weakest * first.power and any(
            abs(side * p.around - first.around / 2) < HALF_WITHIN * abs(first.around) + 0.2
            and abs(side * p.along - first.along / 2) < HALF_WITHIN * abs(first.along) + 0.2
            for side in (-1, 1)
        ):
            return p
    return first


def _counterparts(peaks: list[Peak], sum_peak: Peak) -> Hypothesis | None:
    """Two leaning families whose sum is the given axial peak."""
    leaning = [p for p in peaks if p.steepness_deg >= AXIAL_DEG and p.power > 0.02 * sum_peak.power]
    for a in leaning:
        for b in leaning:
            if a.around > 0 > b.around:
                total = abs(a.around) + abs(b.around)
                if abs(total / abs(sum_peak.around) - 1) < 0.06 and abs(np.log(a.pitch / b.pitch)) < 0.2:
                    pair = tuple(sorted((_grooves(a), _grooves(b)), key=lambda g: g[1]))
                    return Hypothesis(pair, ("raised", "recessed"))
    return None


def free_names(knurl: Knurl, *, shape: bool = True, tied: bool = False) -> tuple[Name, ...]:
    """What is fitted.

    Lines always; `shape` adds fill, angle and blur; `tied` gives both families of a diamond one count round.
    """
    names: list[Name] = [TIED] if tied else []
    for k, g in enumerate(knurl.families):
        names.append((k, "phase"))
        if g.around and not tied:
            names.append((k, "around"))
        if g.along:
            names.append((k, "along"))
        if shape:
            names.append((k, "fill"))
    if shape:
        names += [(-1, "profile_angle_deg"), (-1, "blur")]
    return tuple(names)


def may_be_tied(knurl: Knurl) -> bool:
    """Two leaning families whose counts differ by no more than light can feign."""
    if len(knurl.families) != 2 or not all(g.around for g in knurl.families):
        return False
    a, b = (g.around for g in knurl.families)
    return abs(a - b) < 0.055 * (a + b) / 2


def fit_hypothesis(
    hypothesis: Hypothesis,
    coarse: Sightlines,
    fine: Sightlines,
    beliefs: dict[str, tuple[float, float]] | None = None,
    wanted: Crossing | None = None,
) -> Fit | None:
    """The best fit of a hypothesis over the whole patch, all its crossings tried; None when the patch is too small.

    Light from the other side makes raised points look recessed, and the two explain a photo almost as well (ratio of
    what they leave on path-traced photos: 0.97 to 1.5). `wanted`, what the drawing asks for, breaks the tie.

    `coarse` (about 7 samples to a pitch) carries the search, `fine` (about 14) the figures.
    """
    pitch = float(np.mean([1 / np.hypot(*line) for line in hypothesis.lines]))
    per_pitch = pitch / float(np.abs(coarse.z_u).mean())
    middle = coarse.within(22.0, int(10 * per_pitch))
    if min(middle.theta.shape) < 6:
        return None
    straight = not any(along for _, along in hypothesis.lines)
    patches = _Patches(
        middle,
        coarse.within(25.0, int(16 * per_pitch)),
        coarse.within(40.0, int(24 * per_pitch)),
        coarse,
        fine,
        pitch,
        straight,
    )
    if straight:
        beliefs = {**(beliefs or BELIEFS), "around": _straight_belief(hypothesis.lines[0][0])}
    searched = {c: _phase_search(hypothesis, c, middle) for c in hypothesis.crossings}
    least = min(found[0][0] for found in searched.values())
    tried = [
        optima
        for c, found in searched.items()
        if found[0][0] < 1.6 * least and (optima := _outwards([k for _, k in found], patches, beliefs))
    ]
    if not tried:
        return None
    usual = wanted or "raised"
    tried.sort(key=lambda f: f[0].cost * (1.0 if f[0].knurl.crossing == usual else UNUSUAL_COST))
    rival = tried[1][0].cost / tried[0][0].cost if len(tried) > 1 else float("inf")
    best = _between(tried[0], fine, cells_for(fine, pitch, straight=straight), beliefs)
    return replace(shape_of(best, fine, beliefs), rival=rival)


@dataclass(frozen=True)
class _Patches:
    """The same part of the photo, ever wider: the middle, ±25°, ±40°, all of it coarse, all of it fine."""

    middle: Sightlines
    inner: Sightlines
    wide: Sightlines
    coarse: Sightlines
    fine: Sightlines
    pitch: float
    straight: bool


def _outwards(leaders: list[Knurl], patches: _Patches, beliefs: dict[str, tuple[float, float]] | None) -> list[Fit]:
    """Fit the leaders in the middle, the best of them wider, and the best of those over the whole patch.

    These and what lies beside them at a price for shading, sorted by cost.
    """
    first, inner, wide, whole = STRAIGHT_KEPT if patches.straight else KEPT
    leaders = leaders[:first]
    if patches.straight:
        leaders = [variant for k in leaders for variant in _straight_variants(k)]
    inner_cells = Cells(2, 1) if patches.straight else Cells(5, 1)
    grown = _best(
        fit(k, patches.inner, inner_cells, free_names(k, shape=False), steps=INNER_STEPS, beliefs=beliefs)
        for k in leaders
    )
    cells = cells_for(patches.wide, patches.pitch, straight=patches.straight)
    wider = _best(_even(f.knurl, patches.wide, cells, beliefs, WIDE_STEPS, FREE_SHADING) for f in grown[:inner])
    cells = cells_for(patches.coarse, patches.pitch, straight=patches.straight)
    best = _best(_even(f.knurl, patches.coarse, cells, beliefs, WHOLE_STEPS, FREE_SHADING) for f in wider[:wide])
    if patches.straight:  # no shading, and rivals among the variants
        return best[:whole]
    starts = [k for f in best[:whole] for k in (f.knurl, *_beside(f.knurl))]
    optima = (_even(k, patches.coarse, cells, beliefs, WHOLE_STEPS, DEAR_SHADING) for k in starts)
    return sorted(optima, key=lambda f: f.cost)


def _beside(knurl: Knurl) -> Iterator[Knurl]:
    """Starts for the rivals of an optimum."""
    for more, fill in BESIDE:
        families = (replace(g, around=g.around * (1 + more), fill=fill) for g in knurl.families)
        yield replace(knurl, families=tuple(families))


def _between(optima: list[Fit], sight: Sightlines, cells: Cells, beliefs: dict[str, tuple[float, float]] | None) -> Fit:
    """The best optimum, with its count between those of its rivals.

    Costs that differ by a few per cent do not tell which count is right, so they are weighed; their spread is doubt.
    """
    best = _grow(optima[0].knurl, sight, cells, beliefs, steps=FINE_STEPS)
    if TIED not in best.names:
        return best if may_be_tied(best.knurl) else perhaps_alike(best, sight, cells, beliefs)
    kept = [optima[0].knurl.families[0].around]
    rivals = [best]
    for f in optima[1:]:
        around = f.knurl.families[0].around
        near = f.cost < RIVAL_WITHIN * optima[0].cost and may_be_tied(f.knurl)
        if near and all(abs(around / a - 1) > RIVALS_APART for a in kept):
            kept.append(around)
            rivals.append(_even(f.knurl, sight, cells, beliefs, FINE_STEPS, DEAR_SHADING))
    best = min(rivals, key=lambda f: f.cost)
    weight = np.array([(best.cost / f.cost) ** RIVAL_WEIGHT for f in rivals])
    weight /= weight.sum()
    counts = np.array([f.knurl.families[0].around for f in rivals])
    mean = float(weight @ counts)
    doubted = best.doubted({TIED: float(weight @ (counts - mean) ** 2)})
    return replace(doubted, knurl=put(best.knurl, {TIED: mean}))


def perhaps_alike(apart: Fit, sight: Sightlines, cells: Cells, beliefs: dict[str, tuple[float, float]] | None) -> Fit:
    """A fit whose two leaning families differ in count by more than light feigns, or the best one with a common count.

    Which is likelier counts, and what the other says instead is doubt. Of six such pairs in 236 synthetic and
    path-traced diamonds five had one count (a common one cost up to 1.14 times as much), one had wheels of two pitches
    (1.23).

    Parameters
    ----------
    apart : Fit
        With counts of their own; anything but two families that go round is given back as it is.
    sight : Sightlines
        The patch that it was fitted to.
    cells : Cells
    beliefs : dict, optional
        Mean and standard deviation of parameters, as `fit` takes them.
    """
    counts = [g.around for g in apart.knurl.families]
    if len(counts) != 2 or not all(counts):
        return apart
    starts = (
        replace(apart.knurl, families=_with_count(apart.knurl, a)) for a in (min(counts), sum(counts) / 2, max(counts))
    )
    names = free_names(apart.knurl, tied=True)
    alike = min(
        (fit(k, sight, cells, names, steps=FINE_STEPS, beliefs=beliefs, shading=DEAR_SHADING) for k in starts),
        key=lambda f: f.cost,
    )
    odds = ALIKE_ODDS * (apart.cost / alike.cost) ** RIVAL_WEIGHT
    away = np.array(counts) - alike.knurl.families[0].around
    if odds > 1:
        return alike.doubted({TIED: float(np.mean(away**2)) / (1 + odds)})
    return apart.doubted({(k, "around"): float(a**2) * odds / (1 + odds) for k, a in enumerate(away)})


def _with_count(knurl: Knurl, around: float) -> tuple[Grooves, ...]:
    return tuple(replace(g, around=around) for g in knurl.families)


def _best(fits: Iterable[Fit]) -> list[Fit]:
    """Sorted by what they leave, near-copies dropped."""
    kept: list[Fit] = []
    for f in sorted(fits, key=lambda f: f.cost):
        if all(f.knurl.crossing != g.knurl.crossing or _apart(f.knurl, g.knurl) > 0.1 for g in kept):
            kept.append(f)
    return kept


def _straight_belief(around: float) -> tuple[float, float]:
    """What a spectral peak says of the count of straight lines: it reads high by about the relative groove depth.

    At 90° and three quarters fill the depth is 0.37 pitch = 2.4 / N radii. (Path-traced photos: 0.4 to 1.2 of it.)
    """
    excess = 0.75 * 2.4 / (2 * np.pi * around)
    return float(around * (1 - excess)), float(around * 0.6 * excess)


def _straight_variants(knurl: Knurl) -> list[Knurl]:
    g = knurl.families[0]
    mean, sd = _straight_belief(g.around)
    return [
        replace(knurl, families=(replace(g, around=around, fill=fill),))
        for around in (mean - sd, mean, mean + sd)
        for fill in (0.55, 0.85)
    ]


def quick_look(
    grey: NDArray[np.uint8], camera: Camera, cylinder: Cylinder, span_z: tuple[float, float]
) -> tuple[float, int]:
    """What the flank model leaves unexplained in the middle of the view, and of how many families; (1, 0) if of none.

    A knurl of two families leaves 0.2 to 0.5 there, wood or cloth 0.6 and more; single lines prove less.
    """
    z0, z1 = span_z
    margin = 0.06 * (z1 - z0)
    span = (z0 + margin, z1 - margin)
    surface = unroll(grey, camera, cylinder, span, 46, 256, int(np.clip(160 * (z1 - z0), 64, 400)))
    found = hypotheses(peaks_of(surface, power_of(surface.brightness)))
    if not found:
        return 1.0, 0
    pitch = float(np.mean([1 / np.hypot(*line) for line in found[0].lines]))
    sight = sightlines(grey, camera, cylinder, span, 24, pitch, 7)
    per_pitch = pitch / float(np.abs(sight.z_u).mean())
    middle = sight.within(23.0, int(12 * per_pitch))
    if min(middle.theta.shape) < 6:
        return 1.0, 0
    best = min(_phase_search(found[0], c, middle)[0][0] for c in found[0].crossings)
    return best, len(found[0].lines)


def _phase_search(hypothesis: Hypothesis, crossing: Crossing, patch: Sightlines) -> list[tuple[float, Knurl]]:
    """The three best phases, no two of them neighbours on the grid."""
    cut = Patch(patch, Cells(4, 1))
    tried = []
    for phases in product(PHASES, repeat=len(hypothesis.lines)):
        knurl = Knurl(
            crossing,
            tuple(Grooves(a, m, float(p), START_FILL) for (a, m), p in zip(hypothesis.lines, phases, strict=True)),
        )
        tried.append((cut.solve(knurl).left / max(cut.total, 1e-9), knurl))
    tried.sort(key=lambda t: t[0])
    kept: list[tuple[float, Knurl]] = []
    for cost, knurl in tried:
        if all(_apart(knurl, other) > 0.14 for _, other in kept):
            kept.append((cost, knurl))
        if len(kept) == LEADERS:
            break
    return kept


def _apart(a: Knurl, b: Knurl) -> float:
    away = [g.phase - h.phase for g, h in zip(a.families, b.families, strict=True)]
    return max(abs(d - round(d)) for d in away)


def _grow(
    knurl: Knurl,
    sight: Sightlines,
    cells: Cells,
    beliefs: dict[str, tuple[float, float]] | None,
    *,
    steps: int,
) -> Fit:
    """Fit everything, shading at a price; two families get one common count unless that explains clearly less."""
    even = _even(knurl, sight, cells, beliefs, steps, DEAR_SHADING)
    if not may_be_tied(knurl):
        return even
    free = free_names(knurl)
    if gain_of_freeing(even.knurl, sight, cells, free, DEAR_SHADING) < TIED_COST - 1:
        return even
    apart = fit(knurl, sight, cells, free, steps=steps, beliefs=beliefs, shading=DEAR_SHADING)
    return even if even.cost < TIED_COST * apart.cost else apart


def _even(
    knurl: Knurl,
    sight: Sightlines,
    cells: Cells,
    beliefs: dict[str, tuple[float, float]] | None,
    steps: int,
    shading: float,
) -> Fit:
    """Fit everything, with one common count for two families that may have one."""
    if not may_be_tied(knurl):
        return fit(knurl, sight, cells, free_names(knurl), steps=steps, beliefs=beliefs, shading=shading)
    around = float(np.mean([g.around for g in knurl.families]))
    even = replace(knurl, families=_with_count(knurl, around))
    return fit(even, sight, cells, free_names(even, tied=True), steps=steps, beliefs=beliefs, shading=shading)
