"""Damage: places where the surface shows something else than the pattern round about it.

Torn metal, chips rolled in and blows all do the same to the map of what the pattern leaves unexplained: they stand out
against the rest of their own strip around (at the same angle to the light). A tooth that is broken off the wheel leaves
one groove unfinished: damage as narrow as a groove and lying along it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.measuring.flanks import Knurl
from knurlsight.model import LocalMaps

Array = NDArray[np.float64]

STEADY = 0.35  # quantile of a strip's residual taken as what is usual there
STANDS_OUT = (0.1, 0.2)  # residual above the usual that makes a patch: so many times the scatter, within these
NOISES = 5.0
PEAK = 0.18  # of its worst place
SMALLEST = 2.5  # square pitches
INSIDE = 0.8  # share of the window that must lie in the patch
END_PITCHES = {"leaning": 1.5, "straight": 2.5}  # at the ends light falls in from the side
BORDER_PITCHES = 2.5  # what lies along the border and reaches no deeper is the border
HIGHLIGHT = (1.7, 3.0)  # lower than so many pitches, longer than so many times its height: a highlight that lies askew
MOST_RESIDUAL = 0.5  # usual residual above which nothing can be said
MARK_STANDS_OUT = 0.4
MARK_LONG, MARK_WIDE = 1.6, 0.55  # standard extents in pitches: at least this ratio, at most this width
MARK_ASKEW_DEG = 15.0
MARK_BLUR = 4.0  # pitches; a wide window widens a mark by at most so much in all
# light that is faint in a place leaves little of the pattern there, and a model that explains little everywhere proves
# little: then the surface must show more that is not explained than its strip does, in the photo's own contrast
FAINT, FAINT_MORE = 0.62, 1.5  # of the usual contrast; times as much
POOR_MODEL, POOR_MORE = 0.28, 1.2  # usual residual; times as much
LIMB_RAD, LIMB_LOST = 0.65, 0.25  # farther round, light alone takes up to this share of the pattern away


@dataclass(frozen=True)
class Patch:
    """A damaged place.

    Attributes
    ----------
    outline : (n, 2) array
        θ (rad) and z (radii), convex.
    area : float
        In square radii.
    lost : Quantity
        Share of the pattern that is not there, in the mean over the patch.
    family : int or None
        The family whose groove it lies along, for the mark of a wheel's tooth.
    turns : float
        Phase of that family there, for a mark.
    """

    outline: Array
    area: float
    lost: Quantity
    family: int | None = None
    turns: float = 0.0


@dataclass(frozen=True)
class Damage:
    """All patches, the area looked at (square radii), and their share of it: None where the photo is too poor."""

    patches: tuple[Patch, ...]
    looked_at: float
    share: Quantity | None


def damage_of(maps: LocalMaps, knurl: Knurl, full_form_z: tuple[float, float] = (-np.inf, np.inf)) -> Damage:
    """Patches of a pattern that has been fitted, and of drift if it drifts, between two heights in radii."""
    inside = _judged(maps, knurl) & (maps.z > full_form_z[0]) & (maps.z < full_form_z[1])
    if not inside.any() or float(np.median(maps.residual[inside])) > MOST_RESIDUAL:
        return Damage((), 0.0, None)
    narrow = list(_narrow_spots(maps, knurl, inside))
    marks = tuple(m for m in narrow if m.family is not None)
    excess = _excess(maps.residual, inside)
    level = min(max(STANDS_OUT[0], NOISES * _scatter(excess, inside)), STANDS_OUT[1])
    cell = _cell(maps)
    usual = float(np.median(maps.residual[inside]))
    patches = []
    unsure = 0.0
    for spot in _spots(excess > level):
        outline, area = _hull(maps, spot)
        if area < SMALLEST * maps.pitch**2 or float(excess[spot].max()) < max(PEAK, 1.5 * level):
            continue
        if _is_border(spot, inside, maps) or _is_highlight(outline, maps.pitch):
            continue
        within = [m for m in narrow if _shared(outline, m) > 0]
        if within and all(_hardly_more(area, m, maps.pitch) for m in within):
            continue
        lost = excess[spot] / (1 - usual)
        if abs(float(outline[:, 0].mean())) > LIMB_RAD and float(lost.mean()) < LIMB_LOST:
            continue
        if _may_be_light(maps, spot, inside, usual):
            unsure += area
            continue
        patches.append(Patch(outline, area, Quantity(min(1.0, float(lost.mean())), float(lost.std()))))
    whole = float(inside.sum()) * cell
    share = sum(p.area for p in patches) / whole
    # the border of a patch is known to about half a window all round; below the smallest patch nothing is seen
    border = sum(_perimeter(p.outline) for p in patches) * 0.25 * maps.pitch / whole
    u = float(np.hypot(np.hypot(border, 0.5 * SMALLEST * maps.pitch**2 / whole), unsure / whole))
    # torn metal has narrow spots, too
    marks = tuple(m for m in marks if not any(_shared(p.outline, m) > 0 for p in patches))
    return Damage((*patches, *marks), whole, Quantity(min(1.0, share), u))


def _judged(maps: LocalMaps, knurl: Knurl) -> NDArray[np.bool_]:
    straight = not any(g.along for g in knurl.families)
    margin = END_PITCHES["straight" if straight else "leaning"] * maps.pitch
    core = (maps.z > maps.z[0] + margin) & (maps.z < maps.z[-1] - margin)
    return np.asarray((maps.weight > INSIDE) & core)


def _excess(residual: Array, inside: NDArray[np.bool_]) -> Array:
    known = np.where(inside, residual, np.nan)
    rows = inside.any(axis=1)
    usual = np.zeros((len(residual), 1))
    usual[rows, 0] = np.nanquantile(known[rows], STEADY, axis=1)
    return np.where(inside, residual - usual, 0.0)


def _scatter(excess: Array, inside: NDArray[np.bool_]) -> float:
    """Standard deviation of the undamaged part, from its lower tail alone, which no damage widens.

    A tenth of a normal distribution lies 0.9 of its deviation below its `STEADY` quantile, which is 0 here.
    """
    return -float(np.quantile(excess[inside], 0.1)) / 0.9


def _narrow_spots(maps: LocalMaps, knurl: Knurl, inside: NDArray[np.bool_]) -> Iterator[Patch]:
    """What stands out in the narrow window; long spots along a groove with its family, compact ones without."""
    excess = _excess(maps.rough, inside)
    for spot in _spots(excess > max(MARK_STANDS_OUT, NOISES * _scatter(excess, inside))):
        rows, columns = np.nonzero(spot)
        if len(rows) < 6:
            continue
        points = np.stack([maps.theta[rows], maps.z[columns]], axis=1) / maps.pitch
        weights = excess[rows, columns]
        middle = weights @ points / weights.sum()
        spread = np.cov((points - middle).T, aweights=weights)
        size, axes = np.linalg.eigh(spread)
        narrow, long = np.sqrt(np.maximum(size, 0))
        outline, area = _hull(maps, spot)
        patch = Patch(outline, area, Quantity(min(1.0, float(weights.mean())), float(weights.std())))
        if long >= MARK_LONG * narrow and narrow <= MARK_WIDE:
            theta, z = middle * maps.pitch
            for k, g in enumerate(knurl.families):
                groove = np.array([-g.along, g.around]) / np.hypot(g.along, g.around)
                if abs(float(axes[:, 1] @ groove)) > np.cos(np.radians(MARK_ASKEW_DEG)):
                    middle_z = (maps.z[0] + maps.z[-1]) / 2
                    turns = g.around * theta + g.along * (z - middle_z) - g.phase
                    patch = replace(patch, family=k, turns=float(turns))
                    break
        yield patch


def _is_border(spot: NDArray[np.bool_], inside: NDArray[np.bool_], maps: LocalMaps) -> bool:
    columns, judged = np.flatnonzero(spot.any(axis=0)), np.flatnonzero(inside.any(axis=0))
    touches = columns[0] <= judged[0] + 1 or columns[-1] >= judged[-1] - 1
    return bool(touches and abs(maps.z[columns[-1]] - maps.z[columns[0]]) < BORDER_PITCHES * maps.pitch)


def _may_be_light(maps: LocalMaps, spot: NDArray[np.bool_], inside: NDArray[np.bool_], usual: float) -> bool:
    """Whether what stands out in a spot may be no more than how it is lit."""
    strip = inside & np.any(spot, axis=1, keepdims=True) & ~spot
    unexplained = maps.residual * maps.contrast**2
    more = float(unexplained[spot].mean()) / max(float(unexplained[strip].mean()), 1e-9) if strip.any() else np.inf
    faint = float(np.median(maps.contrast[spot])) < FAINT * float(np.median(maps.contrast[inside]))
    return (faint and more < FAINT_MORE) or (usual > POOR_MODEL and more < POOR_MORE)


def _is_highlight(outline: Array, pitch: float) -> bool:
    high, long = np.ptp(outline, axis=0)
    return bool(high < HIGHLIGHT[0] * pitch and long > HIGHLIGHT[1] * high)


def _spots(over: NDArray[np.bool_]) -> Iterator[NDArray[np.bool_]]:
    count, labels = cv2.connectedComponents(over.astype(np.uint8), connectivity=8)
    for i in range(1, count):
        yield np.asarray(labels == i)


def _cell(maps: LocalMaps) -> float:
    return float(abs(np.mean(np.diff(maps.theta)) * np.mean(np.diff(maps.z))))


def _hull(maps: LocalMaps, spot: NDArray[np.bool_]) -> tuple[Array, float]:
    """Convex outline (θ, z) of the cells of a spot, and its area in square radii."""
    rows, columns = np.nonzero(spot)
    dt, dz = float(np.mean(np.diff(maps.theta))) / 2, float(np.mean(np.diff(maps.z))) / 2
    corners = [
        np.stack([maps.theta[rows] + a * dt, maps.z[columns] + b * dz], axis=1) for a in (-1, 1) for b in (-1, 1)
    ]
    hull = cv2.convexHull(np.concatenate(corners).astype(np.float32))[:, 0]
    return np.asarray(hull, float), float(cv2.contourArea(hull))


def _perimeter(outline: Array) -> float:
    return float(np.hypot(*(outline - np.roll(outline, 1, axis=0)).T).sum())


def _shared(outline: Array, mark: Patch) -> float:
    """Area that a patch and a mark share."""
    shared, _ = cv2.intersectConvexConvex(outline.astype(np.float32), mark.outline.astype(np.float32))
    return float(shared)


def _hardly_more(area: float, spot: Patch, pitch: float) -> bool:
    """Whether a patch of `area` can be a mark seen through the wide window."""
    return spot.family is not None and area < spot.area + MARK_BLUR * pitch * _perimeter(spot.outline)
