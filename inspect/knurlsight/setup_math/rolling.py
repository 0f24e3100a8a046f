"""Roll a wheel over a blank, tooth by tooth and turn by turn, and see whether it falls into its own track.

A model and no more. What it holds: the circumference of the work as a height profile across the axis; teeth with
straight flanks pressed to the depth of an infeed schedule; metal kept (what a tooth displaces rises beside it); the
wheel rolling without slip at its first bite b, so that N = π (d − 2 b) / p_t teeth go round unguided; and a free wheel,
which a tooth that meets more metal on one flank turns towards the other by a part `GUIDANCE` of the way to balance.
What it leaves out: the spring of machine and work, the elastic part of the metal, friction of the pin, the second
family, and the feed along the axis, whose first turns on fresh metal are like those simulated here.

`GUIDANCE` is set so that the model double tracks half-way between two whole counts and tracks within a fifth of a tooth
of one, as a maker's worked example has it (47 teeth on half an inch: 31 at 0.499 in, 30 at 0.483 in, double tracking
between), and so that a timid start double tracks over a wider range than a firm one, as practice has it. Where it
double tracks is thus believable to a tenth of a tooth or two; how deep a ghost remains is not, and differs from run to
run with the place where the first tooth lands.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knurlsight.setup_math.growth import sharp_depth_mm

#: Share of the way to balanced flanks that the wheel turns while a tooth goes in.
GUIDANCE = 0.08
#: Turns that the wheel stays at full depth.
TURNS_AT_DEPTH = 2
#: Most turns to full depth that are simulated.
MOST_TURNS = 40
#: Samples of the profile to a pitch.
SAMPLES_PER_PITCH = 40


@dataclass(frozen=True)
class Rolled:
    """A rolled circumference.

    Attributes
    ----------
    height_mm : (n,) float array
        Height over the blank's surface around the work, from the place of the first tooth.
    blank_mm : float
    transverse_pitch_mm : float
        Of the wheel.
    natural_teeth : float
        Teeth around at the first bite, if nothing guided the wheel.
    teeth : int
        Strongest count in the finished profile; twice the natural one for a perfect double track.
    ghost_ratio : float
        Depth of the in-between grooves over that of the main ones, mean around the work.
    extent : float
        Share of the circumference where it is over a tenth.
    tracked_from_turn : int or None
        First turn from which the wheel stays in one track; None when it never does.
    """

    height_mm: NDArray[np.float64]
    blank_mm: float
    transverse_pitch_mm: float
    natural_teeth: float
    teeth: int
    ghost_ratio: float
    extent: float
    tracked_from_turn: int | None

    @property
    def tracks(self) -> bool:
        """Whether one set of grooves is left."""
        return self.ghost_ratio < 0.10 and abs(self.teeth - self.natural_teeth) < 1.0


def infeed_schedule_mm(bite_mm: float, penetration_mm: float) -> tuple[float, ...]:
    """Depth of the tooth tips below the blank in each turn: every turn goes in by another bite, and a stay at the end.

    A firm start is thus at depth after a few turns and a timid one after many.
    """
    turns = min(MOST_TURNS, max(1, math.ceil(penetration_mm / max(bite_mm, 1e-6) - 1e-9)))
    down = [penetration_mm * (k + 1) / turns for k in range(turns)]
    down[0] = min(max(bite_mm, 1e-3), penetration_mm)
    return tuple([min(d, penetration_mm) for d in down] + [penetration_mm] * TURNS_AT_DEPTH)


def straight_penetration_mm(normal_pitch_mm: float, fill: float, profile_angle_deg: float = 90.0) -> float:
    """Penetration at which one family alone has this fill; the profile around the work knows one family only."""
    return fill * sharp_depth_mm(normal_pitch_mm, profile_angle_deg) * (1.0 - fill / 2.0)


def roll(
    blank_mm: float,
    normal_pitch_mm: float,
    helix_deg: float,
    schedule_mm: Sequence[float],
    profile_angle_deg: float = 90.0,
    wheel_teeth: int = 47,
    phase: float = 0.0,
    tooth_depths: Sequence[float] | None = None,
    samples_per_pitch: int = SAMPLES_PER_PITCH,
) -> Rolled:
    """Roll a wheel over a blank.

    Parameters
    ----------
    blank_mm : float
        Diameter.
    normal_pitch_mm, helix_deg : float
        Of the family on the blank.
    schedule_mm : sequence of float
        Depth of the tooth tips below the blank's surface, one a turn.
    profile_angle_deg : float
        Of the wheel's teeth, in the plane normal to them.
    wheel_teeth : int
        Teeth of the wheel; matters only for teeth that are not alike.
    phase : float
        Where the first tooth lands, share of a pitch.
    tooth_depths : sequence of float, optional
        For each tooth of the wheel the share of its height that is left; 1 for all when not given.
    samples_per_pitch : int
        Resolution.

    Returns
    -------
    Rolled
    """
    pitch = normal_pitch_mm / math.cos(math.radians(helix_deg))
    circumference = math.pi * blank_mm
    samples = max(64, round(circumference / pitch * samples_per_pitch))
    grid = circumference / samples
    height = np.zeros(samples)
    # Slope of a flank in the plane across the axis, where everything is 1/cos ψ longer.
    slope = math.cos(math.radians(helix_deg)) / math.tan(math.radians(profile_angle_deg) / 2.0)
    half = int(0.75 * pitch / grid)
    offsets = np.arange(-half, half + 1)
    position = phase * pitch
    radius = blank_mm / 2.0
    shares = np.ones(wheel_teeth) if tooth_depths is None else np.asarray(tooth_depths, dtype=float)
    # Deeper in, work and wheel mesh like gears and the ratio of the first bite is kept.
    advance = pitch * radius / (radius - schedule_mm[0])
    tooth = 0
    strays = np.zeros(len(schedule_mm))  # largest push by the flanks in each turn, share of a pitch
    for turn, depth in enumerate(schedule_mm):
        end = (turn + 1) * circumference + phase * pitch
        while position < end:
            tip = -depth + (1.0 - float(shares[tooth % len(shares)])) * depth
            position, push = _press(height, position, tip, slope, grid, offsets)
            strays[turn] = max(strays[turn], abs(push) / pitch)
            position += advance
            tooth += 1
    natural = 2.0 * math.pi * (radius - schedule_mm[0]) / pitch
    ghost, extent = ghost_of_profile(height, natural)
    return Rolled(
        height_mm=height,
        blank_mm=blank_mm,
        transverse_pitch_mm=pitch,
        natural_teeth=natural,
        teeth=strongest_count(height, natural),
        ghost_ratio=ghost,
        extent=extent,
        tracked_from_turn=_settled(strays),
    )


def _press(
    height: NDArray[np.float64], position: float, tip: float, slope: float, grid: float, offsets: NDArray[np.int64]
) -> tuple[float, float]:
    """Press one tooth in; `height` is changed. Returns where the tooth ended up and how far it was pushed, mm."""
    centre = round(position / grid)
    index = (centre + offsets) % height.size
    along = (centre + offsets) * grid
    here = height[index]
    # Width of contact on each flank; the tooth turns the wheel towards the flank that meets less.
    touching = here > tip + np.abs(along - position) * slope
    left = int(np.count_nonzero(touching & (along < position)))
    right = int(np.count_nonzero(touching & (along > position)))
    push = GUIDANCE * 0.5 * (left - right) * grid
    position += push
    flanks = tip + np.abs(along - position) * slope
    pressed = np.minimum(here, flanks)
    displaced = float((here - pressed).sum())
    if displaced > 0.0:
        free = flanks > here
        room = int(np.count_nonzero(free))
        if room:
            # Metal rises beside the tooth, as far as the flanks leave room for it.
            pressed[free] = np.minimum(here[free] + displaced / room, flanks[free])
    height[index] = pressed
    return position, push


def _settled(strays: NDArray[np.float64]) -> int | None:
    quiet = strays < 0.06
    for turn in range(1, quiet.size):
        if bool(quiet[turn:].all()):
            return turn + 1
    return None


def strongest_count(height_mm: NDArray[np.float64], natural_teeth: float) -> int:
    """The count that carries most of the profile, from two thirds to two and a half times the natural one."""
    spectrum = np.abs(np.fft.rfft(height_mm - height_mm.mean()))
    low, high = int(0.67 * natural_teeth), min(spectrum.size - 1, math.ceil(2.5 * natural_teeth))
    return low + int(np.argmax(spectrum[low : high + 1]))


def ghost_of_profile(height_mm: NDArray[np.float64], teeth: float) -> tuple[float, float]:
    """Depth of in-between grooves over that of the main ones (mean around), and the share where it is over a tenth.

    Pitch by pitch: the deepest groove is the main one; the ghost is the deepest other valley within a pitch of it, that
    stands apart from it by a fifth of a pitch and by a ridge. Depths are from the highest crest of the part.
    """
    size = height_mm.size
    pitch = size / teeth
    crest = float(np.percentile(height_mm, 99.5))
    window = max(1, round(0.08 * pitch))
    lowest = np.array([np.roll(height_mm, s) for s in range(-window, window + 1)]).min(axis=0)
    valleys = np.flatnonzero((height_mm <= lowest) & (crest - height_mm > 0.02 * (crest - height_mm.min())))
    if valleys.size == 0:
        return 0.0, 0.0
    valleys = valleys[np.append(True, np.diff(valleys) > window)]
    ratios = []
    for start in np.arange(round(teeth)) * pitch:
        inside = valleys[(valleys >= start) & (valleys < start + pitch)]
        if inside.size == 0:
            ratios.append(0.0)
            continue
        main = inside[np.argmin(height_mm[inside])]
        others = [v for v in inside if 0.2 * pitch < abs(v - main) < 0.8 * pitch]
        best = 0.0
        for other in others:
            a, b = sorted((int(main), int(other)))
            ridge = float(height_mm[a : b + 1].max())
            depth = crest - float(height_mm[other])
            if ridge - float(height_mm[other]) > 0.25 * depth:
                best = max(best, depth / (crest - float(height_mm[main])))
        ratios.append(best)
    found = np.array(ratios)
    return float(found.mean()), float((found > 0.1).mean())


def predicted_ghost(
    blank_mm: float,
    normal_pitch_mm: float,
    helix_deg: float,
    bite_mm: float,
    fill: float,
    profile_angle_deg: float = 90.0,
    phases: Sequence[float] = (0.0, 0.23, 0.51, 0.77),
    samples_per_pitch: int = 24,
) -> float:
    """Ghost ratio to expect on a blank with a first bite: the mean over a few places of the first tooth."""
    schedule = infeed_schedule_mm(bite_mm, straight_penetration_mm(normal_pitch_mm, fill, profile_angle_deg))
    ratios = [
        roll(
            blank_mm,
            normal_pitch_mm,
            helix_deg,
            schedule,
            profile_angle_deg,
            phase=phase,
            samples_per_pitch=samples_per_pitch,
        ).ghost_ratio
        for phase in phases
    ]
    return float(np.mean(ratios))


def surface_patch(
    profiles: Sequence[NDArray[np.float64]],
    slants_deg: Sequence[float],
    recessed: bool,
    diameter_mm: float,
    size_mm: tuple[float, float],
    mm_per_sample: float,
) -> NDArray[np.float64]:
    """Height map of an unrolled piece of the surface.

    Parameters
    ----------
    profiles : sequence of (n,) arrays
        Height around the work of each family, as `Rolled.height_mm`.
    slants_deg : sequence of float
        Helix of each at this diameter; right-hand positive, 90 for rings.
    recessed : bool
        Recessed points: the higher of two families counts instead of the lower.
    diameter_mm : float
        At which the patch is unrolled.
    size_mm : (float, float)
        Along the axis and around.
    mm_per_sample : float

    Returns
    -------
    (rows, columns) float array
        Rows run around (upwards is later), columns along the axis.
    """
    columns, rows = (max(2, round(s / mm_per_sample)) for s in size_mm)
    z = np.arange(columns) * mm_per_sample  # (columns,)
    s = (rows - 1 - np.arange(rows))[:, None] * mm_per_sample  # (rows, 1)
    patches = []
    for profile, slant in zip(profiles, slants_deg, strict=True):
        circumference = math.pi * diameter_mm
        # With the axis lying, a right-hand ridge runs from top left to bottom right.
        slope = math.tan(math.radians(slant))
        along = np.broadcast_to(z, (rows, columns)) if slant == 90.0 else s + z * slope
        index = np.rint(along / circumference * profile.size).astype(np.int64) % profile.size
        patches.append(profile[index])
    stack = np.stack(patches)
    return np.asarray(stack.max(axis=0) if recessed else stack.min(axis=0))
