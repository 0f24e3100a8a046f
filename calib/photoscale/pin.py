"""A ground pin of known diameter beside the part: its two silhouette lines.

A polished cylinder shows a bundle of long parallel highlights; that gives place, direction and length. Its rim may
hardly differ from the bench, so brightness is averaged along the pin, and the rim is where that average leaves the
smooth course of the bench: a step or a kink, blurred by the lens.
"""

from __future__ import annotations

from collections.abc import Sequence
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
MIN_WIDTH_PX = 20.0
CURE = "lay it beside the part, whole and in focus, on a plain surface"
SIGNIFICANT = 6.0  # times the noise of the average's second derivative
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
    h, w = grey.shape
    bundle = _bundle(grey, avoid)
    if bundle is None:
        raise ScaleNotFound("no pin is in the photo", CURE)
    start, along, length, low, high = bundle
    across = np.array([-along[1], along[0]])
    spread = max(high - low, 6.0)
    reach = int(1.5 * spread + 30)
    j = np.arange(int(low) - reach, int(high) + reach + 1)
    # the middle four fifths: ends are rounded or bevelled
    sections = np.linspace(0.1, 0.9, 13) * length
    lines = []
    for side, seed in ((-1, low), (1, high)):
        whole = _average(grey, start, along, across, 0.1 * length, 0.9 * length, j)
        rim = _rim(j, whole, seed, side, spread)
        if rim is None:
            raise ScaleNotFound("the pin's rim cannot be told from what lies beside it", "lay it on a plain surface")
        # the same again piece by piece, close to where the whole says
        at = []
        near = np.arange(int(rim) - 14, int(rim) + 15)
        for a, b in pairwise(sections):
            piece = _fit(near, _average(grey, start, along, across, a, b, near), rim, side)
            if piece is not None and abs(piece - rim) < 4:
                at.append(((a + b) / 2, piece))
        if len(at) < 6:
            raise ScaleNotFound(
                "the pin's rim is not straight or not clear", "lay it on a plain surface, in even light"
            )
        x, y = np.array(at).T
        keep = np.ones(len(x), bool)
        for _ in range(3):
            line = np.polynomial.Polynomial.fit(x[keep], y[keep], 1)
            off = np.abs(y - line(x))
            keep = off < max(0.5, 3 * 1.4826 * float(np.median(off[keep])))
        ends = np.array([0.0, length])
        lines.append(start + ends[:, None] * along + line(ends)[:, None] * across)
    edges = np.array(lines)
    inside = (edges >= 0) & (edges < [w, h])
    if not inside.all():
        raise ScaleNotFound("the pin is cut off by the frame", "show the whole pin")
    width = float(np.linalg.norm(edges[0].mean(axis=0) - edges[1].mean(axis=0)))
    d0, d1 = edges[0, 1] - edges[0, 0], edges[1, 1] - edges[1, 0]
    crossing = abs(float(d0[0] * d1[1] - d0[1] * d1[0])) / float(np.linalg.norm(d0) * np.linalg.norm(d1))
    if width < MIN_WIDTH_PX or length < SLENDER * width or crossing > PARALLEL:
        raise ScaleNotFound("no pin is in the photo: the nearest thing to one is not slender and straight", CURE)
    return PinReading(edges[0], edges[1], word.diameter, U_RIM_PX)


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
    return _fit(j, profile, float(j[last]) - 2.0 * side, side)


def _fit(j: NDArray[np.int64], profile: Array, guess: float, side: int) -> float | None:
    """Rim as the place where a straight course of the bench ends in a step and a slope, both blurred by the lens."""
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
    return float(guess - side * best.x[0])
