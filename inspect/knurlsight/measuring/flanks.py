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

from knurlsight.measuring.sightlines import Image, Sightlines

F = np.float32

Crossing = Literal["single", "raised", "recessed"]
Name = tuple[int, str]  # family (or -1 for the common ones) and parameter

BLUR_BOX = 3.0  # width of a box with the spread of a Gaussian of sigma 1, rounded down for sharpened photos
SIGHT_STEPS = 3
FIRST_DEPTH = 0.38  # of the mean groove depth
DAMPED = 0.65  # on flanks steeper than the line of sight the plain iteration swings
MEAN_DEPTH, MEAN_SQUARE = 0.4, 0.08  # so that the terms of the shading are nearly square to each other


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


def kinds(knurl: Knurl, sight: Sightlines) -> Image:
    """Share of each kind of surface in every sample: (k, rows, columns).

    k = land, right and left flank of each family, then (unless all lines are straight) all flanks again times depth and
    depth squared.
    """
    view = View(knurl, sight)
    out = np.empty((view.kinds, *sight.theta.shape), F)
    view.shares(out)
    return out


class _Lines:
    """A family along the lines of sight: at depth d it is turned by turns + d (turns_1 + d turns_2).

    Attributes
    ----------
    grade_2 : square of the turns from one sample to the next
    across : one over the blur, in turns
    steep : radii of depth to a turn
    sets : offset, relative depth and half width, in turns, of the grooves and of their ghosts
    """

    def __init__(self, g: Grooves, knurl: Knurl, sight: Sightlines) -> None:
        around, along = F(g.around), F(g.along)

        def of(theta: Image, z: Image) -> Image:
            out = around * theta
            out += along * z
            return np.asarray(out, F)

        self.turns = of(sight.theta, sight.z)
        self.turns -= F(g.phase)
        self.turns_1, self.turns_2 = of(sight.theta_1, sight.z_1), of(sight.theta_2, sight.z_2)
        u, v = of(sight.theta_u, sight.z_u), of(sight.theta_v, sight.z_v)
        self.grade_2 = u * u
        self.grade_2 += v * v
        self.across = np.asarray(F(1 / (BLUR_BOX * knurl.blur)) / np.sqrt(self.grade_2), F)
        self.steep = F(2 * g.depth(knurl.profile_angle_deg) / g.fill)
        self.sets = [(F(0), F(1), F(g.fill / 2))]
        if g.ghost:
            self.sets.append((F(g.offset), F(g.ghost), F(g.fill * g.ghost / 2)))

    def phases(self, depth: Image | np.float32) -> list[Image]:
        """Turns from the nearest groove of each set."""
        x = self.turns_2 * depth
        x += self.turns_1
        x *= depth
        x += self.turns
        away = [x - offset if offset else x for offset, _, _ in self.sets]
        return [np.asarray(a - np.rint(a), F) for a in away]

    def depths(self, phases: list[Image]) -> list[Image]:
        """Depth of each set there, radii; below 0 on the lands."""
        out = []
        for x, (_, _, half) in zip(phases, self.sets, strict=True):
            h = np.abs(x)
            h *= -self.steep
            h += half * self.steep
            out.append(h)
        return out

    def rate(self, depth: Image | np.float32) -> Image:
        """Turns for every radius that the lines of sight go deeper."""
        out = self.turns_2 * (F(2) * depth)
        out += self.turns_1
        return np.asarray(out, F)


class Borders:
    """Blurred share of land and, of the flanks, of the right-hand one, at the phases `x` from the grooves of a set."""

    def __init__(self, x: Image, reach: np.float32, half: np.float32, across: Image) -> None:
        self.x, self.reach, self.across = x, reach, across
        middle = np.abs(x)
        middle -= F(0.5)
        middle *= across
        middle += F(0.5)
        land = across * (F(0.5) - half)
        # from either side of the land
        self.near, self.far = np.asarray(middle + land, F), np.asarray(middle - land, F)
        self.near_share, self.far_share = ramp(self.near), ramp(self.far)
        self.land = self.near_share - self.far_share
        # right of a groove and left of a crest the same way up
        self.tent = np.maximum(np.minimum(x, F(0.5) - x), F(-0.5) - x)
        self.away = self.tent * across
        self.side = np.clip(self.away, F(-0.5), F(0.5))
        self.right = self.side + F(0.5)


class Seen:
    """What is seen of a family where the lines of sight end: shares of land and of its right flanks; its depth."""

    def __init__(self, lines: _Lines, depth: Image) -> None:
        self.lines = lines
        self.phases = lines.phases(depth)
        self.depths = lines.depths(self.phases)
        self.borders = [
            Borders(x, reach, half, lines.across) for x, (_, reach, half) in zip(self.phases, lines.sets, strict=True)
        ]
        self.top = np.maximum(self.depths[0], F(0))
        self.land, self.right = self.borders[0].land, self.borders[0].right
        if len(self.borders) == 2:
            ghost, second = self.borders[1], np.maximum(self.depths[1], F(0))
            self.whose = F(0.5) + (self.top - second) * (F(0.5) / lines.steep * lines.across)
            self.first = ramp(self.whose)
            self.land = self.land * ghost.land
            self.right = ghost.right + self.first * (self.right - ghost.right)
            self.top = np.maximum(self.top, second)
        self.cut = F(1) - self.land


class View:
    """What the lines of sight of a patch see of a knurl; every array has the patch's shape.

    Attributes
    ----------
    steps : depth, phases and depths of the grooves there, and depth of the surface, on the way down
    depth : where the lines of sight end, radii
    land : share of land
    flanks : of the flanks of each family
    first, whose : of what both families cut, the share that the first one shows; and the same before it is clipped
    kinds : how many kinds of surface there are
    """

    def __init__(self, knurl: Knurl, sight: Sightlines) -> None:
        self.knurl = knurl
        self.lines = [_Lines(g, knurl, sight) for g in knurl.families]
        self.steps: list[tuple[Image | np.float32, list[list[Image]], list[list[Image]], Image]] = []
        depth: Image | np.float32 = F(FIRST_DEPTH * knurl.mean_depth)
        for step in range(SIGHT_STEPS):
            phases = [line.phases(depth) for line in self.lines]
            depths = [line.depths(x) for line, x in zip(self.lines, phases, strict=True)]
            surface = self._surface(depths)
            self.steps.append((depth, phases, depths, surface))
            depth = surface if step == SIGHT_STEPS - 1 else np.asarray(F(1 - DAMPED) * depth + F(DAMPED) * surface, F)
        self.depth = surface
        self.families = [Seen(line, surface) for line in self.lines]
        self.kinds = 1 + 2 * len(self.families) * (3 if knurl.has_shading else 1)
        self.relative = self.depth * F(1 / knurl.mean_depth)
        self.relative -= F(MEAN_DEPTH)
        self.square = self.relative * self.relative
        self.square -= F(MEAN_SQUARE)
        if len(self.families) == 1:
            self.land, self.flanks = self.families[0].land, [self.families[0].cut]
            return
        a, b = self.families
        grade_2 = a.lines.grade_2 * (a.lines.steep * a.lines.steep)
        grade_2 += b.lines.grade_2 * (b.lines.steep * b.lines.steep)
        self.wide = F(1 / (BLUR_BOX * knurl.blur)) / np.sqrt(grade_2)
        self.whose = a.top - b.top
        self.whose *= self.wide
        self.whose += F(0.5)
        self.first = ramp(self.whose)
        self.both = a.cut * b.cut
        of_b = self.both * self.first
        if knurl.crossing == "recessed":
            self.land, self.flanks = F(1) - self.both, [self.both - of_b, of_b]
            return
        of_a = a.cut - self.both
        of_a += of_b
        self.land, self.flanks = a.land * b.land, [of_a, b.cut - of_b]

    def _surface(self, depths: list[list[Image]]) -> Image:
        each = [h[0] if len(h) == 1 else np.maximum(*h) for h in depths]
        if len(each) == 2:
            each = [np.minimum(*each) if self.knurl.crossing == "recessed" else np.maximum(*each)]
        return np.asarray(np.maximum(each[0], F(0)), F)

    def shares(self, out: NDArray[np.float32]) -> None:
        """Write the share of each kind of surface into `out` (k, ...)."""
        out[0] = self.land
        for k, (flank, family) in enumerate(zip(self.flanks, self.families, strict=True)):
            np.multiply(flank, family.right, out=out[2 * k + 1])
            np.subtract(flank, out[2 * k + 1], out=out[2 * k + 2])
        if self.knurl.has_shading:
            n = 2 * len(self.families)
            np.multiply(out[1 : n + 1], self.relative, out=out[n + 1 : 2 * n + 1])
            np.multiply(out[1 : n + 1], self.square, out=out[2 * n + 1 :])


def ramp(x: Image) -> Image:
    """Clipped to between 0 and 1."""
    return np.asarray(np.clip(x, F(0), F(1)), F)
