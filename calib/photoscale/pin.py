"""A ground pin of known diameter beside the part: its two silhouette lines.

A polished cylinder shows a bundle of long parallel highlights; that gives place, direction and length. Its rim may
hardly differ from the bench, so brightness is averaged along the pin, and the rim is where that average leaves the
smooth course of the bench: a step or a kink, blurred by the lens. A highlight or the edge of a shadow is such a line,
too; where the pin ends, brightness jumps over just its width, and rims that do not agree with that are refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.errors import ScaleNotFound
from photoscale.reading import PinReading
from photoscale.words import PinWord

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

SAME_DIRECTION = np.deg2rad(3.0)
SLENDER = 2.5  # length over width of the bundle, at least
PARALLEL = np.sin(np.deg2rad(1.2))  # of the rims: perspective does less to a pin
BLUR_PX = 1.3
MOST_BLUR_PX = 2.4  # rims of 13 pins read right: up to 2.0; edges of shadows from 2.6
MIN_WIDTH_PX = 20.0
CURE = "lay it beside the part, whole and in focus, on a plain surface"
SIGNIFICANT = 6.0  # times the noise of the average's second derivative
# of the ends of a pin, in its widths: how far beyond the rims one looks, in bands how wide; over how much of the length
# brightness is averaged before and behind an end; how far along an end may lie askew or rounded
BEYOND, BAND, END_PX_REL, END_REACH = 0.4, 0.04, 0.03, 0.1
HOLE = 2  # bands that do not jump, one after the other, are no part of the pin
JUMP_GREY = 8.0  # at an end; contact shadows fade, on rendered pins by up to 7 over such a short way
MOST_OFF = 0.07  # of the width, between a rim and where the ends say that it is
U_RIM_PX = 0.8  # rims of polished pins are seen this well at best: rendered pins, limb against bench


def find_pin(grey: Grey, word: PinWord, avoid: Sequence[Array] = ()) -> PinReading:
    """Find a bright straight pin.

    Parameters
    ----------
    grey : (h, w) uint8 array
    word : PinWord
    avoid : sequence of (k, 2) arrays
        Outlines of parts, px; lines inside are not looked at.

    Raises
    ------
    ScaleNotFound
    """
    bundle = _bundle(grey, avoid)
    if bundle is None:
        raise ScaleNotFound("no pin is in the photo", CURE)
    start, along, length, low, high = bundle
    across = np.array([-along[1], along[0]])
    spread = max(high - low, 6.0)
    reach = int(1.5 * spread + 30)
    j = np.arange(int(low) - reach, int(high) + reach + 1)
    whole = _average(grey, start, along, across, 0.1 * length, 0.9 * length, j)
    first = [_rim(j, whole, seed, side, spread) for side, seed in ((-1, low), (1, high))]
    edges = _edges(grey, start, along, length, first)
    ends = _ends_seen(grey, edges)
    if np.all(ends.beyond > -MOST_OFF):
        # the bundle may be short of the pin, its outermost line a highlight: the ends tell how far the pin goes
        edges = _edges(grey, ends.start, ends.along, ends.length, ends.rims)
        ends = _ends_seen(grey, edges)
    if np.any(np.abs(ends.beyond) > MOST_OFF):
        raise ScaleNotFound(
            "the pin's rims cannot be told from highlights or shadows: its ends are not as wide as they are apart",
            "lay it beside the part, whole and in focus, on a plain surface in even light",
        )
    inside = (edges >= 0) & (edges < [grey.shape[1], grey.shape[0]])
    if not inside.all():
        raise ScaleNotFound("the pin is cut off by the frame", "show the whole pin")
    width = float(np.linalg.norm(edges[0].mean(axis=0) - edges[1].mean(axis=0)))
    length = float(np.linalg.norm(edges[0, 1] - edges[0, 0]))
    d0, d1 = edges[0, 1] - edges[0, 0], edges[1, 1] - edges[1, 0]
    crossing = abs(float(d0[0] * d1[1] - d0[1] * d1[0])) / float(np.linalg.norm(d0) * np.linalg.norm(d1))
    if width < MIN_WIDTH_PX or length < SLENDER * width or crossing > PARALLEL:
        raise ScaleNotFound("no pin is in the photo: the nearest thing to one is not slender and straight", CURE)
    return PinReading(edges[0], edges[1], word.diameter, U_RIM_PX)


def _edges(grey: Grey, start: Array, along: Array, length: float, rims: Sequence[float | None] | Array) -> Array:
    """Both rims (2, 2, 2) as straight lines, placed piece by piece near where they are known to be.

    `rims` lie across the direction from `start`, the lower first.
    """
    across = np.array([-along[1], along[0]])
    # the middle four fifths: ends are rounded or bevelled
    sections = np.linspace(0.1, 0.9, 13) * length
    lines = []
    for side, rim in zip((-1, 1), rims, strict=True):
        if rim is None:
            raise ScaleNotFound("the pin's rim cannot be told from what lies beside it", "lay it on a plain surface")
        at = []
        near = np.arange(int(rim) - 14, int(rim) + 15)
        for a, b in pairwise(sections):
            piece = _fit(near, _average(grey, start, along, across, a, b, near), rim, side)
            if piece is not None and abs(piece[0] - rim) < 4:
                at.append(((a + b) / 2, *piece))
        if len(at) < 6:
            raise ScaleNotFound(
                "the pin's rim is not straight or not clear", "lay it on a plain surface, in even light"
            )
        x, y, blur = np.array(at).T
        if np.median(blur) > MOST_BLUR_PX:
            raise ScaleNotFound(
                "the pin's rim is soft, as a shadow's edge is, or out of focus", "focus on the pin, in even light"
            )
        keep = np.ones(len(x), bool)
        for _ in range(3):
            line = np.polynomial.Polynomial.fit(x[keep], y[keep], 1)
            off = np.abs(y - line(x))
            keep = off < max(0.5, 3 * 1.4826 * float(np.median(off[keep])))
        ends = np.array([0.0, length])
        lines.append(start + ends[:, None] * along + line(ends)[:, None] * across)
    return np.array(lines)


@dataclass(frozen=True)
class _Ends:
    """The pin as its two ends show it.

    Attributes
    ----------
    start, along, length
        Middle of the first end, direction, px.
    rims : (2,) array
        Where the ends begin and stop across that direction, px from `start`.
    beyond : (2,) array
        How far that lies outside of the rims that were supposed, in widths, at the end that suits each better.
    """

    start: Array
    along: Array
    length: float
    rims: Array
    beyond: Array


def _ends_seen(grey: Grey, edges: Array) -> _Ends:
    """Look for the ends of a pin between supposed rims, and how far across they reach.

    Where a pin ends the brightness jumps on all of its width, and on nothing else: bench and shadow go on. So the ends
    show the width whatever lines light draws along the pin.
    """
    middle = edges.mean(axis=0)
    along = (middle[1] - middle[0]) / np.linalg.norm(middle[1] - middle[0])
    across = np.array([-along[1], along[0]])
    centre = middle.mean(axis=0)
    h, w = grey.shape
    x = np.arange(-float(np.hypot(h, w)), float(np.hypot(h, w)))
    at = centre + x[:, None] * along
    x = x[((at > 2) & (at < [w - 3, h - 3])).all(axis=1)]
    lower, upper = (np.polynomial.Polynomial.fit((e - centre) @ along, (e - centre) @ across, 1)(x) for e in edges)
    width = float(np.median(upper - lower))
    # bands across, from rims less BEYOND widths to rims and BEYOND more
    bands = np.arange(-BEYOND, 1 + BEYOND, BAND)
    share = bands[:, None] + BAND * (np.arange(6) + 0.5) / 6
    offset = lower + share[..., None] * (upper - lower)
    px = (centre[0] + x * along[0] + offset * across[0], centre[1] + x * along[1] + offset * across[1])
    seen = np.stack(
        [
            cv2.remap(grey, i, j, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(float).mean(axis=0)
            for i, j in zip(*(np.asarray(p, np.float32) for p in px), strict=True)
        ]
    )
    k, gap = max(2, int(END_PX_REL * width)), max(1, int(END_PX_REL * width / 2))
    total = np.cumsum(np.pad(seen, ((0, 0), (1, 0))), axis=1)
    i = np.arange(k + gap, seen.shape[1] - k - gap)
    jump = np.abs(total[:, i + gap + k] - total[:, i + gap] - total[:, i - gap] + total[:, i - gap - k]) / k
    own = (bands >= 0) & (bands < 1)
    most = np.sort(jump[own], axis=0)[own.sum() // 5]  # a fifth of the width may look like the bench
    places, beyond = [], []
    for side in (x[i] < 0, x[i] >= 0):
        if not side.any():
            raise ScaleNotFound("no pin is in the photo: the nearest thing to one has no two ends", CURE)
        end = int(np.flatnonzero(side)[np.argmax(most[side])])
        reach = int(END_REACH * width)
        on = jump[:, max(0, end - reach) : end + reach + 1].max(axis=1) > JUMP_GREY
        if most[end] < JUMP_GREY / 2 or not on[own].any():
            raise ScaleNotFound("no pin is in the photo: the nearest thing to one has no two ends", CURE)
        a = b = len(bands) // 2
        while a > 0 and on[max(0, a - HOLE) : a].any():  # narrow bands may look like the bench
            a -= 1
        while b < len(on) - 1 and on[b + 1 : b + 1 + HOLE].any():
            b += 1
        a += not on[a]
        b -= not on[b]
        places.append(float(x[i[end]]))
        beyond.append((-float(bands[a]), float(bands[b]) + BAND - 1))
    first, last = np.array(beyond)
    nearer = np.where(np.abs(first) < np.abs(last), first, last)
    agreed = np.where(np.abs(first - last) < MOST_OFF, (first + last) / 2, nearer)
    agreed = np.where(np.abs(nearer) < MOST_OFF, 0.0, agreed)
    rims = np.array([np.median(lower), np.median(upper)]) + np.array([-1, 1]) * agreed * width
    return _Ends(centre + places[0] * along, along, places[1] - places[0], rims, nearer)


def _bundle(grey: Grey, avoid: Sequence[Array]) -> tuple[Array, Array, float, float, float] | None:
    """Start, direction, length and range across of the longest bundle of parallel lines; px of the full photo."""
    half = cv2.GaussianBlur(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    found = cv2.createLineSegmentDetector().detect(half)[0]
    segments = np.asarray([] if found is None else found, np.float64).reshape(-1, 2, 2) * 2 + 0.5
    middle = segments.mean(axis=1)
    clear = [not _within(m, avoid) for m in middle]
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    keep = np.array(clear, bool) & (lengths > 0.06 * max(grey.shape))
    segments, lengths = segments[keep], lengths[keep]
    best: tuple[float, tuple[Array, Array, float, float, float]] | None = None
    for k in np.argsort(-lengths)[:12]:
        a, b = segments[k]
        along = (b - a) / lengths[k]
        if along[0] < 0:
            a, along = b, -along
        across = np.array([-along[1], along[0]])
        t = np.sort((segments - a) @ along, axis=1)
        c = (segments - a) @ across
        turned = np.abs((segments[:, 1] - segments[:, 0]) @ across) / lengths
        overlap = np.minimum(t[:, 1], lengths[k]) - np.maximum(t[:, 0], 0)
        mates = (
            (turned < SAME_DIRECTION) & (overlap > 0.78 * lengths[k]) & (np.abs(c.mean(axis=1)) < lengths[k] / SLENDER)
        )
        if mates.sum() < 2:
            continue
        low, high = float(c[mates].mean(axis=1).min()), float(c[mates].mean(axis=1).max())
        if lengths[k] < SLENDER * (high - low):
            continue
        score = float(lengths[mates].sum())
        if best is None or score > best[0]:
            best = score, (a, along, float(lengths[k]), low, high)
    return None if best is None else best[1]


def _within(point: Array, avoid: Sequence[Array]) -> bool:
    at = (float(point[0]), float(point[1]))
    return any(cv2.pointPolygonTest(np.asarray(a, np.float32).reshape(-1, 1, 2), at, True) > -6 for a in avoid)


def _average(
    grey: Grey, start: Array, along: Array, across: Array, first: float, last: float, j: NDArray[np.int64]
) -> Array:
    """Median brightness along the pin, for each place across (n,)."""
    i = np.arange(first, last)
    x = start[0] + i * along[0] + j[:, None] * across[0]
    y = start[1] + i * along[1] + j[:, None] * across[1]
    seen = cv2.remap(
        grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    # mean of the middle half: finer than the median of whole grey levels, as deaf to specks
    rows = np.sort(np.asarray(seen, float), axis=1)
    quarter = rows.shape[1] // 4
    return np.asarray(rows[:, quarter : rows.shape[1] - quarter].mean(axis=1), float)


def _rim(j: NDArray[np.int64], profile: Array, seed: float, side: int, spread: float) -> float | None:
    """Outermost place where the average bends sharply before it runs quietly on over the bench."""
    smooth = cv2.GaussianBlur(profile.reshape(-1, 1), (0, 0), 1.5).ravel()
    bend = np.abs(np.gradient(np.gradient(smooth)))
    noise = 1.4826 * float(np.percentile(bend, 25)) / 0.47  # quarter of |normal| lies under 0.32 sigma
    strong = bend > max(SIGNIFICANT * noise, 0.08)
    quiet = max(10.0, 0.6 * spread)
    at = int(np.argmin(np.abs(j - seed)))
    last, k = at, at
    while 3 < k < len(j) - 4 and abs(k - last) < quiet and abs(k - at) < spread:
        if strong[k]:
            last = k
        k += side
    found = _fit(j, profile, float(j[last]) - 2.0 * side, side)
    return None if found is None else found[0]


def _fit(j: NDArray[np.int64], profile: Array, guess: float, side: int) -> tuple[float, float] | None:
    """Rim as the place where a straight course of the bench ends in a step and a slope, both blurred; and the blur."""
    from scipy.optimize import least_squares
    from scipy.special import erf

    x = side * (guess - j)  # inwards positive
    use = (x > -12) & (x < 4.5)
    if use.sum() < 12:
        return None
    x, y = x[use], profile[use]
    level = float(np.ptp(y)) or 1.0

    def design(e: float, blur: float) -> Array:
        t = (x - e) / blur
        step = 0.5 * (1 + erf(t / np.sqrt(2)))
        ramp = (x - e) * step + blur * np.exp(-(t**2) / 2) / np.sqrt(2 * np.pi)
        return np.column_stack([np.ones_like(x), x, step, ramp])

    def rest(p: Array) -> Array:
        m = design(p[0], p[1])
        return np.asarray(np.append((m @ np.linalg.lstsq(m, y, rcond=None)[0] - y) / level, 0.02 * (p[1] - BLUR_PX)))

    best = min(
        (least_squares(rest, [e, BLUR_PX], bounds=([-8, 0.6], [4, 3.0])) for e in (-2.0, 0.0, 2.0)),
        key=lambda r: r.cost,
    )
    return float(guess - side * best.x[0]), float(best.x[1])
