"""The physical model of a knurl as seen: grooves with straight flanks, followed along the lines of sight.

Every pixel shows one flank (left or right of a family) or the land on the crest. Each kind has its own free brightness,
with a linear and a square term in depth for the shadow near the root, in each cell of the patch: any light is absorbed,
and only the borders between the kinds carry information. What remains (tooth count, axial pitch, phases, fill, profile
angle, blur) is fitted (`flank_fit`).

Learnt on path-traced photos with their true outline (errors of N, median / 95th percentile):
constant brightness per flank 0.9 / 2 %; linear in depth 0.3 / 1.3 %; linear and square 0.2 / 1.0 %, and what their
price does stands in DEVELOPERS.md. Without the
lines of sight 4 %. Arc ±60° beats ±48° and ±55°; 14 samples to a pitch do as well as 24. Clipped highlights
stay in: where they end is a border too. The profile angle runs to 100° and more if left free and takes N with it by
0.3 %, so it is held near 90° (DIN 82): a belief of 90 ± 4 gave 0.13 / 1.2 %, ± 2 0.10 / 1.0, ± 1 0.11 / 0.9,
± 0.5 0.13 / 0.9. Freeing the part's width and the place of its axis made N worse (0.6 % median): the pattern cannot
correct the outline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knurlsight.measuring.flank_rays import ABSENT, BLUR_BOX, FIRST_SHADING, KINDS, NUMBERS, RAYS, see
from knurlsight.measuring.sightlines import Image, Sightlines

Array = NDArray[np.float64]
F = np.float32

Crossing = Literal["single", "raised", "recessed"]
Name = tuple[int, str]  # family (or -1 for the common ones) and parameter


@dataclass(frozen=True)
class Grooves:
    """One family: groove centre lines lie where  around θ + along z - phase  is whole.

    Attributes
    ----------
    around : float
        Cycles per rad, N / 2π; 0 for rings.
    along : float
        Cycles per radius, signed: negative for right-hand lines, positive for left-hand ones.
    phase : float
        Turns.
    fill : float
        1 - land / normal pitch.
    ghost, offset : float
        Depth of a second groove set over that of the first, and how far it lies away in pitches.
    """

    around: float
    along: float
    phase: float
    fill: float
    ghost: float = 0.0
    offset: float = 0.5

    @property
    def pitch(self) -> float:
        """Normal pitch in radii."""
        return 1 / math.hypot(self.around, self.along)

    def depth(self, profile_angle_deg: float) -> float:
        """Groove depth in radii: fill times the sharp depth."""
        return self.fill * self.pitch / (2 * math.tan(math.radians(profile_angle_deg) / 2))


@dataclass(frozen=True)
class Knurl:
    """The model's parameters; `shaded` lets a flank's brightness change with depth."""

    crossing: Crossing
    families: tuple[Grooves, ...]
    profile_angle_deg: float = 90.0
    blur: float = 1.0
    shaded: bool = True

    @property
    def has_shading(self) -> bool:
        """False for straight lines: a strip shows hardly more than one groove, free shading would explain anything."""
        return self.shaded and any(g.along for g in self.families)

    @property
    def mean_depth(self) -> float:
        """Groove depth in radii."""
        return sum(g.depth(self.profile_angle_deg) for g in self.families) / len(self.families)


@dataclass(frozen=True)
class Packed:
    """A knurl as the loops over samples take it.

    Attributes
    ----------
    numbers : three arrays
        Of either family and of both, see `flank_rays.see`.
    used : (13,) bool array
        Which of all kinds of surface there are.
    """

    numbers: tuple[NDArray[np.float32], ...]
    used: NDArray[np.bool_]

    @property
    def kinds(self) -> int:
        """How many kinds of surface there are."""
        return int(self.used.sum())

    @property
    def shading(self) -> NDArray[np.bool_]:
        """(kinds,) Which of those that there are go with depth."""
        return (np.arange(KINDS) >= FIRST_SHADING)[self.used]

    def rows(self, out: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        """Rows of `out` (14, n) for brightness and every kind: brightness, the kinds that there are, then the rest."""
        order = np.argsort(~self.used, kind="stable")
        at = np.empty(KINDS, int)
        at[order] = 1 + np.arange(KINDS)
        return [out[i] for i in (0, *at)]

    def all_kinds(self, light: Array) -> NDArray[np.float32]:
        """Light (n, kinds) spread over all 13 kinds; none on those that there are not."""
        out = np.zeros((len(light), KINDS), F)
        out[:, self.used] = light
        return out


def packed(knurl: Knurl) -> Packed:
    """The numbers of a knurl, and which kinds of surface it has."""
    count = len(knurl.families)
    families = [_numbers(g, knurl) for g in knurl.families]
    if count == 1:
        absent = dict(zip(NUMBERS, families[0], strict=True)) | {"half": ABSENT, "ghost_half": ABSENT}
        families.append(np.array(list(absent.values()), F))
    angle = math.radians(knurl.profile_angle_deg)
    common = (knurl.mean_depth, 1 / (BLUR_BOX * knurl.blur), knurl.blur, math.sin(angle), knurl.crossing == "recessed")
    flanks = [True, True, count == 2, count == 2]
    shaded = [f and knurl.has_shading for f in flanks]
    return Packed((*families, np.array(common, F)), np.array([True, *flanks, *shaded, *shaded]))


def _numbers(g: Grooves, knurl: Knurl) -> NDArray[np.float32]:
    """As in `flank_rays.NUMBERS`."""
    per_fill = g.depth(knurl.profile_angle_deg) / g.fill
    ghost_half, floor = (g.fill * g.ghost / 2, 0.0) if g.ghost else (ABSENT, -2 * per_fill * -ABSENT)
    half, steep, mean_by_fill = g.fill / 2, 2 * per_fill, per_fill / len(knurl.families)
    of = (g.around, g.along, g.phase, half, steep, g.offset, ghost_half, g.ghost, floor, mean_by_fill)
    return np.array(of, F)


def kinds(knurl: Knurl, sight: Sightlines) -> Image:
    """Share of each kind of surface in every sample: (k, rows, columns).

    k = land, right and left flank of each family, then (unless all lines are straight) all flanks again times depth and
    depth squared.
    """
    of = packed(knurl)
    rays = [np.ascontiguousarray(getattr(sight, name), F).ravel() for name in RAYS]
    out = np.empty((1 + KINDS, rays[0].size), F)
    unweighted = np.ones(rays[0].size, F)
    see(*rays, unweighted, unweighted, *of.numbers, *of.rows(out))
    return out[1 : 1 + of.kinds].reshape(of.kinds, *sight.theta.shape)
