"""Which place of a tray each part has: by rows and order along them, or by the layout of a tray file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
#: A gap across the rows larger than this share of the usual spacing starts a new row.
ROW_GAP = 0.5
#: The same along the rows starts a new column.
COLUMN_GAP = 0.3
#: A part this share of the spacing away from a place lies in it.
REACH = 0.35
#: Turns and sizes of the layout that are looked at more closely.
MOST_FITS = 6
NEIGHBOURS = 6


def places(centres: Sequence[Array], level_rad: float = 0.0) -> list[str]:
    """Names by place: rows A, B, C … from the top, parts 1, 2, 3 … from the left along each row.

    The rows are those of the tray, not of the photo: their direction is the one, within 45° of level, along which
    neighbours stand. So a tray photographed a little askew keeps its names. `level_rad` is the direction in the photo
    that counts as level: that of the print on a card beside the parts, where there is one. Where the parts stand in
    columns, too, a place that is empty keeps its number.

    >>> places([np.array([0.0, 0.0]), np.array([10.0, 2.0]), np.array([-2.0, 10.0]), np.array([8.0, 12.0])])
    ['A1', 'A2', 'B1', 'B2']
    """
    points = turned(np.asarray(centres, np.float64).reshape(-1, 2), -level_rad)
    if len(points) < 2:
        return ["A1"] * len(points)
    apart = points[None, :, :] - points[:, None, :]
    distance = np.hypot(apart[..., 0], apart[..., 1])
    np.fill_diagonal(distance, np.inf)
    nearest = distance.argmin(axis=1)
    spacing = float(np.median(distance.min(axis=1)))
    to_nearest = apart[np.arange(len(points)), nearest]
    # rows and columns are square to each other: four times the angle makes them one direction
    fourfold = 4 * np.arctan2(to_nearest[:, 1], to_nearest[:, 0])
    turn = math.atan2(float(np.sin(fourfold).mean()), float(np.cos(fourfold).mean())) / 4
    along, across = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    order = np.argsort(points @ across, kind="stable")
    rows: list[list[int]] = []
    last = -math.inf
    for i in order:
        here = float(points[i] @ across)
        if here - last > ROW_GAP * spacing:
            rows.append([])
        rows[-1].append(int(i))
        last = here
    at = points @ along
    rows = [sorted(row, key=lambda i: float(at[i])) for row in rows]
    column = _columns(at, rows) or {i: place for row in rows for place, i in enumerate(row)}
    letters = {i: _letters(number) for number, row in enumerate(rows) for i in row}
    return [f"{letters[i]}{column[i] + 1}" for i in range(len(points))]


def _columns(at: Array, rows: Sequence[Sequence[int]]) -> dict[int, int] | None:
    """The column of each part, by where it lies along its row; None where some column has one part only, or is none."""
    steps = np.concatenate([np.diff(at[list(row)]) for row in rows])
    if len(rows) < 2 or not len(steps):
        return None
    usual = float(np.quantile(steps, 0.25))
    order = np.argsort(at, kind="stable")
    number = np.concatenate([[0], np.cumsum(np.diff(at[order]) > COLUMN_GAP * usual)])
    column = {int(i): int(n) for i, n in zip(order, number, strict=True)}
    for n in range(int(number[-1]) + 1):
        inside = [float(at[i]) for i, c in column.items() if c == n]
        if len(inside) < 2 or max(inside) - min(inside) > usual / 2:
            return None
    return column if all(len({column[i] for i in row}) == len(row) for row in rows) else None


def _letters(number: int) -> str:
    """A to Z, then AA, AB …"""
    text = ""
    while number >= 0:
        text = chr(65 + number % 26) + text
        number = number // 26 - 1
    return text


def place_key(name: str) -> tuple[int, str, int]:
    letters = name.rstrip("0123456789")
    return len(letters), letters, int(name[len(letters) :])


def turned(points: Array, angle_rad: float) -> Array:
    """Points (n, 2) turned about the origin, from x towards y."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.asarray(points @ np.array([[c, s], [-s, c]]), np.float64)


@dataclass(frozen=True)
class Placing:
    """Which place each part has, as an index; None for a part at no place.

    `certain` is False where the parts fit the layout in more than one way, or in none.
    """

    of_part: tuple[int | None, ...]
    certain: bool


def placed(
    layout: Sequence[Sequence[float]], wanted: Sequence[bool], centres: Sequence[Array], level_rad: float
) -> Placing:
    """Lay the places of a tray over the parts found.

    Parameters
    ----------
    layout : sequence of (x, y)
        Places, to the right and down, in any unit.
    wanted : sequence of bool
        Where a part is expected.
    centres : sequence of (2,) arrays
        Parts in the photo.
    level_rad : float
        Direction in the photo of the layout's x axis, to within 45 degrees.

    Notes
    -----
    Each pair of neighbouring places laid on each pair of neighbouring parts says how large and how turned the layout
    is; the commonest answers are tried at every shift, the best fit is refined as an affine map. A whole row or column
    that is missing leaves two shifts equally good: then nothing is claimed.
    """
    spots = np.asarray(layout, np.float64).reshape(-1, 2)
    points = turned(np.asarray(centres, np.float64).reshape(-1, 2), -level_rad)
    if len(points) == 0:
        return Placing((), True)
    if len(spots) == 1:
        return Placing((0,) if len(points) == 1 else (None,) * len(points), len(points) == 1)
    if len(points) == 1:
        return Placing((None,), False)
    p, q = spots[:, 0] + 1j * spots[:, 1], points[:, 0] + 1j * points[:, 1]
    spacing = float(np.median(_nearest_distance(p)))
    found: dict[tuple[int | None, ...], tuple[float, float]] = {}
    for ratio in _ratios(p, q):
        for shift in _shifts(p * ratio, q, REACH * spacing * abs(ratio)):
            match = _matched(p * ratio + shift, q, REACH * spacing * abs(ratio))
            match, miss = _refined(spots, points, match, REACH * spacing * abs(ratio))
            if match not in found or miss < found[match][1]:
                filled = [m for m in match if m is not None]
                found[match] = (sum(1.0 if wanted[m] else 0.5 for m in filled), miss / (spacing * abs(ratio)))
    if not found:
        return Placing((None,) * len(points), False)
    ranked = sorted(found, key=lambda m: (-found[m][0], found[m][1]))
    best, rival = found[ranked[0]], found[ranked[1]] if len(ranked) > 1 else (0.0, 1.0)
    # a rival that seats as many parts, and no worse, leaves open which of the two it is
    certain = best[0] >= 2 and (rival[0] < best[0] or rival[1] > 0.05 + 3 * best[1])
    return Placing(ranked[0], certain)


def places_px(layout: Sequence[Sequence[float]], seated: Sequence[tuple[int, Array]]) -> tuple[Array, float] | None:
    """Where the places of a tray lie in the photo, (n, 2) px, and how far a part may lie from its place, px.

    `seated` are parts found: the index of the place, and the part's centre. None when two are too few to tell.
    """
    if len(seated) < 2:
        return None
    spots = np.asarray(layout, np.float64).reshape(-1, 2)
    chart = _fitted(spots[[index for index, _ in seated]], np.array([centre for _, centre in seated], np.float64))
    at = np.asarray(spots @ chart[:2] + chart[2])
    return at, REACH * float(np.median(_nearest_distance(at[:, 0] + 1j * at[:, 1])))


def _nearest_distance(z: NDArray[np.complex128]) -> Array:
    apart = np.abs(z[:, None] - z[None])
    np.fill_diagonal(apart, np.inf)
    return np.asarray(apart.min(axis=1))


def _steps(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Vectors from each point to its neighbours."""
    apart = np.abs(z[:, None] - z[None])
    near = np.argsort(apart, axis=1)[:, 1 : NEIGHBOURS + 1]
    return np.asarray((z[near] - z[:, None]).ravel())


def _ratios(p: NDArray[np.complex128], q: NDArray[np.complex128]) -> list[complex]:
    """Size and turn of the layout in the photo, the commonest answers first."""
    logs = np.log(_steps(q)[:, None] / _steps(p)[None]).ravel()
    logs = logs[np.abs(logs.imag) <= math.pi / 4]
    if not len(logs):
        return []
    cells = np.round(np.column_stack([logs.real / 0.08, logs.imag / 0.08])).astype(np.int64)
    kinds, index, counts = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    index = index.ravel()
    order = np.argsort(-counts, kind="stable")[:MOST_FITS]
    del kinds
    return [complex(np.exp(logs[index == i].mean())) for i in order]


def _shifts(p: NDArray[np.complex128], q: NDArray[np.complex128], reach: float) -> list[complex]:
    """Shifts that bring some place onto some part, like ones once, the best supported."""
    shifts = (q[:, None] - p[None]).ravel()
    cells = np.round(np.column_stack([shifts.real, shifts.imag]) / reach).astype(np.int64)
    _, index, counts = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    index = index.ravel()
    order = np.argsort(-counts, kind="stable")[: 4 * MOST_FITS]
    return [complex(shifts[index == i].mean()) for i in order]


def _matched(places_at: NDArray[np.complex128], q: NDArray[np.complex128], reach: float) -> tuple[int | None, ...]:
    """The place that each part lies in; the best found part keeps a place that two lie in."""
    apart = np.abs(q[:, None] - places_at[None])
    taken: set[int] = set()
    match: list[int | None] = []
    for row in apart:
        i = int(row.argmin())
        match.append(i if row[i] <= reach and i not in taken else None)
        if match[-1] is not None:
            taken.add(i)
    return tuple(match)


def _refined(
    spots: Array, points: Array, match: tuple[int | None, ...], reach: float
) -> tuple[tuple[int | None, ...], float]:
    """The match after the map has been fitted to it, and the RMS distance left."""
    miss = reach
    for _ in range(3):
        pairs = [(k, m) for k, m in enumerate(match) if m is not None]
        if len(pairs) < 2:
            break
        to, from_ = points[[k for k, _ in pairs]], spots[[m for _, m in pairs]]
        at = spots @ (chart := _fitted(from_, to))[:2] + chart[2]
        miss = float(np.sqrt(np.mean(np.sum((at[[m for _, m in pairs]] - to) ** 2, axis=1))))
        again = _matched(at[:, 0] + 1j * at[:, 1], points[:, 0] + 1j * points[:, 1], reach)
        if again == match:
            break
        match = again
    return match, miss


def _fitted(from_: Array, to: Array) -> Array:
    """Affine map (3, 2) by least squares; one that only turns and sizes where all points stand in one line."""
    ones = np.ones((len(from_), 1))
    if len(from_) > 2 and np.linalg.matrix_rank(from_ - from_.mean(axis=0), tol=1e-6 * np.abs(from_).max()) == 2:
        return np.asarray(np.linalg.lstsq(np.hstack([from_, ones]), to, rcond=None)[0])
    z, w = from_ @ [1, 1j], to @ [1, 1j]
    ratio, shift = np.linalg.lstsq(np.column_stack([z, np.ones(len(z))]), w, rcond=None)[0]
    return np.array([[ratio.real, ratio.imag], [-ratio.imag, ratio.real], [shift.real, shift.imag]])
