"""A ground pin of known diameter beside the part: its two silhouette lines.

A polished cylinder shows a bundle of long parallel highlights; that gives place and direction. Which lines are its rims
`pin_rims` says; here they are placed to a fraction of a pixel, or refused: a pin misread is a scale that is wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from photoscale.errors import ScaleNotFound
from photoscale.pin_rims import Bundle, Rims, likeliest_rims
from photoscale.reading import PinReading
from photoscale.straight_grid import sample
from photoscale.words import PinWord

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

SAME_DIRECTION = np.deg2rad(3.0)
SLENDER = 2.5  # length over width of the bundle, at least
GAP = 0.2  # of its length, between two pieces of one highlight
BLUR_PX = 1.3
MOST_BLUR_PX = 2.4  # rims of 13 pins read right: up to 2.0; edges of shadows from 2.6
MIN_WIDTH_PX = 40.0  # k = 2 is 5.6 % of it
SURE = 0.9  # at it 402 of 846 pins are read by weights that others taught, nine of them over 3 % off
PIECES = 13  # of the middle four fifths of a rim: ends are rounded or bevelled
NEAR_PX = 4.0
PLACE = "lay it beside the part, whole and in focus, on a plain surface"
LIGHT = "lay it on a plain surface, in even light"
NO_PIN = "no pin is in the photo"
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
    rims = None if bundle is None else likeliest_rims(grey, bundle, avoid)
    if bundle is None or rims is None:
        raise ScaleNotFound(NO_PIN, PLACE)
    if float(np.ptp(rims.ends)) < SLENDER * rims.width:
        raise ScaleNotFound(f"{NO_PIN}: the nearest thing to one is not slender", PLACE)
    if rims.sure < SURE:
        raise ScaleNotFound("the pin's rims cannot be told from highlights or the edges of shadows", LIGHT)
    if rims.width < MIN_WIDTH_PX:
        raise ScaleNotFound(
            f"the pin is {rims.width:.0f} px thick, {MIN_WIDTH_PX:.0f} are needed", "go closer, or take a thicker one"
        )
    edges = _edges(grey, bundle, rims)
    if not np.all((edges >= 0) & (edges < [grey.shape[1], grey.shape[0]])):
        raise ScaleNotFound("the pin is cut off by the frame", "show the whole pin")
    return PinReading(edges[0], edges[1], word.diameter, U_RIM_PX)


def _edges(grey: Grey, bundle: Bundle, rims: Rims) -> Array:
    """Both rims (2, 2, 2) as straight lines from end to end, placed piece by piece."""
    across = np.array([-bundle.along[1], bundle.along[0]])
    near = np.arange(-14, 15)
    lines = []
    for side, offset, slope in zip((-1, 1), rims.offset, rims.slope, strict=True):
        along = (bundle.along + slope * across) / np.hypot(1, slope)
        beside = np.array([-along[1], along[0]])
        start = bundle.start + offset * across
        ends = rims.ends * np.hypot(1, slope)
        sections = ends[0] + np.linspace(0.1, 0.9, PIECES) * (ends[1] - ends[0])
        at = []
        for a, b in pairwise(sections):
            piece = _fit(near, _average(grey, start, along, beside, a, b, near), side)
            if piece is not None and abs(piece[0]) < NEAR_PX:
                at.append(((a + b) / 2, *piece))
        if len(at) < PIECES // 2:
            raise ScaleNotFound("the pin's rim is not straight or not clear", LIGHT)
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
        lines.append(start + ends[:, None] * along + line(ends)[:, None] * beside)
    return np.array(lines)


def _bundle(grey: Grey, avoid: Sequence[Array]) -> Bundle | None:
    """The longest bundle of parallel lines."""
    half = cv2.GaussianBlur(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    found = cv2.createLineSegmentDetector().detect(half)[0]
    segments = np.asarray([] if found is None else found, np.float64).reshape(-1, 2, 2) * 2 + 0.5
    middle = segments.mean(axis=1)
    clear = [not _within(m, avoid) for m in middle]
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    keep = np.array(clear, bool) & (lengths > 0.06 * max(grey.shape))
    segments, lengths = segments[keep], lengths[keep]
    best: tuple[float, Bundle] | None = None
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
            best = score, Bundle(a, along, float(lengths[k]), low, high)
    return None if best is None else _whole(best[1], segments)


def _whole(bundle: Bundle, segments: Array) -> Bundle:
    """The bundle as far as its lines go on: glare and specks break them."""
    across = np.array([-bundle.along[1], bundle.along[0]])
    t = np.sort((segments - bundle.start) @ bundle.along, axis=1)
    c = (segments - bundle.start) @ across
    own = (np.abs(np.diff(c, axis=1)[:, 0]) < SAME_DIRECTION * np.ptp(t, axis=1)) & np.all(
        (c > bundle.low - 2) & (c < bundle.high + 2), axis=1
    )
    first, last = 0.0, bundle.length
    for _ in range(own.sum()):
        near = own & (t[:, 0] < last + GAP * (last - first)) & (t[:, 1] > first - GAP * (last - first))
        first, last = min(first, float(t[near, 0].min())), max(last, float(t[near, 1].max()))
    return replace(bundle, start=bundle.start + first * bundle.along, length=last - first)


def _within(point: Array, avoid: Sequence[Array]) -> bool:
    at = (float(point[0]), float(point[1]))
    return any(cv2.pointPolygonTest(np.asarray(a, np.float32).reshape(-1, 1, 2), at, True) > -6 for a in avoid)


def _average(
    grey: Grey, start: Array, along: Array, across: Array, first: float, last: float, j: NDArray[np.int64]
) -> Array:
    """Median brightness along the pin, for each place across (n,)."""
    seen = sample(grey, start, along, across, np.arange(first, last), j.astype(float))
    # mean of the middle half: finer than the median of whole grey levels, as deaf to specks
    rows = np.sort(np.asarray(seen, float), axis=1)
    quarter = rows.shape[1] // 4
    return np.asarray(rows[:, quarter : rows.shape[1] - quarter].mean(axis=1), float)


def _fit(j: NDArray[np.int64], profile: Array, side: int) -> tuple[float, float] | None:
    """Where near 0 a straight course of the bench ends in a step and a slope, both blurred; and the blur."""
    from scipy.optimize import least_squares
    from scipy.special import erf

    x = -side * j.astype(float)  # inwards positive
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
    return float(-side * best.x[0]), float(best.x[1])
