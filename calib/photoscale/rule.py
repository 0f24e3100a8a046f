"""The steel rule: found without a hint of place or direction, read at both edges.

A candidate comb is looked at in a straight strip of the photo. In the strip, rows that repeat belong to the lines of an
edge; the lines are tracked one by one, numbered, measured for length, and the pattern of lengths says which rule it is.
What has no such pattern is no rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.comb import Comb, find_combs
from photoscale.errors import ScaleNotFound
from photoscale.graduation import GLASS, PATTERNS, Graduation, Pattern, recognise
from photoscale.reading import RuleReading
from photoscale.words import RuleWord

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

MIN_LINES = 15
MIN_REPEAT = 0.3  # autocorrelation of a row of lines one period on
MAX_STRIP_PX = 6000
WIDE_STRIP_ROWS = 800
BACKGROUND_PX = 61
SAME_WAY = 0.98  # cosine; edges of one rule converge by less
MIN_REDUCED_PX = 4.0  # between lines in the photo at half size
MAX_SCATTER_PX, MAX_SCATTER_REL = 0.15, 0.02  # of lines about a smooth spacing: px, and of the period
WIDEST_RULE_MM = 35.0
U_ACROSS_PX = 1.5  # ends of lines are frayed
MISREAD = 0.15  # of a repeat by which edges seem shifted; perspective and lean shift them by 0.04
SAME_SCALE = 0.12  # two edges differ by perspective only
ROW_APART, ROW_HALF = 0.6, 0.4  # of the rows of a line: where each half of it is read, and how much of it
LARGE_PX = 1400  # longer side of the photo at half size, from which on a quarter is searched first
ALL_SEEN_ROWS = 60  # from the border of a strip to an edge that is read whole
SURE_EXPLAINED, SURE_LINES = 0.8, 40
FITS = 0.2  # of a period, perspective across the rule included
REACH_SHORTS = 5.0  # longest line over shortest, at most


@dataclass(frozen=True)
class Strip:
    """A straight, sheared piece of the photo: column i, row j lie at origin + i along + (j - middle) line."""

    dark: NDArray[np.float32]  # (rows, columns), background minus brightness
    origin: Array
    along: Array
    line: Array
    middle: int  # row through the origin; it may lie outside

    def photo_px(self, i: Array, j: Array) -> Array:
        """Photo pixels (n, 2) of columns and rows (n,)."""
        return np.asarray(self.origin + i[:, None] * self.along + (j - self.middle)[:, None] * self.line)


@dataclass(frozen=True)
class Edge:
    """The lines of one edge of a rule in a strip.

    Attributes
    ----------
    index, columns : (n,) arrays
        Number and place of each line, at `row`.
    row : (n,) array
        Half-way along the short lines.
    half : (n,) array
        Rows above and below on which the short lines are whole.
    ink : int
        +1 for dark lines, -1 for bright ones.
    lengths : (n,) array
        Of each line, in px, from the outer end of the short ones.
    inward : int
        +1 when the long lines reach towards larger rows.
    graduation : Graduation
    residual_px : float
        RMS of `columns` about a smooth spacing.
    """

    index: NDArray[np.int64]
    columns: Array
    row: Array
    half: Array
    ink: int
    lengths: Array
    inward: int
    graduation: Graduation
    residual_px: float


def find_rule(grey: Grey, word: RuleWord, avoid: Sequence[Array] = ()) -> RuleReading:
    """Find a rule anywhere in a photo and read its lines.

    Parameters
    ----------
    grey : (h, w) uint8 array
    word : RuleWord
        Which graduation is certain; None in it: whatever the pattern says.
    avoid : sequence of (k, 2) arrays
        Outlines of parts, px; combs inside are not looked at.

    Raises
    ------
    ScaleNotFound
        No rule, or none with the graduation asked for.
    """
    patterns = _patterns(word)
    half = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    sizes = [(half, 2.0), (grey, 1.0)]
    if max(half.shape) > LARGE_PX:
        # lines that a quarter of the photo still shows are found there in a quarter of the time
        sizes.insert(
            0, (np.asarray(cv2.resize(half, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8), 4.0)
        )
    candidates: list[Comb] = []
    for image, factor in sizes:
        combs = [_enlarged(c, factor) for c in find_combs(image)]
        combs = [c for c in combs if not _inside(c, avoid)][:8]
        for comb in combs:
            edges, strip = _read_reduced(half, grey, comb, patterns)
            if len(edges) < 2:
                edges, strip = _read(grey, comb, patterns)
            if edges:
                _refuse_two_rules(half, [c for c in combs if abs(c.along @ strip.along) < SAME_WAY], patterns)
                return _reading(strip, edges, word)
        candidates += combs[:2]
    # nothing with the lines asked for: is it another rule, or none?
    misfit = None
    if word.step_mm is not None:
        for comb in candidates:
            edges, _ = _read(grey, comb, PATTERNS)
            if edges:
                misfit = edges[0].graduation.pattern.name
                break
    if misfit is not None:
        raise ScaleNotFound(f"the rule in the photo has {misfit} lines, not those asked for", "check the rule: word")
    raise ScaleNotFound(
        "no rule is in the photo whose lines can be read", "lay it by the part, in focus, no glare, 5 cm in view"
    )


def _refuse_two_rules(half: Grey, others: Sequence[Comb], patterns: tuple[Pattern, ...]) -> None:
    """Combs that run another way are no other edge of the same rule."""
    for comb in others:
        if _read(half, _enlarged(comb, 0.5), patterns)[0]:
            raise ScaleNotFound("more than one rule is in the photo", "leave one rule in the frame")


def _patterns(word: RuleWord) -> tuple[Pattern, ...]:
    if word.step_mm is None:
        return PATTERNS
    if word.step_mm < 0.2:
        return (GLASS,)
    metric = any(abs(word.step_mm - s) < 1e-9 for s in (1.0, 0.5))
    return tuple(p for p in PATTERNS if p.name.endswith("mm") == metric)


def _enlarged(comb: Comb, factor: float) -> Comb:
    return replace(
        comb,
        centre_px=(comb.centre_px + 0.5) * factor - 0.5,
        length_px=comb.length_px * factor,
        width_px=comb.width_px * factor,
    )


def _inside(comb: Comb, avoid: Sequence[Array]) -> bool:
    centre = (float(comb.centre_px[0]), float(comb.centre_px[1]))
    return any(cv2.pointPolygonTest(np.asarray(a, np.float32).reshape(-1, 1, 2), centre, False) >= 0 for a in avoid)


# --- a strip of the photo ---------------------------------------------------------------------------------------------


def _strip(grey: Grey, centre: Array, along: Array, line: Array, half_width: float, background_px: float) -> Strip:
    """The photo along a direction through `centre`, lines upright, brightness against its surroundings."""
    h, w = grey.shape
    with np.errstate(divide="ignore"):
        reach = np.array([(np.array([0, 0]) - centre) / along, (np.array([w - 1, h - 1]) - centre) / along])
    # as far as the middle row stays inside the photo
    first, last = float(np.max(reach.min(axis=0))), float(np.min(reach.max(axis=0)))
    first, last = max(first, -MAX_STRIP_PX / 2), min(last, MAX_STRIP_PX / 2)
    rows = 2 * int(half_width) + 1
    origin = centre + np.ceil(first) * along
    return _seen(grey, origin, along, line, (int(last - first), rows), rows // 2, background_px)


def _seen(
    grey: Grey, origin: Array, along: Array, line: Array, shape: tuple[int, int], middle: int, background_px: float
) -> Strip:
    """The strip of so many (columns, rows) whose row `middle` begins at the origin."""
    to_photo = np.column_stack([along, line, origin - middle * line])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(grey, to_photo, shape, flags=flags, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    size = int(background_px) | 1
    return Strip(np.asarray(cv2.blur(seen, (size, 1)) - seen, np.float32), origin, along, line, middle)


def _read_reduced(half: Grey, grey: Grey, comb: Comb, patterns: tuple[Pattern, ...]) -> tuple[list[Edge], Strip]:
    """Edges read in the photo at half size, their lines placed again at full size; none where lines are too close."""
    edges, strip = _read(half, _enlarged(comb, 0.5), patterns)
    if not edges or any(_spacing(e) < MIN_REDUCED_PX for e in edges):
        return [], strip
    top = int(2 * (min(float((e.row - e.half).min()) for e in edges) - strip.middle)) - 8
    bottom = int(2 * (max(float((e.row + e.half).max()) for e in edges) - strip.middle)) + 8
    shape = (2 * strip.dark.shape[1], bottom - top + 1)
    full = _seen(grey, 2 * strip.origin + 0.5, strip.along, strip.line, shape, -top, BACKGROUND_PX)
    placed = []
    for edge in edges:
        period, row, rows = 2 * _spacing(edge), 2 * (edge.row - strip.middle) - top, 2 * edge.half
        columns = _refine(np.asarray(edge.ink * full.dark, np.float32), 2 * edge.columns, row, rows, period)
        index, columns, keep, residual = _smooth(edge.index, columns)
        if len(index) < MIN_LINES or residual > MAX_SCATTER_PX + MAX_SCATTER_REL * period:
            return [], strip
        placed.append(
            replace(
                edge,
                index=index,
                columns=columns,
                row=row[keep],
                half=rows[keep],
                lengths=2 * edge.lengths[keep],
                residual_px=residual,
            )
        )
    return placed, full


def _read(grey: Grey, comb: Comb, patterns: tuple[Pattern, ...]) -> tuple[list[Edge], Strip]:
    """Edges of a rule about a comb; none when it is something else."""
    across = np.array([-comb.along[1], comb.along[0]])
    line = comb.line if comb.line @ across > 0 else -comb.line
    half_width = min(max(2.0 * comb.width_px, 120.0), 900.0)
    strip = _strip(grey, comb.centre_px, comb.along, line, half_width, BACKGROUND_PX)
    edges = _edges(strip, patterns)
    if not edges:
        return [], strip
    # the other edge may be as far away as rules are wide
    reach = WIDEST_RULE_MM * _px_per_mm(edges[0])
    if edges[0].graduation.pattern is not GLASS and half_width < reach < 2000:
        narrow = strip
        strip = _strip(grey, comb.centre_px, comb.along, line, reach, BACKGROUND_PX)
        # what was read well inside the narrow strip stands where it stood
        shift = strip.middle - narrow.middle
        whole = [
            replace(e, row=e.row + shift)
            for e in edges
            if float((e.row - e.half).min()) > ALL_SEEN_ROWS
            and float((e.row + e.half).max()) < narrow.dark.shape[0] - ALL_SEEN_ROWS
        ]
        edges = _edges(strip, patterns, whole) or edges
    return _pair(edges), strip


def _edges(strip: Strip, patterns: tuple[Pattern, ...], known: Sequence[Edge] = ()) -> list[Edge]:
    """Every edge of a rule in a strip, the one with most lines first; `known` are those read before."""
    found = list(known)
    for first, last, period in sorted(_bands(strip.dark), key=lambda band: band[2]):
        if any(first <= float(np.median(e.row)) <= last for e in known):
            continue
        sure = [e for e in found if e.graduation.explained > SURE_EXPLAINED and len(e.index) > SURE_LINES]
        if sure and not _fits(period, _px_per_mm(sure[0]), patterns):
            continue
        # engraved and filled lines are dark; on a black rule they are bright
        edge = _edge(strip.dark, first, last, period, patterns, 1) or _edge(
            strip.dark, first, last, period, patterns, -1
        )
        if edge is not None:
            found.append(edge)
    return sorted(found, key=lambda e: -len(e.index) * e.graduation.explained)


def _fits(period: float, px_per_mm: float, patterns: tuple[Pattern, ...]) -> bool:
    """Whether rows that repeat so can be lines of the rule on which so many pixels are a millimetre."""
    return any(abs(period / (px_per_mm * p.step_mm) - 1) < FITS for p in patterns)


def _bands(dark: NDArray[np.float32]) -> list[tuple[int, int, float]]:
    """Groups of rows that repeat: (first row, last row, period in columns)."""
    from scipy.fft import rfft

    # every second row, for they are smoothed over five; of a wide strip every fourth, for there lines are long
    skip = 2 if dark.shape[0] < WIDE_STRIP_ROWS else 4
    smooth = np.ascontiguousarray(cv2.blur(dark, (1, 5))[::skip])
    # limited so that a few glints do not carry the correlation
    limit = 3 * np.median(np.abs(smooth[:, ::4]), axis=1, keepdims=True) + 1e-3
    clipped = np.clip(smooth, -limit, limit)
    columns = dark.shape[1]
    size = cv2.getOptimalDFTSize(2 * columns)
    spectrum = rfft(clipped.astype(np.float32), size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    power[:, 1:] *= 2
    # correlation at chosen lags only, short ones in quarters of a column: four columns a line are not always whole
    lags = np.concatenate([np.arange(2.5, 24, 0.25), np.arange(24, min(columns // 4, 400) + 1)])
    angle = np.outer(np.arange(power.shape[1]), (2 * np.pi / size) * lags).astype(np.float32)
    correlation = power @ np.cos(angle) / np.maximum(power.sum(axis=1, keepdims=True), 1e-9)
    periods = np.full(dark.shape[0], np.nan)
    for j, c in enumerate(correlation):
        peak = np.flatnonzero((c[1:-1] > c[:-2]) & (c[1:-1] >= c[2:])) + 1
        peak = peak[(c[peak] > MIN_REPEAT) & (lags[peak] >= 3)]
        if len(peak):
            periods[skip * j : skip * (j + 1)] = lags[peak[np.flatnonzero(c[peak] > 0.75 * c[peak].max())[0]]]
    bands = []
    j = 0
    while j < len(periods):
        if np.isnan(periods[j]):
            j += 1
            continue
        k = j
        while k + 1 < len(periods) and abs(periods[k + 1] - periods[j]) <= max(1.0, 0.1 * periods[j]):
            k += 1
        if k - j >= 5:
            bands.append((j, k, float(np.median(periods[j : k + 1]))))
        j = k + 1
    return bands


# --- the lines of one edge --------------------------------------------------------------------------------------------


def _edge(
    dark: NDArray[np.float32], first: int, last: int, period: float, patterns: tuple[Pattern, ...], ink: int
) -> Edge | None:
    inner = (last - first) // 6
    profile = ink * dark[first + inner : last + 1 - inner].mean(axis=0)
    index, columns = _track(profile, period)
    if len(index) < MIN_LINES:
        return None
    # nothing farther off than the longest line matters
    margin = int((REACH_SHORTS + 1) * (last - first)) + 40
    above = max(0, first - margin)
    dark, first, last = np.ascontiguousarray(ink * dark[above : last + margin]), first - above, last - above
    # rows over which all lines are there, segment by segment: the edge may climb through the strip
    ends = _line_ends(dark, columns, first, last)
    if ends is None:
        return None
    top, bottom = ends
    upper, lower = _course(columns, top), _course(columns, bottom)
    row = (upper + lower) / 2
    # lines again, now each on its own rows
    half = np.maximum(1.0, 0.35 * (lower - upper))
    columns = _refine(dark, columns, row, half, period)
    index, columns, keep, residual = _smooth(index, columns)
    if len(index) < MIN_LINES or residual > MAX_SCATTER_PX + MAX_SCATTER_REL * period:
        return None
    upper, lower, row = upper[keep], lower[keep], row[keep]
    if _has_lines_between(dark, columns, row, 0.35 * (lower - upper)):
        return None
    lean = _lean(dark, columns, row, lower - upper, period)
    # a glass scale is graduated like a millimetre rule: there only the inch tells that it is another
    others = tuple(p for p in PATTERNS if p not in patterns and (GLASS not in patterns or p.name.endswith("in")))
    best: tuple[Graduation, Array, int] | None = None
    contrast = _contrast(dark, columns, lean, row)
    for inward in (1, -1):
        start = upper if inward > 0 else lower
        lengths = _lengths(contrast, start, lower - upper, inward)
        graduation = recognise(index, lengths, patterns, others)
        if graduation is not None and (best is None or graduation.explained > best[0].explained):
            best = graduation, lengths, inward
    if best is None:
        return None
    half = np.maximum(1.0, 0.35 * (lower - upper))
    return Edge(index, columns, row + above, half, ink, best[1], best[2], best[0], residual)


def _track(profile: NDArray[np.float32], period: float) -> tuple[NDArray[np.int64], Array]:
    """Lines numbered one after another, from where they are clearest to both sides."""
    smooth = cv2.GaussianBlur(profile.reshape(1, -1), (0, 0), max(0.6, 0.07 * period)).ravel()
    peak = np.flatnonzero((smooth[1:-1] > smooth[:-2]) & (smooth[1:-1] >= smooth[2:])) + 1
    if len(peak) < MIN_LINES:
        return np.empty(0, np.int64), np.empty(0)
    a, b, c = smooth[peak - 1], smooth[peak], smooth[peak + 1]
    places = peak + 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
    height = b
    near = float(np.median(np.sort(height)[-max(8, len(height) // 4) :]))
    good = height > 0.25 * near
    places, height = places[good], height[good]
    # start: the longest run of evenly spaced neighbours
    even = np.abs(np.diff(places) / period - 1) < 0.2
    run, start, best = 0, 0, 0
    for k, ok in enumerate(even):
        run = run + 1 if ok else 0
        if run > best:
            best, start = run, k - run // 2
    if best < 4:
        return np.empty(0, np.int64), np.empty(0)
    index, found = [0], [float(places[start])]
    for way in (1, -1):
        at, number, step, missed = float(places[start]), 0, period, 0
        nearby = np.abs(places - at) < 6 * period
        gaps = np.diff(places[nearby])
        gaps = gaps[np.abs(gaps / period - 1) < 0.2]
        if len(gaps):
            step = float(np.median(gaps))
        while missed < 6:
            number += way
            guess = at + way * step
            if not 0 < guess < len(profile) - 1:
                break
            k = int(np.argmin(np.abs(places - guess)))
            off = places[k] - guess
            if abs(off) < 0.28 * step:
                at = float(places[k])
                # the step drifts slowly under perspective
                step = float(np.clip(step + 0.15 * way * off / (missed + 1), 0.98 * step, 1.02 * step))
                index.append(number)
                found.append(at)
                missed = 0
            else:
                at = guess
                missed += 1
    order = np.argsort(index)
    return np.array(index, np.int64)[order], np.array(found)[order]


def _line_ends(dark: NDArray[np.float32], columns: Array, first: int, last: int) -> tuple[Array, Array] | None:
    """Upper and lower row (n,) up to which all lines about each line are there."""
    upright = np.zeros(len(columns))
    contrast = _contrast(dark, columns, upright, upright)  # (rows, lines)
    n = len(columns)
    reach = max(4, n // 12)
    tops, bottoms = np.full(n, np.nan), np.full(n, np.nan)
    middle = (first + last) // 2
    for k in range(0, n, max(1, n // 40)):
        part = contrast[:, max(0, k - reach) : k + reach + 1]
        # the lower quartile: rows where even the short lines are there
        low = np.partition(part, round(0.3 * (part.shape[1] - 1)), axis=1)[:, round(0.3 * (part.shape[1] - 1))]
        level = np.asarray(cv2.blur(low.reshape(-1, 1), (1, 3))).ravel()
        full = float(np.median(level[first : last + 1]))
        if full <= 0:
            continue
        on = level > 0.5 * full
        seed = middle if on[middle] else first + int(np.argmax(level[first : last + 1]))
        if not on[seed]:
            continue
        up = seed
        while up > 0 and on[up - 1]:
            up -= 1
        down = seed
        while down + 1 < len(on) and on[down + 1]:
            down += 1
        tops[k], bottoms[k] = up, down
    good = np.isfinite(tops)
    if good.sum() < 8:
        return None
    place = np.arange(n)
    return np.interp(place, place[good], tops[good]), np.interp(place, place[good], bottoms[good])


def _course(columns: Array, rows: Array) -> Array:
    """Smooth course (n,) of the ends of the lines through the strip: a parabola (lenses bend it), outliers dropped."""
    keep = np.ones(len(rows), bool)
    course = rows
    for _ in range(5):
        fit = np.polynomial.Polynomial.fit(columns[keep], rows[keep], 2 if keep.sum() > 60 else 1)
        course = np.asarray(fit(columns), float)
        off = np.abs(rows - course)
        keep = off <= max(1.5, 2.5 * 1.4826 * float(np.median(off)))
        if keep.sum() < MIN_LINES // 2:
            break
    return course


def _has_lines_between(dark: NDArray[np.float32], columns: Array, row: Array, half: Array) -> bool:
    """Whether there are lines half-way between those tracked: then every second one was missed."""
    gap = np.gradient(columns)
    levels = np.linspace(-1, 1, 15)
    y = (row[:, None] + half[:, None] * levels).astype(np.float32)

    def at(share: float) -> float:
        x = np.broadcast_to((columns + share * gap)[:, None], y.shape).astype(np.float32)
        return float(np.median(cv2.remap(dark, x, y, cv2.INTER_LINEAR).mean(axis=1)))

    line, between, beside = at(0.0), at(0.5), (at(0.25) + at(-0.25)) / 2
    return between - beside > 0.25 * max(line - beside, 1e-6)


def _lean(dark: NDArray[np.float32], columns: Array, row: Array, short: Array, period: float) -> Array:
    """Columns per row (n,) by which each line leans: lines converge in a view that is not square to the rule."""
    quarter = 0.25 * short
    upper = _refine(dark, columns, row - quarter, 0.8 * quarter, period)
    lower = _refine(dark, columns, row + quarter, 0.8 * quarter, period)
    lean = (lower - upper) / np.maximum(2 * quarter, 1.0)
    keep = np.ones(len(lean), bool)
    line = np.polynomial.Polynomial([0.0])
    for _ in range(4):
        line = np.polynomial.Polynomial.fit(columns[keep], lean[keep], 1)
        off = np.abs(lean - line(columns))
        keep = off <= 2.5 * 1.4826 * float(np.median(off)) + 1e-6
    return np.asarray(line(columns), float)


def _contrast(dark: NDArray[np.float32], columns: Array, lean: Array, row: Array) -> NDArray[np.float32]:
    """Darkness of each line, through `columns` at `row`, against the gaps beside it (rows, n)."""
    gap = np.gradient(columns)
    rows = np.arange(dark.shape[0], dtype=np.float32)[:, None]
    j = np.ascontiguousarray(np.broadcast_to(rows, (len(rows), len(columns))))
    leaning = rows * lean.astype(np.float32)
    foot = columns - lean * row
    total = np.zeros(j.shape, np.float32)
    for share, width, weight in ((0.0, 0.3, 1.0), (-0.5, 0.2, -0.5), (0.5, 0.2, -0.5)):
        for step in (-0.5, -0.17, 0.17, 0.5):
            i = leaning + (foot + (share + width * step) * gap).astype(np.float32)
            total += np.float32(weight / 4) * np.asarray(cv2.remap(dark, i, j, cv2.INTER_LINEAR), np.float32)
    return total


def _refine(dark: NDArray[np.float32], columns: Array, row: Array, half: Array, period: float) -> Array:
    """Sub-pixel places of the lines: centre of gravity of the darkness on the rows of the short lines."""
    reach = float(np.clip(0.42 * period, 1.5, 6.0))
    offsets = np.linspace(-reach, reach, 2 * int(np.ceil(2 * reach)) + 1)
    levels = np.linspace(-1, 1, 15)
    x = columns[:, None, None] + offsets
    y = row[:, None, None] + half[:, None, None] * levels[:, None]
    shape = (len(columns), len(levels) * len(offsets))
    seen = cv2.remap(
        dark,
        np.broadcast_to(x, (len(columns), len(levels), len(offsets))).reshape(shape).astype(np.float32),
        np.broadcast_to(y, (len(columns), len(levels), len(offsets))).reshape(shape).astype(np.float32),
        cv2.INTER_LINEAR,
    ).reshape(len(columns), len(levels), len(offsets))
    profile = seen.mean(axis=1)
    weight = profile - np.percentile(profile, 25, axis=1, keepdims=True)
    weight = np.maximum(weight, 0)
    total = np.maximum(weight.sum(axis=1), 1e-9)
    return np.asarray(columns + (weight * offsets).sum(axis=1) / total, float)


def _smooth(index: NDArray[np.int64], columns: Array) -> tuple[NDArray[np.int64], Array, NDArray[np.bool_], float]:
    """Lines that fit a smooth spacing (perspective and lens: a quartic is ample), and their RMS about it."""
    keep = np.ones(len(index), bool)
    residual = np.inf
    for _ in range(6):
        degree = 4 if keep.sum() > 40 else 3 if keep.sum() > 20 else 2
        if keep.sum() < MIN_LINES:
            break
        fit = np.polynomial.Polynomial.fit(index[keep], columns[keep], degree)
        off = columns - fit(index)
        spread = 1.4826 * float(np.median(np.abs(off[keep])))
        better = np.abs(off) < max(0.15, 3.5 * spread)
        residual = float(np.sqrt(np.mean(off[better] ** 2)))
        if (better == keep).all():
            break
        keep = better
    return index[keep], columns[keep], keep, residual


def _lengths(contrast: NDArray[np.float32], start: Array, short: Array, inward: int) -> Array:
    """Length of each line in px, from the outer end of the short lines inwards."""
    rows = contrast.shape[0]
    if inward < 0:
        contrast = contrast[::-1]
        start = rows - 1 - start
    begin = np.clip(np.round(start).astype(int), 0, rows - 1)
    full = np.array(
        [np.median(contrast[b : b + max(3, int(s)), k]) for k, (b, s) in enumerate(zip(begin, short, strict=True))]
    )
    full = np.maximum(full, 0.5 * float(np.median(full)))
    lengths = np.empty(contrast.shape[1])
    for k, b in enumerate(begin):
        # most likely end of a step from full contrast to none: where the sum of what exceeds half of it is greatest
        beyond = contrast[b : b + int(REACH_SHORTS * short[k]) + 10, k]
        gain = np.cumsum(np.clip(beyond, -full[k], 1.5 * full[k]) - 0.5 * full[k])
        if not len(gain):
            lengths[k] = 0.0
            continue
        # a digit farther in is no part of the line: stop where the sum has clearly turned down
        lost = np.maximum.accumulate(gain) - gain > 0.5 * full[k] * max(5.0, 0.15 * short[k])
        until = int(np.argmax(lost)) if lost.any() else len(gain)
        lengths[k] = float(np.argmax(gain[: max(1, until)])) + 1
    return lengths


# --- both edges together ----------------------------------------------------------------------------------------------


def _pair(edges: list[Edge]) -> list[Edge]:
    """The best edge, and the one that faces it, if any."""
    # bands of one rule, even inner ones where only the longer lines are left, must agree on its scale
    scale = np.array([_px_per_mm(e) for e in edges])
    weight = np.array([len(e.index) * e.graduation.explained for e in edges])
    support = np.array([weight[np.abs(scale / s - 1) < SAME_SCALE].sum() for s in scale])
    best = edges[int(np.argmax(np.where(support >= support.max() - 1e-9, weight, 0)))]
    if support.max() < 0.6 * weight.sum():
        return []
    facing = [
        e
        for e in edges
        if e.inward == -best.inward
        and (np.median(e.row) - np.median(best.row)) * best.inward > 0
        and abs(_px_per_mm(e) / _px_per_mm(best) - 1) < SAME_SCALE
        # read on stretches apart, nothing tells which of their marks stand opposite each other
        and _both_read(e, best)[0] < _both_read(e, best)[1]
    ]
    return [best, *sorted(facing, key=lambda e: -len(e.index))[:1]]


def _both_read(a: Edge, b: Edge) -> tuple[float, float]:
    """From which column to which both edges are read."""
    return max(float(a.columns[0]), float(b.columns[0])), min(float(a.columns[-1]), float(b.columns[-1]))


def _px_per_mm(edge: Edge) -> float:
    return _spacing(edge) / edge.graduation.pattern.step_mm


def _spacing(edge: Edge) -> float:
    """Columns from line to line."""
    return float(np.median(np.diff(edge.columns) / np.diff(edge.index)))


def _two_rows(strip: Strip, edge: Edge) -> list[Edge]:
    """One edge read on the outer and on the inner part of its lines: how they converge tells the tilt across the rule.

    The lines of two edges say the same with a longer lever; without either a rule says nothing of that tilt, and a part
    beside it may be nearer or farther by the whole of it. Under a microscope they hardly converge.
    """
    if edge.graduation.pattern is GLASS:
        return [edge]
    dark = np.asarray(edge.ink * strip.dark, np.float32)
    period = _spacing(edge)
    rows = []
    for side in (-1, 1):
        row = edge.row + side * ROW_APART * edge.half
        columns = _refine(dark, edge.columns, row, ROW_HALF * edge.half, period)
        index, columns, keep, residual = _smooth(edge.index, columns)
        if len(index) < MIN_LINES:
            return [edge]
        rows.append(replace(edge, index=index, columns=columns, row=row[keep], residual_px=residual))
    return rows


def _reading(strip: Strip, edges: list[Edge], word: RuleWord) -> RuleReading:
    steps = [e.graduation.pattern.step_mm for e in edges]
    if len(edges) == 1:
        edges = _two_rows(strip, edges[0])
    points: list[Array] = []
    along: list[Array] = []
    number: list[NDArray[np.int64]] = []
    for k, edge in enumerate(edges):
        g = edge.graduation
        mm = (edge.index - g.zero) * g.pattern.step_mm
        repeat = g.pattern.period * g.pattern.step_mm
        if k == 0:
            if not mm.min() <= 0 <= mm.max():
                mm = mm - repeat * np.round(float(np.median(mm)) / repeat)
        else:
            # the same marks stand opposite each other: whole repeats bring the edges together, or, where the lengths
            # of one edge's lines were misread (of 1/64 in only every fourth line is seen), whole lines
            middle = sum(_both_read(edges[0], edge)) / 2
            here = float(np.interp(middle, edge.columns, mm) - np.interp(middle, edges[0].columns, along[0]))
            rest = here - repeat * float(np.round(here / repeat))
            if abs(rest) > MISREAD * repeat:
                rest -= g.pattern.step_mm * float(np.round(rest / g.pattern.step_mm))
            mm = mm + (rest - here)
        points.append(strip.photo_px(edge.columns, edge.row))
        along.append(np.asarray(mm, float))
        number.append(np.full(len(mm), k))
    names = " and ".join(dict.fromkeys(e.graduation.pattern.name for e in edges))
    notes = []
    if word.step_mm is None:
        notes.append(f"the lines look like {names}; name the rule to be sure, such as rule:1mm")
    residual = float(np.sqrt(np.mean(np.concatenate([np.full(len(e.index), e.residual_px**2) for e in edges]))))
    allpoints = np.vstack(points)
    box = cv2.boxPoints(cv2.minAreaRect(allpoints.astype(np.float32)))
    return RuleReading(
        points_px=allpoints,
        along_mm=np.concatenate(along),
        edge=np.concatenate(number).astype(np.int64),
        step_mm=min(steps),
        steps_mm=(steps[0], steps[1] if len(steps) > 1 else float("nan")),
        graduation=names,
        u_points_px=max(0.03, residual),
        residual_px=residual,
        u_across_px=U_ACROSS_PX,
        outline_px=np.asarray(box, np.float64),
        notes=tuple(notes),
    )
