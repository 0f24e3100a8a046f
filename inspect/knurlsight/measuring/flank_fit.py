"""Fits the flank model to a patch of a photo: variable projection (Golub and Pereyra 1973; Kaufman's 1975 Jacobian).

The light in each cell is solved for whenever the parameters move, so that only they are searched. A patch is worked off
in blocks of whole cells, small enough for a processor's second cache, and sums over a cell are taken in parts short
enough for the small-matrix kernels of OpenBLAS: measured, four times as fast as long ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flank_rays import KINDS, RAYS, SLOPES, see, slopes_of_rays
from knurlsight.measuring.flanks import Knurl, Name, Packed, packed
from knurlsight.measuring.sightlines import Image, Sightlines

Array = NDArray[np.float64]
F = np.float32

TIED: Name = (-1, "around")
BOUNDS = {
    "fill": (0.12, 0.985),
    "profile_angle_deg": (55.0, 125.0),
    "blur": (0.3, 5.0),
}
BELIEFS = {"profile_angle_deg": (90.0, 1.0), "blur": (1.1, 0.5), "fill": (0.75, 0.3)}
PIXELS_PER_FACT = 8.0  # neighbouring samples share their noise and the model's error
RIDGE = 1e-3  # a kind that a cell hardly shows has hardly any light
# how dear shading is: a ridge on its terms. Free, it makes N 0.5 % high and grooves shallow; none at all scatters more.
# From 0.01 to 0.03 N is best on path-traced and synthetic photos alike, but a search at that price ends in wrong optima
FREE_SHADING, DEAR_SHADING = RIDGE, 0.01
SHAPE_STEPS = 6
BLOCK, PART = 20_000, 4096  # samples


def get(knurl: Knurl, name: Name) -> float:
    """A parameter by name; (-1, "around") is the count round that all leaning families share."""
    if name == TIED:
        return knurl.families[0].around
    return float(getattr(knurl if name[0] < 0 else knurl.families[name[0]], name[1]))


def put(knurl: Knurl, values: dict[Name, float]) -> Knurl:
    """A copy with some parameters replaced, kept in their bounds."""
    common: dict[str, Any] = {}
    families = [dict[str, float]() for _ in knurl.families]
    for (k, name), value in values.items():
        if (k, name) == TIED:
            for f in families:
                f["around"] = float(value)
            continue
        lo, hi = BOUNDS.get(name, (-np.inf, np.inf))
        (common if k < 0 else families[k])[name] = float(min(max(value, lo), hi))
    return replace(
        knurl, families=tuple(replace(g, **f) for g, f in zip(knurl.families, families, strict=True)), **common
    )


@dataclass(frozen=True)
class Cells:
    """How a patch is cut into cells, each with its own light: `down` strips around, `across` along the axis."""

    down: int
    across: int

    def of(self, image: Image) -> Image:
        """(rows, columns) -> (cells, samples); the remainder of rows and columns is left out."""
        rows, cols = image.shape
        high, wide = rows // self.down, cols // self.across
        cut = image[: high * self.down, : wide * self.across]
        cut = cut.reshape(self.down, high, self.across, wide).transpose(0, 2, 1, 3)
        return np.ascontiguousarray(cut.reshape(self.down * self.across, high * wide))


def cells_for(sight: Sightlines, pitch: float, *, straight: bool = False) -> Cells:
    """About one pitch high and at least eight long; two pitches high and over the whole length for straight lines."""
    rows, cols = sight.theta.shape
    per_pitch = pitch / float(np.abs(sight.z_u).mean())
    if straight:
        return Cells(int(np.clip(round(rows / (1.8 * per_pitch)), 2, 24)), 1)
    return Cells(int(np.clip(rows / max(10.0, 0.9 * per_pitch), 3, 24)), int(np.clip(cols / (14 * per_pitch), 1, 3)))


@dataclass(frozen=True)
class Fit:
    """A fitted model.

    Attributes
    ----------
    knurl : Knurl
    unexplained : float
        Residual over total sum of squares.
    cost : float
        The same with the price of the light added, by which rival fits are compared.
    names : tuple of Name
        Free parameters.
    covariance : (n, n) array
        Clustered over the cells: what the cells disagree about counts, not only the noise.
    cells : Cells
    rival : float
        What the best fit with the families crossing the other way leaves, over what this one leaves.
    of_profile : bool
        Whether count, phase and fill are those of the mean profile (`facets`).
    """

    knurl: Knurl
    unexplained: float
    cost: float
    names: tuple[Name, ...]
    covariance: Array
    cells: Cells
    rival: float = float("inf")
    of_profile: bool = False

    def u(self, name: Name) -> float:
        """Standard uncertainty of a parameter; NaN when it was not free."""
        if name not in self.names:
            return float("nan")
        i = self.names.index(name)
        return float(np.sqrt(max(0.0, self.covariance[i, i])))

    def doubted(self, variances: dict[Name, float]) -> Fit:
        """The same fit with so much more variance on some of its free parameters."""
        covariance = self.covariance.copy()
        for name, variance in variances.items():
            at = self.names.index(name)
            covariance[at, at] += variance
        return replace(self, covariance=covariance)


@dataclass(frozen=True)
class Solved:
    """The light that suits a knurl best, what it leaves, and how that changes with the free parameters.

    Attributes
    ----------
    left : float
        Weighted sum of squares that the model does not explain.
    price : float
        Of the light: its ridge.
    light : (cells, kinds) array
    pulls : (cells, n) array
        Residual times derivative.
    hessian : (n, n) array
    """

    left: float
    price: float
    light: NDArray[np.float32]
    pulls: Array
    hessian: Array


@dataclass(frozen=True)
class _Block:
    """Some whole cells, each cut into even parts: samples one after the other."""

    rays: NDArray[np.float32]
    brightness: NDArray[np.float32]
    root_weight: NDArray[np.float32]
    parts: int


class Patch:
    """A patch of a photo cut into cells, and the light in each solved for; `shading` is how dear its shading is."""

    def __init__(self, sight: Sightlines, cells: Cells, shading: float = FREE_SHADING) -> None:
        self.shading = shading
        rays = np.stack([cells.of(getattr(sight, name)) for name in RAYS], dtype=F)
        brightness, weight = (np.asarray(cells.of(f), F) for f in (sight.brightness, sight.weight))
        count, self.size = brightness.shape
        self.parts = -(-self.size // PART)
        if pad := -self.size % self.parts:
            rays = np.pad(rays, ((0, 0), (0, 0), (0, pad)), mode="edge")
            brightness, weight = (np.pad(f, ((0, 0), (0, pad))) for f in (brightness, weight))
        self.weight = float(weight.sum())
        self.total = float((weight * brightness**2).sum())
        step = max(1, round(BLOCK / self.size))
        self.blocks = [
            _Block(
                rays[:, i : i + step].reshape(len(RAYS), -1),
                brightness[i : i + step].ravel(),
                np.sqrt(weight[i : i + step].ravel()),
                self.parts * len(brightness[i : i + step]),
            )
            for i in range(0, count, step)
        ]
        # of a block: brightness, kinds, slopes
        self.rows = np.empty((1 + KINDS + len(SLOPES), max(b.brightness.size for b in self.blocks)), F)

    def solve(self, knurl: Knurl, names: tuple[Name, ...] = ()) -> Solved:
        """The best light; with names, the derivatives with them."""
        of = packed(knurl)
        solved = [self._block(block, of, names) for block in self.blocks]
        return Solved(
            sum(s.left for s in solved),
            sum(s.price for s in solved),
            np.concatenate([s.light for s in solved]),
            np.concatenate([s.pulls for s in solved]),
            np.sum([s.hessian for s in solved], axis=0),
        )

    def _block(self, block: _Block, of: Packed, names: tuple[Name, ...]) -> Solved:
        k = 1 + of.kinds
        rows = self.rows[:, : block.brightness.size]
        see(*block.rays, block.brightness, block.root_weight, *of.numbers, *of.rows(rows))
        parted = rows.reshape(len(rows), block.parts, -1).transpose(1, 0, 2)
        # one product for brightness and kinds: of a matrix with itself BLAS has a routine for large ones only
        products = self._by_cell(np.matmul(parted[:, 1:k], parted[:, :k].transpose(0, 2, 1)))
        seen, plain = products[:, :, 0], products[:, :, 1:]
        ridge = np.where(of.shading, self.shading, RIDGE) * self.size
        normal = plain + np.diag(ridge)
        light = np.linalg.solve(normal, seen[..., None])[..., 0]
        power = float(np.vdot(rows[0], rows[0]))
        left = power - float((light * (2 * seen - (plain @ light[..., None])[..., 0])).sum())
        price = float((ridge * light**2).sum())
        if not names:
            return Solved(left, price, light.astype(F), np.empty((len(light), 0)), np.empty((0, 0)))
        slopes = rows[k : k + len(SLOPES)]
        of_parts = of.all_kinds(np.repeat(light, self.parts, axis=0))
        slopes_of_rays(*block.rays, block.root_weight, *of.numbers, of_parts, *slopes)
        parted = parted[:, : k + len(SLOPES)]
        products = self._by_cell(np.matmul(parted[:, k:], parted.transpose(0, 2, 1)))
        products = products[:, [SLOPES.index(name) for name in names]]
        by_kinds = products[:, :, 1:k]
        pulls = products[:, :, 0] - (by_kinds @ light[..., None])[..., 0]
        # Kaufman: only the part of the derivative that the light cannot absorb, at its price
        hessian = products[:, :, [k + SLOPES.index(name) for name in names]]
        hessian = hessian - by_kinds @ np.linalg.solve(normal, by_kinds.transpose(0, 2, 1))
        return Solved(left, price, light.astype(F), pulls, hessian.sum(axis=0))

    def _by_cell(self, of_parts: NDArray[np.float32]) -> Array:
        return np.asarray(of_parts.astype(float).reshape(-1, self.parts, *of_parts.shape[1:]).sum(axis=1))


def unexplained(knurl: Knurl, sight: Sightlines, cells: Cells) -> float:
    """Share of the variance that the model leaves, with the best light."""
    patch = Patch(sight, cells)
    return patch.solve(knurl).left / max(patch.total, 1e-9)


def light_of(fitted: Fit, sight: Sightlines) -> Array:
    """Brightness of each kind in each cell of a fit: (down, across, kinds)."""
    light = Patch(sight, fitted.cells).solve(fitted.knurl).light
    return np.asarray(light, float).reshape(fitted.cells.down, fitted.cells.across, -1)


def fit(
    start: Knurl,
    sight: Sightlines,
    cells: Cells,
    names: tuple[Name, ...],
    *,
    steps: int = 12,
    beliefs: dict[str, tuple[float, float]] | None = None,
    enough: float = 1e-4,
    shading: float = FREE_SHADING,
) -> Fit:
    """Levenberg-Marquardt on the projected residual.

    Parameters
    ----------
    names : tuple of Name
        What is free.
    beliefs : dict, optional
        Mean and standard deviation of what is known beforehand, by parameter; default `BELIEFS`.
    enough : float
        Stop when a step gains less than this share of the cost.
    shading : float
        How dear the shading of flanks is.
    """
    known = BELIEFS if beliefs is None else beliefs
    patch = Patch(sight, cells, shading)
    mean = np.array([known.get(n[1], (0.0, 1.0))[0] for n in names])
    precision = np.array([known[n[1]][1] ** -2 if n[1] in known else 0.0 for n in names])
    knurl, solved = start, patch.solve(start, names)
    # along straight lines every column shows the same
    straight = not any(g.along for g in start.families)
    unit = solved.left / (patch.weight + 1e-9) * (2.0 * sight.theta.shape[1] if straight else PIXELS_PER_FACT)

    def whole(k: Knurl, s: Solved) -> float:
        values = np.array([get(k, n) for n in names])
        return s.left + s.price + unit * float((precision * (values - mean) ** 2).sum())

    cost = whole(knurl, solved)
    damping = 1e-2
    hessian, pulls = np.eye(len(names)), solved.pulls
    for step in range(steps):
        values = np.array([get(knurl, n) for n in names])
        hessian, pulls = solved.hessian + np.diag(unit * precision), solved.pulls
        gradient = pulls.sum(axis=0) - unit * precision * (values - mean)
        better = None
        for _try in range(5):
            damped = hessian + damping * np.diag(np.diag(hessian) + 1e-9)
            move = np.linalg.solve(damped, gradient)
            trial = put(knurl, dict(zip(names, values + move, strict=True)))
            tried = patch.solve(trial, names if step < steps - 1 else ())
            new = whole(trial, tried)
            if new < cost:
                better = trial, tried, new
                break
            damping *= 7
        if better is None:
            break
        gain = (cost - better[2]) / cost
        knurl, solved, cost = better
        damping = max(damping / 6, 1e-6)
        if gain < enough:
            break
    total = max(patch.total, 1e-9)
    return Fit(
        knurl,
        solved.left / total,
        (solved.left + solved.price) / total,
        names,
        _clustered(hessian, pulls, unit),
        cells,
    )


def shape_of(counted: Fit, sight: Sightlines, beliefs: dict[str, tuple[float, float]] | None = None) -> Fit:
    """What else there is to a fit with dear shading once its counts are held: shading free, as the light may have it.

    Dear shading tells the counts best, free shading the fill. The covariance stays that of `counted`.
    """
    if not counted.knurl.has_shading:
        return counted
    held = tuple(n for n in counted.names if n[1] != "around")
    freed = fit(counted.knurl, sight, counted.cells, held, beliefs=beliefs, steps=SHAPE_STEPS)
    return replace(freed, names=counted.names, covariance=counted.covariance)


def gain_of_freeing(tied: Knurl, sight: Sightlines, cells: Cells, names: tuple[Name, ...], shading: float) -> float:
    """What counts of their own would explain over a common one, of what is left unexplained, as the slopes foretell it.

    `names` are those of a fit with counts of their own, `shading` is how dear that of flanks is.
    """
    patch = Patch(sight, cells, shading)
    solved = patch.solve(tied, names)
    gradient = solved.pulls.sum(axis=0)
    around = [i for i, (_, name) in enumerate(names) if name == "around"]
    common = np.delete(np.eye(len(names)), around[1:], axis=1)
    common[around, around[0]] = 1.0

    def foretold(directions: Array) -> float:
        pull = directions.T @ gradient
        return float(pull @ np.linalg.lstsq(directions.T @ solved.hessian @ directions, pull, rcond=1e-9)[0])

    return (foretold(np.eye(len(names))) - foretold(common)) / max(solved.left, 1e-9)


def _clustered(hessian: Array, by_cell: Array, unit: float) -> Array:
    """Covariance: H⁻¹ (Σ g gᵀ over cells) H⁻¹, but never below the plain H⁻¹ σ².

    (Sandwich estimator with clusters; Liang and Zeger 1986.)
    """
    try:
        inverse = np.linalg.inv(hessian + 1e-9 * np.diag(np.diag(hessian)))
    except np.linalg.LinAlgError:
        return np.full_like(hessian, np.inf)
    sandwich = inverse @ (by_cell.T @ by_cell) @ inverse
    plain = inverse * unit
    scale = np.sqrt(np.maximum(np.diag(plain), 0) / np.maximum(np.diag(sandwich), 1e-30))
    grow = np.maximum(1.0, scale)
    return np.asarray(sandwich * np.outer(grow, grow))
