"""Random folded cells with known second tracks: what the cell reader is trained on.

Draws one periodic surface per scene, looks at it from the side at the arcs that `measuring/ghost.py` folds, lights it
and takes a photo of it. Nothing round is rendered: a cell is the mean of hundreds of diamonds, so one diamond with
wrapped borders, seen along the sight lines of its arc, is enough. Everything is a torch tensor with the scenes first.

Units: lengths in pitches of the first family, phases in turns (0 = groove centre), angles in rad unless the name says
degrees, brightness relative. Local axes: x along the part, y around it, z outwards; the viewer is far out on the
middle's z, so that the surface at an arc leans away from it.

    python tests/bench/cell_scenes.py PICTURE.png [SEED]

draws a sheet of scenes to look at. Needs torch (`pip install torch`), which the project itself does not.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path

from knurlsight.measuring.fold import CELL
from knurlsight.measuring.ghost import ARCS_DEG

try:
    import torch
except ImportError:
    raise SystemExit("cell_scenes.py: torch is missing; type: pip install torch") from None

from torch import Tensor
from torch.nn.functional import grid_sample, normalize, pad

# Patterns. Shares follow what is rolled: diamonds of 30° mostly, some square, straight, helical, recessed.
RAISED, RECESSED, SQUARE = 0.68, 0.76, 0.86  # upper ends of the shares of diamonds and squares; the rest is single
COMMON_HELIX_SHARE, COMMON_HELIX_DEG, ANY_HELIX_DEG = 0.6, (28.0, 32.0), (15.0, 50.0)
EQUAL_HANDS_SHARE = 0.8  # scenes whose two families nearly agree; the others show a bad wheel pair
HELIX_SPREAD_DEG, BAD_HELIX_SPREAD_DEG = 1.0, 5.0
PITCH_SPREAD, BAD_PITCH_SPREAD = 0.02, 0.1

# Second tracks. Half of the scenes have none: the reader must know clean patterns best.
DOUBLED_SHARE = 0.55
OTHER_DOUBLED_SHARE, OTHER_DOUBLED_ALONE_SHARE = 0.5, 0.25  # the other family, if the first is doubled; if it is not
ALIKE_SHARE, ALIKE_SPREAD = 0.7, 0.1  # both wheels fell into their tracks alike
RATIO = (0.12, 1.0)
HALFWAY_SHARE, HALFWAY_SPREAD, ANY_OFFSET, OFFSET_LIMITS = 0.65, 0.04, (0.32, 0.68), (0.3, 0.7)
#: A track that goes less than this below what is there without it (in groove depths) is drawn and called none.
LEAST_VISIBLE = 0.1

# Form of the grooves.
USUAL_FILL, ANY_FILL, LEAST_FILL = (0.6, 1.0), (0.28, 1.0), 0.25
USUAL_FILL_SHARE, EQUAL_FILLS_SHARE, EQUAL_FILLS_SPREAD = 0.7, 0.75, 0.06
RIGHT_ANGLE_SHARE, RIGHT_ANGLE_SPREAD_DEG, ANY_PROFILE_DEG = 0.6, 1.5, (70.0, 110.0)
LIPS_SHARE, LIP_HEIGHT, LIP_WIDTH = 0.4, (0.05, 0.35), (0.04, 0.12)  # in groove depths; in turns
SHARP_SHARE, SHARP_TURNS, WORN_TURNS = 0.7, (0.004, 0.03), (0.02, 0.07)  # rounding of edges, a sigma
MAP = 64  # samples across the depth map: fine enough for the sharpest edge

# View.
SLANT_SPREAD_DEG, ARC_SPREAD_DEG = 12.0, 3.0  # part not upright in the photo; arcs counted from a wrong middle
ARC_STRETCH = (1.0, 1.12)  # a near camera sees an arc more steeply than its angle
STEADY_SHARE, STEADY_TURNS, WANDERING_TURNS = 0.5, 0.02, 0.12  # phase error of a fold, arc by arc
SIGHT_STEPS = 16
DEEPEST = 1.02  # of the deeper family: the march ends just below it
START_BELOW = -1e-3  # pitches; so that a ray that starts on the surface meets it there

# Light: one lamp that always burns, up to three weaker ones.
LAMP_POWER = (2.0, 1.0, 0.6, 0.4)
LAMP_SHARE, LOW_LAMP_SHARE, LOW_LAMP_DEG, HIGH_LAMP_DEG = 0.75, 0.5, (5.0, 40.0), (20.0, 85.0)
SHADOW_LAMPS = 2  # shadows of the weaker lamps are not worth their cost
SHADOW_AT = (0.12, 0.3, 0.55, 0.85)  # shares of a point's depth at which its way to the lamp is probed
SHADOW_EDGE, SHADOW_EDGE_GROWTH = 0.04, 0.15  # half-shadow in pitches: of the probing, and of a lamp's width
LEAST_ELEVATION_SIN = 0.05
HIGHLIGHT_SHARPNESS = (3.0, 180.0)  # κ of exp(κ (cos - 1)): brushed dull to polished
HIGHLIGHT_GAIN, HIGHLIGHT_POWER = 0.25, 0.7  # a sharper highlight is brighter, by less than its energy would have it
MATT_GAIN, METAL_SPREAD, POWER_SPREAD = 0.5, 0.8, 1.0
SKY_SPREAD, AMBIENT = 0.25, (0.1, 0.8)
ROOT_SHADE, ROOT_SHADE_POWER = (0.0, 0.7), (0.7, 2.5)  # how much sky a root misses, and how that grows with depth

# Photo and fold.
WHITE_QUANTILE, EXPOSURE = 0.9, (0.4, 1.3)
FINE_SHARE, FINE_BLUR, COARSE_BLUR = 0.7, (0.015, 0.05), (0.03, 0.09)  # sigma in pitches on the photo
SMEAR_TURNS = 0.05  # fold lines that are not quite straight
SPLAT_SAMPLES = 0.7  # blur of the fold itself, in its samples
ENCODED_SHARE, GAMMA = 0.7, 2.2  # photos come encoded or nearly linear
NOISE_SHARE, NOISE_FLOOR, NOISE_GRAIN_SAMPLES = (0.0, 0.12), 0.002, 0.8
LEAST_SPREAD = 0.003  # as in `knurlsight.measuring.fold.folded`


@dataclass(frozen=True)
class Draw:
    """Random numbers, one for each scene, from one seeded stream."""

    scenes: int
    generator: torch.Generator

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        return low + (high - low) * torch.rand(self.scenes, *shape, generator=self.generator)

    def normal(self, *shape: int) -> Tensor:
        return torch.randn(self.scenes, *shape, generator=self.generator)

    def chance(self, share: float | Tensor, *shape: int) -> Tensor:
        return torch.rand(self.scenes, *shape, generator=self.generator) < share


@dataclass(frozen=True)
class Lattice:
    """How the two families lie: turns of both per pitch along x and y (scenes, 2, 2), and how they cross."""

    turns_per_pitch: Tensor
    second_pitch: Tensor
    recessed: Tensor
    single: Tensor


@dataclass(frozen=True)
class Grooves:
    """One family: fill; depth of its second track over that of the first, 0 for none; its offset in turns."""

    fill: Tensor
    ratio: Tensor
    offset: Tensor


@dataclass(frozen=True)
class Lips:
    """Two raised lips beside every land: height over the old surface between them in groove depths, width in turns."""

    height: Tensor
    width: Tensor

    def land_at(self, away: Tensor, fill: Tensor) -> Tensor:
        """Depth of the land below the lips, in groove depths, so many turns from the groove; 0 beside it and in it."""
        shape = (-1,) + (1,) * (away.dim() - 1)
        inwards = ((away - fill / 2) / self.width.view(shape)).clamp(0, 1)
        return self.height.view(shape) * inwards * inwards * (3 - 2 * inwards)


@dataclass(frozen=True)
class Surface:
    """Depth below the crests over a cell, with its slopes by both phases: (scenes, 3, MAP + 2, MAP + 2), wrapped."""

    lattice: Lattice
    maps: Tensor
    deepest: Tensor

    def at(self, turns: Tensor, maps: int) -> Tensor:
        """The first so many maps (scenes, maps, points) at phases (scenes, points, 2)."""
        index = (turns - torch.floor(turns)) * MAP + 0.5  # sample 0 lies at half a step, behind one wrapped sample
        grid = torch.stack([index[..., 1], index[..., 0]], -1) / (MAP + 1) * 2 - 1
        return grid_sample(self.maps[:, :maps], grid[:, None], mode="bilinear", align_corners=True)[:, :, 0]

    def depth(self, turns: Tensor) -> Tensor:
        return self.at(turns, 1)[:, 0]


@dataclass(frozen=True)
class View:
    """Where the viewer stands: `slant` along the part; for every arc its place, the angle it is seen at, its phases."""

    slant: Tensor
    arc: Tensor  # (scenes, arcs)
    sight: Tensor  # (scenes, arcs)
    turns: Tensor  # (scenes, arcs, points, 2) on the crest cylinder

    def to_viewer(self, arc: int) -> Tensor:
        """Local direction (scenes, 3), one pitch outwards."""
        out = torch.ones_like(self.slant)
        return torch.stack([torch.tan(self.slant), -torch.tan(self.sight[:, arc]), out], -1)

    def local(self, world: Tensor, arc: int) -> Tensor:
        """Directions (scenes, ..., 3) of the middle's axes in those of an arc."""
        shape = (-1,) + (1,) * (world.dim() - 2)
        c, s = torch.cos(self.arc[:, arc]).view(shape), torch.sin(self.arc[:, arc]).view(shape)
        x, y, z = world.unbind(-1)
        return torch.stack([x, c * y - s * z, s * y + c * z], -1)


@dataclass(frozen=True)
class Light:
    """Lamps (scenes, lamps), sky and metal of every scene."""

    direction: Tensor  # (scenes, lamps, 3), at the middle
    power: Tensor
    sharpness: Tensor
    gloss: Tensor
    matt: Tensor
    sky: Tensor  # (scenes, 3): slope of its brightness
    ambient: Tensor
    root_shade: Tensor
    root_shade_power: Tensor


@dataclass(frozen=True)
class Photo:
    """Camera and fold of every scene."""

    exposure: Tensor
    blur: Tensor
    smear: tuple[Tensor, Tensor]  # of both phases, (scenes, arcs), turns
    encoded: Tensor


@dataclass(frozen=True)
class Scenes:
    """What the reader is shown, (scenes, arcs, CELL, CELL), and what is true of the family along the rows."""

    cells: Tensor
    grooves: Grooves
    other: Grooves
    lattice: Lattice


def random_scenes(count: int, generator: torch.Generator) -> Scenes:
    """Draw and render so many scenes; a cell may be NaN when a pattern came out degenerate."""
    draw = Draw(count, generator)
    lattice = random_lattice(draw)
    lips = random_lips(draw, lattice)
    grooves, other = random_grooves(draw, lips)
    surface = random_surface(draw, lattice, grooves, other, lips)
    view = random_view(draw)
    light = random_light(draw)
    seen = torch.stack([brightness(surface, view, light, arc) for arc in range(len(ARCS_DEG))], 1)
    cells = as_folded(draw, taken(random_photo(draw), seen, lattice, view))
    return Scenes(cells, grooves, other, lattice)


def random_lattice(draw: Draw) -> Lattice:
    kind = draw.uniform(0, 1)
    recessed = (kind >= RAISED) & (kind < RECESSED)
    square = (kind >= RECESSED) & (kind < SQUARE)
    single = kind >= SQUARE
    common = draw.chance(COMMON_HELIX_SHARE)
    helix_deg = torch.where(common, draw.uniform(*COMMON_HELIX_DEG), draw.uniform(*ANY_HELIX_DEG))
    hand = torch.where(draw.chance(0.5), -1.0, 1.0)
    equal = draw.chance(EQUAL_HANDS_SHARE)
    other_deg = helix_deg + torch.where(equal, HELIX_SPREAD_DEG * draw.normal(), BAD_HELIX_SPREAD_DEG * draw.normal())
    straight = single & draw.chance(0.5)
    first = torch.where(straight, 0.0, torch.deg2rad(helix_deg) * hand)
    second = -torch.deg2rad(other_deg) * hand
    rings_first = draw.chance(0.5)
    first = torch.where(square, torch.where(rings_first, math.pi / 2, 0.0), first)
    second = torch.where(square, torch.where(rings_first, 0.0, math.pi / 2), second)
    second = torch.where(single, first + math.pi / 2, second)
    equal = draw.chance(EQUAL_HANDS_SHARE)
    second_pitch = torch.where(
        equal, torch.exp(PITCH_SPREAD * draw.normal()), torch.exp(BAD_PITCH_SPREAD * draw.normal())
    )
    rows = [torch.stack([torch.sin(a), torch.cos(a)], -1) for a in (first, second)]
    return Lattice(torch.stack([rows[0], rows[1] / second_pitch[:, None]], 1), second_pitch, recessed, single)


def random_lips(draw: Draw, lattice: Lattice) -> Lips:
    """Rolled lips beside the lands of some patterns; a recessed one has no lands to carry them."""
    has_lips = draw.chance(LIPS_SHARE) & ~lattice.recessed
    return Lips(torch.where(has_lips, draw.uniform(*LIP_HEIGHT), 0.0), draw.uniform(*LIP_WIDTH))


def random_grooves(draw: Draw, lips: Lips) -> tuple[Grooves, Grooves]:
    """The family asked for, and the other one."""
    doubled = draw.chance(DOUBLED_SHARE)
    ratio = torch.where(doubled, draw.uniform(*RATIO), 0.0)
    offset = random_offset(draw)
    other_doubled = draw.chance(torch.where(doubled, OTHER_DOUBLED_SHARE, OTHER_DOUBLED_ALONE_SHARE))
    alike = doubled & other_doubled & draw.chance(ALIKE_SHARE)
    like_first = ratio * torch.exp(ALIKE_SPREAD * draw.normal())
    other_ratio = torch.where(alike, like_first, draw.uniform(*RATIO)).clamp(0, 1)
    other_ratio = torch.where(other_doubled, other_ratio, 0.0)
    other_offset = random_offset(draw)
    usual = draw.chance(USUAL_FILL_SHARE)
    fill = torch.where(usual, draw.uniform(*USUAL_FILL), draw.uniform(*ANY_FILL))
    equal = draw.chance(EQUAL_FILLS_SHARE)
    other_fill = torch.where(equal, fill * torch.exp(EQUAL_FILLS_SPREAD * draw.normal()), draw.uniform(*ANY_FILL))
    other_fill = other_fill.clamp(LEAST_FILL, 1.0)
    return visible(Grooves(fill, ratio, offset), lips), visible(Grooves(other_fill, other_ratio, other_offset), lips)


def random_offset(draw: Draw) -> Tensor:
    """Turns. Most tracks fall halfway, as when a blank holds a whole number of teeth and a half."""
    halfway = draw.chance(HALFWAY_SHARE)
    about = 0.5 + HALFWAY_SPREAD * draw.normal()
    return torch.where(halfway, about, draw.uniform(*ANY_OFFSET)).clamp(*OFFSET_LIMITS)


def visible(grooves: Grooves, lips: Lips) -> Grooves:
    """Without a second track that hardly cuts below what is there: the first one's flank, or the sunken land."""
    nearest = torch.minimum(grooves.offset, 1 - grooves.offset)
    flank = (1 - 2 * nearest / grooves.fill).clamp(min=0)
    shown = grooves.ratio - torch.maximum(flank, lips.land_at(nearest, grooves.fill)) >= LEAST_VISIBLE
    return Grooves(grooves.fill, torch.where(shown, grooves.ratio, 0.0), grooves.offset)


def random_surface(draw: Draw, lattice: Lattice, grooves: Grooves, other: Grooves, lips: Lips) -> Surface:
    """The deepest groove of either family, or the land, which is as high as the higher of theirs: lips stand all round
    a land. A recessed pattern is cut only where both families are.
    """
    right = draw.chance(RIGHT_ANGLE_SHARE)
    profile_deg = torch.where(right, 90 + RIGHT_ANGLE_SPREAD_DEG * draw.normal(), draw.uniform(*ANY_PROFILE_DEG))
    depth_of_fill = 1 / (2 * torch.tan(torch.deg2rad(profile_deg) / 2))
    first_depth, second_depth = grooves.fill * depth_of_fill, other.fill * lattice.second_pitch * depth_of_fill
    first, first_land = depth_across(grooves, first_depth, lips)
    second, second_land = depth_across(other, second_depth, lips)
    single = lattice.single[:, None]
    second, second_land = torch.where(single, 0.0, second), torch.where(single, torch.inf, second_land)
    both_cut = torch.minimum(first[:, :, None], second[:, None, :])
    either_cut = torch.maximum(first[:, :, None], second[:, None, :])
    land = torch.minimum(first_land[:, :, None], second_land[:, None, :])
    depth = torch.where(lattice.recessed[:, None, None], both_cut, torch.maximum(either_cut, land))
    sharp = draw.chance(SHARP_SHARE)
    depth = rounded(depth, torch.where(sharp, draw.uniform(*SHARP_TURNS), draw.uniform(*WORN_TURNS)))
    slopes = [(torch.roll(depth, -1, axis) - torch.roll(depth, 1, axis)) * MAP / 2 for axis in (1, 2)]
    maps = pad(torch.stack([depth, *slopes], 1), (1, 1, 1, 1), mode="circular")
    return Surface(lattice, maps, DEEPEST * torch.maximum(first_depth, second_depth)[:, None])


def depth_across(grooves: Grooves, depth: Tensor, lips: Lips) -> tuple[Tensor, Tensor]:
    """Depths (scenes, MAP) of grooves and land below the lips along one family's phase, in the units of `depth`.

    Lips are drawn as a land that sinks away from its edges, so that 0 stays the highest place.
    """
    fill, ratio, offset, deep = grooves.fill[:, None], grooves.ratio[:, None], grooves.offset[:, None], depth[:, None]
    turns = (torch.arange(MAP)[None] + 0.5) / MAP
    away = (turns - torch.round(turns)).abs()
    groove = torch.relu(deep * (1 - 2 * away / fill))
    from_second = turns - offset
    second_away = (from_second - torch.round(from_second)).abs()
    second = torch.relu(deep * (ratio - 2 * second_away / fill))
    return torch.maximum(groove, second), deep * lips.land_at(away, fill)


def rounded(depth: Tensor, sigma_turns: Tensor) -> Tensor:
    """Depth maps (scenes, MAP, MAP) blurred with wrapped borders, by a Gaussian in phase."""
    k = torch.fft.fftfreq(MAP, 1 / MAP)
    square = k[:, None] ** 2 + k[None, :] ** 2
    return blurred(depth, square[None] * sigma_turns[:, None, None] ** 2)


def blurred(maps: Tensor, spread: Tensor) -> Tensor:
    """Wrapped Gaussian blur; `spread` is Σ (frequency · sigma)² at each of the frequencies of fft2."""
    return torch.fft.ifft2(torch.fft.fft2(maps) * torch.exp(-2 * math.pi**2 * spread)).real


def random_view(draw: Draw) -> View:
    slant = torch.deg2rad(SLANT_SPREAD_DEG * draw.normal())
    arc = torch.deg2rad(torch.tensor(ARCS_DEG))[None] + torch.deg2rad(ARC_SPREAD_DEG * draw.normal(1))
    sight = arc * draw.uniform(*ARC_STRETCH)[:, None]
    across = (torch.arange(CELL) + 0.5) / CELL
    grid = torch.stack(torch.meshgrid(across, across, indexing="ij"), -1).reshape(1, 1, CELL * CELL, 2)
    shift = draw.uniform(0, 1, 1, 2)[:, None]
    wander = torch.where(draw.chance(STEADY_SHARE), STEADY_TURNS, WANDERING_TURNS)[:, None, None, None]
    return View(slant, arc, sight, grid + shift + wander * draw.normal(len(ARCS_DEG), 1, 2))


def random_light(draw: Draw) -> Light:
    lamps = len(LAMP_POWER)
    azimuth = draw.uniform(0, 2 * math.pi, lamps)
    low = draw.chance(LOW_LAMP_SHARE, lamps)
    height = torch.deg2rad(torch.where(low, draw.uniform(*LOW_LAMP_DEG, lamps), draw.uniform(*HIGH_LAMP_DEG, lamps)))
    flat = torch.cos(height)
    direction = torch.stack([flat * torch.cos(azimuth), flat * torch.sin(azimuth), torch.sin(height)], -1)
    power = torch.exp(POWER_SPREAD * draw.normal(lamps)) * torch.tensor(LAMP_POWER)
    burning = draw.chance(LAMP_SHARE, lamps) | (torch.arange(lamps) == 0)
    dull, polished = HIGHLIGHT_SHARPNESS
    sharpness = torch.exp(draw.uniform(math.log(dull), math.log(polished), lamps))
    return Light(
        direction=direction,
        power=power * burning,
        sharpness=sharpness,
        gloss=torch.exp(METAL_SPREAD * draw.normal()),
        matt=MATT_GAIN * torch.exp(METAL_SPREAD * draw.normal()),
        sky=SKY_SPREAD * draw.normal(3),
        ambient=draw.uniform(*AMBIENT),
        root_shade=draw.uniform(*ROOT_SHADE),
        root_shade_power=draw.uniform(*ROOT_SHADE_POWER),
    )


def brightness(surface: Surface, view: View, light: Light, arc: int) -> Tensor:
    """What one arc sends to the viewer, (scenes, CELL, CELL), linear."""
    to_viewer = view.to_viewer(arc)
    turns = where_seen(surface, view.turns[:, arc], to_viewer)
    depth, *slopes = surface.at(turns, 3).unbind(1)
    gradient = torch.einsum("bpi,bij->bpj", torch.stack(slopes, -1), surface.lattice.turns_per_pitch)
    normal = normalize(torch.cat([gradient, torch.ones_like(gradient[..., :1])], -1), dim=-1)  # height is -depth
    out = normalize(to_viewer, dim=-1)[:, None]
    mirrored = 2 * (normal * out).sum(-1, keepdim=True) * normal - out
    sent = light.ambient[:, None] + (mirrored * view.local(light.sky, arc)[:, None]).sum(-1)
    lamps = view.local(light.direction, arc)
    for k in range(lamps.shape[1]):
        lamp = lamps[:, k]
        lit = (lamp[:, 2] > 0).float()[:, None]
        if k < SHADOW_LAMPS:
            lit = lit * unshadowed(surface, turns, depth, lamp)
        sent = sent + light.power[:, k, None] * lit * reflected(light, k, normal, mirrored, lamp)
    deep = (depth / surface.deepest).clamp(min=1e-4)
    sent = sent * (1 - light.root_shade[:, None] * deep ** light.root_shade_power[:, None])
    return sent.reshape(-1, CELL, CELL)


def where_seen(surface: Surface, start: Tensor, to_viewer: Tensor) -> Tensor:
    """Phases (scenes, points, 2) where rays that cross the crests at `start` first meet the surface."""
    per_depth = -torch.einsum("bij,bj->bi", surface.lattice.turns_per_pitch, to_viewer[:, :2])[:, None]
    hit = surface.deepest.expand(start.shape[:2])
    met = torch.zeros(start.shape[:2], dtype=torch.bool)
    before = torch.full(start.shape[:2], START_BELOW)
    for step in range(SIGHT_STEPS + 1):
        deep = surface.deepest * step / SIGHT_STEPS
        below = deep - surface.depth(start + per_depth * deep[..., None])
        new = (below >= 0) & ~met
        part = (-before / (below - before + 1e-9)).clamp(0, 1)
        hit = torch.where(new, (surface.deepest * (step - 1 + part) / SIGHT_STEPS).clamp(min=0), hit)
        met, before = met | new, below
    return start + per_depth * hit[..., None]


def unshadowed(surface: Surface, turns: Tensor, depth: Tensor, lamp: Tensor) -> Tensor:
    """Share of a lamp (local direction, scenes × 3) that reaches points, (scenes, points)."""
    sideways = lamp[:, :2] / lamp[:, 2:].clamp(min=LEAST_ELEVATION_SIN)
    per_rise = torch.einsum("bij,bj->bi", surface.lattice.turns_per_pitch, sideways)[:, None]
    share = torch.ones_like(depth)
    for at in SHADOW_AT:
        rise = depth * at
        buried = (depth - rise) - surface.depth(turns + per_rise * rise[..., None])
        share = torch.minimum(share, 1 - (buried / (SHADOW_EDGE + SHADOW_EDGE_GROWTH * rise)).clamp(0, 1))
    return share


def reflected(light: Light, k: int, normal: Tensor, mirrored: Tensor, lamp: Tensor) -> Tensor:
    """Matt part and highlight of one lamp at unit power, (scenes, points)."""
    sharpness = light.sharpness[:, k, None]
    matt = torch.relu((normal * lamp[:, None]).sum(-1))
    highlight = torch.exp(sharpness * ((mirrored * lamp[:, None]).sum(-1) - 1))
    gain = HIGHLIGHT_GAIN * sharpness**HIGHLIGHT_POWER
    return light.matt[:, None] * matt + light.gloss[:, None] * gain * highlight


def random_photo(draw: Draw) -> Photo:
    exposure = draw.uniform(*EXPOSURE)
    fine = draw.chance(FINE_SHARE)
    blur = torch.where(fine, draw.uniform(*FINE_BLUR), draw.uniform(*COARSE_BLUR))
    smear = [draw.uniform(0, SMEAR_TURNS)[:, None] * draw.uniform(0, 1, len(ARCS_DEG)) for _ in range(2)]
    return Photo(exposure, blur, (smear[0], smear[1]), draw.chance(ENCODED_SHARE))


def taken(photo: Photo, seen: Tensor, lattice: Lattice, view: View) -> Tensor:
    """Exposed, clipped, blurred, encoded: (scenes, arcs, CELL, CELL), the root of the grey value as the fold has it."""
    white = torch.quantile(seen.flatten(1), WHITE_QUANTILE, dim=1).clamp(min=1e-3)
    exposed = (seen / white[:, None, None, None] * photo.exposure[:, None, None, None]).clamp(0, 1)
    grey = blurred(exposed, blur_spread(photo, lattice, view)).clamp(min=0)
    grey = torch.where(photo.encoded[:, None, None, None], grey ** (1 / GAMMA), grey)
    return torch.sqrt(grey + 1e-4)


def blur_spread(photo: Photo, lattice: Lattice, view: View) -> Tensor:
    """Σ (frequency · sigma)², (scenes, arcs, CELL, CELL): of the lens, foreshortened around the part, and the fold."""
    turns = fold_frequencies()
    pitches = torch.einsum("pi,bij->bpj", turns, lattice.turns_per_pitch)[:, None]  # cycles per pitch along x and y
    along = photo.blur[:, None, None] ** 2
    around = (photo.blur[:, None] / torch.cos(view.sight))[..., None] ** 2
    spread = pitches[..., 0] ** 2 * along + pitches[..., 1] ** 2 * around
    for axis, smear in enumerate(photo.smear):
        spread = spread + turns[:, axis] ** 2 * smear[..., None] ** 2
    spread = spread + (turns**2).sum(-1) * (SPLAT_SAMPLES / CELL) ** 2
    return spread.reshape(*spread.shape[:2], CELL, CELL)


def fold_frequencies() -> Tensor:
    """Cycles per turn of both phases, (CELL², 2), in the order of fft2."""
    k = torch.fft.fftfreq(CELL, 1 / CELL)
    return torch.stack(torch.meshgrid(k, k, indexing="ij"), -1).reshape(-1, 2)


def as_folded(draw: Draw, grey: Tensor) -> Tensor:
    """With the noise that folding leaves, each cell at mean 0 and spread 1."""
    cells = grey - grey.mean((2, 3), keepdim=True)
    grain = (fold_frequencies() ** 2).sum(-1).reshape(CELL, CELL) * (NOISE_GRAIN_SAMPLES / CELL) ** 2
    noise = blurred(draw.normal(len(ARCS_DEG), CELL, CELL), grain)
    share = draw.uniform(*NOISE_SHARE)[:, None, None, None]
    cells = cells + noise / noise.std() * (share * cells.std((2, 3), keepdim=True) + NOISE_FLOOR)
    return cells / (cells.std((2, 3), keepdim=True) + LEAST_SPREAD)


def draw_sheet(path: Path, seed: int) -> None:
    """A picture of 16 scenes, every cell tiled 2 × 2, with what is true of them on the left."""
    import cv2
    import numpy as np

    scenes = random_scenes(16, torch.Generator().manual_seed(seed))
    strips = []
    for i in range(16):
        label = np.zeros((110, 150), np.uint8)
        lines = [f"{n} {float(v[i]):.2f}" for n, v in vars(scenes.grooves).items()]
        for row, text in enumerate([*lines, f"other ratio {float(scenes.other.ratio[i]):.2f}"]):
            cv2.putText(label, text, (2, 20 + 22 * row), 0, 0.4, 255)
        tiled = np.clip(64 * (np.tile(scenes.cells[i].numpy(), (1, 2, 2)) + 2), 0, 255).astype(np.uint8)
        cells = [cv2.resize(cell, (110, 110), interpolation=cv2.INTER_NEAREST) for cell in tiled]
        strips.append(np.hstack([label, *cells]))
    cv2.imwrite(str(path), np.vstack([np.hstack(strips[i : i + 2]) for i in range(0, 16, 2)]))


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit("cell_scenes.py: no picture named; type: python tests/bench/cell_scenes.py sheet.png")
    draw_sheet(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0)
