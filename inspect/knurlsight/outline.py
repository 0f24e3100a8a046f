"""Find the knurled parts in a photo: silhouette, axis, pose and the ends of the knurled zone.

Patches of fine contrast (`texture`) suggest where; lines where the statistics change (`silhouette`) suggest edges; the
pattern decides. Rolled out between the right two edges a knurl repeats: its spectrum is concentrated in a few bins and
more so than when the same patch is taken as flat. Rules, cloth and perforated boards are flat, threads are rings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder, cylinder_from_silhouette
from photoscale.photo import Photo

from knurlsight.model import Outline
from knurlsight.profile import part_profile
from knurlsight.silhouette import Edge, EdgeCandidate, edge_candidates, refine_edge
from knurlsight.spectrum import axes_of, concentration, peaks_of, power_of, presence_at_limbs, prominence
from knurlsight.start import quick_look
from knurlsight.texture import Patch, texture_patches
from knurlsight.trace import zone_corners
from knurlsight.unroll import roll_out
from knurlsight.zone import main_families, zone_of

Array = NDArray[np.float64]

LOOK_ARC_DEG = 50.0
LOOK_ROWS = 128
LEAST_CONCENTRATION = 4.0
# a flat pattern rolled out as a cylinder loses this much concentration (log); knurls on path-traced photos: -0.1 to 0.3
FLAT_GAIN = -0.35
RING_SLOPE = 0.45  # |around| / along below which lines are taken as rings
MOST_PATCHES = 14
LEAST_AT_LIMBS = 0.35
LEAST_PITCHES = 6.0  # of the main family across the patch
LEAST_PITCH_PX = 4.0
USUAL_TIP_RAD = 0.14
USUAL_SLANT = 0.3
STEEPEST_VIEW = 0.6  # tangent of the angle by which the axis may run towards or away from the camera
U_EDGE_SHARE = 0.0013  # of the width, each edge: what light at the limb does (path-traced photos)


@dataclass(frozen=True)
class Guess:
    """A pair of edges with what the pattern says of it."""

    score: float
    edges: Array  # (2, 2, 2): [edge][end][x, y]
    cylinder: Cylinder
    span_z: tuple[float, float]
    concentration: float
    gain: float
    evidence: float


def find_parts(photo: Photo, camera: Camera, most: int | None = None) -> tuple[Outline, ...]:
    """All knurled parts of a photo, the clearest first; empty when there is none.

    Parameters
    ----------
    photo : Photo
    camera : Camera
        As far as it is known; a focal length wrong by a third moves the pitch by 1 to 2 %.
    most : int, optional
        Stop after so many parts.
    """
    ranked: list[tuple[float, Guess]] = []
    for patch in texture_patches(photo.grey)[: MOST_PATCHES if most == 1 else 6 * MOST_PATCHES]:
        guess = best_guess(photo.grey, camera, patch)
        if guess is not None:
            worth = worth_of(photo.grey, camera, guess)
            if worth > 0:
                ranked.append((worth, guess))
    ranked.sort(key=lambda item: -item[0])
    ranked = sorted((_looked_at(photo.grey, camera, w, g) for w, g in _contenders(ranked, most)), key=lambda i: -i[0])
    kept: list[Outline] = []
    for worth, guess in ranked:
        if worth <= 0:
            break
        middle = guess.edges.reshape(-1, 2).mean(axis=0)
        if any(_covers(outline, middle) for outline in kept):
            continue
        outline = outline_from(photo.grey, camera, guess)
        if outline is None:
            continue
        centre = zone_corners(outline).mean(axis=0)
        if all(not _covers(other, centre) for other in kept):
            kept.append(outline)
        if len(kept) == most:
            break
    return tuple(kept)


def _contenders(ranked: list[tuple[float, Guess]], most: int | None) -> list[tuple[float, Guess]]:
    """Those that may still win: a handful for one part, for a tray all that are not hopeless."""
    if not ranked:
        return []
    least = (0.12 if most == 1 else 0.005) * ranked[0][0]
    return [item for item in ranked if item[0] > least][: 4 if most == 1 else 60]


def _looked_at(grey: NDArray[np.uint8], camera: Camera, worth: float, guess: Guess) -> tuple[float, Guess]:
    """Worth once the flank model has had a look: the definite test, and the dearest."""
    zone = zone_of(grey, camera, guess.cylinder, guess.span_z)
    if zone is None:
        return 0.0, guess
    left, families = quick_look(grey, camera, guess.cylinder, zone.span_z)
    slant = float(sum(zone.span_z)) / 2 / guess.cylinder.distance
    usual = float(np.exp(-((slant / USUAL_SLANT) ** 2)))
    return worth * usual * max(0.0, 1 - left) ** 3 * (1.0 if families == 2 else 0.5), guess


def worth_of(grey: NDArray[np.uint8], camera: Camera, guess: Guess) -> float:
    """How much knurl there is, to rank by: size, pitches seen, how far the lines stand out; 0 when it is none.

    Smooth things (pins, plain metal, digits) have all their power at the slowest frequencies let through and few
    "pitches", threads are small, cloth and rules gain nothing by being rolled out.
    """
    z0, z1 = guess.span_z
    margin = 0.06 * (z1 - z0)
    arc = np.radians(46.0)
    width = float(np.hypot(*(guess.edges[1] - guess.edges[0]).mean(axis=0)))
    rows = int(np.clip(1.6 * width / 2, 64, 256))
    columns = int(np.clip(rows * (z1 - z0) / (2 * arc), 48, 400))
    surface = roll_out(
        grey, camera, guess.cylinder, np.linspace(-arc, arc, rows), np.linspace(z0 + margin, z1 - margin, columns)
    )
    power = power_of(surface.brightness)
    families = main_families(peaks_of(surface, power))
    if not families:
        return 0.0
    first = families[0]
    cycles = float(np.hypot(2 * arc * first.around, 0.88 * (z1 - z0) * first.along))
    pitch_px = first.pitch * width / 2
    if cycles < LEAST_PITCHES or pitch_px < LEAST_PITCH_PX:
        return 0.0
    pitches = 2 * arc * (z1 - z0) / first.pitch**2
    stands_out = prominence(power, first, *axes_of(surface))
    area = width * width / 2 * (z1 - z0)
    return float(np.sqrt(stands_out * pitches * area) * np.exp(3 * min(guess.gain, 0.4) + guess.score / 4))


def best_guess(grey: NDArray[np.uint8], camera: Camera, patch: Patch) -> Guess | None:
    """The likeliest pair of silhouette edges for a patch, along either of its directions; None if none is a knurl."""
    best: Guess | None = None
    for turned in (False, True):
        along = np.array([-patch.direction[1], patch.direction[0]]) if turned else patch.direction
        length, width = patch.side[::-1] if turned else patch.side
        chosen = max(_guesses(grey, camera, patch.centre, along, length, width), key=lambda g: g.score, default=None)
        if chosen is None:
            continue
        # between the two directions sizes do not compare; the limb does
        if best is None or _direction_score(chosen) > _direction_score(best):
            best = chosen
    if best is None or best.concentration < LEAST_CONCENTRATION or best.gain < FLAT_GAIN:
        return None
    return best


def _direction_score(guess: Guess) -> float:
    return float(3 * np.log(guess.concentration) + 8 * min(guess.gain, 0.3) + guess.evidence)


def _guesses(
    grey: NDArray[np.uint8], camera: Camera, centre: Array, along: Array, length: float, width: float
) -> Iterator[Guess]:
    across = np.array([-along[1], along[0]])
    lower, upper = edge_candidates(grey, centre, along, length, width)
    for a in lower:
        for b in upper:
            guess = _judge(grey, camera, (a, b), centre, along, across, length, width)
            if guess is not None:
                yield guess


def _judge(
    grey: NDArray[np.uint8],
    camera: Camera,
    pair: tuple[EdgeCandidate, EdgeCandidate],
    centre: Array,
    along: Array,
    across: Array,
    length: float,
    width: float,
) -> Guess | None:
    a, b = pair
    apart = b.offset - a.offset
    if not 0.75 * width < apart < 2.15 * width or abs(a.slope - b.slope) > 0.06:
        return None
    edges = np.stack([c.line(centre, along, across, length / 2) for c in pair])
    try:
        cylinder = cylinder_from_silhouette(camera, edges[0], edges[1])
    except ValueError:
        return None
    z0, z1 = _span(camera, cylinder, edges)
    if abs(z0 + z1) / 2 > STEEPEST_VIEW * cylinder.distance:
        return None
    margin = 0.1 * (z1 - z0)
    arc = np.radians(LOOK_ARC_DEG)
    theta = np.linspace(-arc, arc, LOOK_ROWS)
    columns = int(np.clip(LOOK_ROWS * (z1 - z0) / (2 * arc), 48, 256))
    heights = np.linspace(z0 + margin, z1 - margin, columns)
    round_ = roll_out(grey, camera, cylinder, theta, heights)
    power = power_of(round_.brightness)
    flat_theta = np.arcsin(np.linspace(-1, 1, LOOK_ROWS) * np.sin(arc))
    flat = power_of(roll_out(grey, camera, cylinder, flat_theta, heights).brightness)
    around, up = axes_of(round_)
    ring = np.abs(around)[:, None] < RING_SLOPE * up[None]
    if power[~ring].max(initial=0) < 0.1 * power[ring].max(initial=0):
        return None
    repeat = concentration(power)
    gain = float(np.log(max(repeat, 1e-9) / max(concentration(flat), 1e-9)))
    lines = np.where(ring, 0, power)
    limbs = 3 * np.log(np.clip(presence_at_limbs(round_.brightness, theta, lines) / LEAST_AT_LIMBS, 0.01, 1.0))
    evidence = min(a.evidence, 2.0) + min(b.evidence, 2.0)
    # the wider of two good pairs is the right one: inner ridges are bright bands on the part
    score = 3 * np.log(repeat) + 4 * np.log(apart / width) + 3 * min(gain, 0.7) + evidence + limbs
    capped = min(a.evidence, 1.5) + min(b.evidence, 1.5)
    return Guess(float(score), edges, cylinder, (z0, z1), repeat, gain, float(capped + limbs))


def outline_from(grey: NDArray[np.uint8], camera: Camera, guess: Guess) -> Outline | None:
    """Refine a guess: ends of the zone, edges on the envelope of the crests over just that zone, pose."""
    zone = zone_of(grey, camera, guess.cylinder, guess.span_z)
    if zone is None:
        return None
    edges: list[Edge] = []
    reach = max(6.0, 0.03 * float(np.hypot(*(guess.edges[1] - guess.edges[0]).mean(axis=0))))
    for k in (0, 1):
        line = _over_zone(camera, guess, k, zone.span_z)
        inward = guess.edges[1 - k].mean(axis=0) - guess.edges[k].mean(axis=0)
        edge = refine_edge(grey, line, inward / np.hypot(*inward), reach)
        edges.append(edge or Edge(line, max(1.0, 0.2 * reach), 0.3 * reach, 0))
    lines = np.stack([e.line for e in edges])
    lines = _ordered(_levelled(camera, lines, float(np.hypot(edges[0].u_skew_px, edges[1].u_skew_px))))
    try:
        cylinder = cylinder_from_silhouette(camera, lines[0], lines[1])
    except ValueError:
        return None
    zone = zone_of(grey, camera, cylinder, _span(camera, cylinder, lines), fine=True) or zone
    profile, part = part_profile(grey, camera, cylinder, zone.span_z)
    notes = tuple(
        f"the edge of the part {'above' if k == 0 else 'below'} cannot be told well from its background"
        for k, e in enumerate(edges)
        if e.columns == 0
    )
    return Outline(
        camera=camera,
        cylinder=cylinder,
        edges_px=lines,
        u_edge_px=float(
            np.hypot(max(e.u_px for e in edges), U_EDGE_SHARE * np.hypot(*(lines[1] - lines[0]).mean(axis=0)))
        ),
        zone_z=zone.span_z,
        profile_zr=profile,
        part_px=part,
        cut=zone.cut,
        notes=notes,
    )


def _levelled(camera: Camera, edges: Array, u_skew: float) -> Array:
    """Edges whose taper is weighed against what a part lying about level to the camera can show.

    The taper alone says how the axis tips towards the camera, and on a short knob a pixel is worth 5°. Parts lie level
    or on rim and stud, and photos are taken from above: within 8° or so (common practice).
    """
    apart = edges[1] - edges[0]
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    across = np.array([-along[1], along[0]]) / length
    widths = np.abs(apart @ across)
    taper = float(widths[1] - widths[0])
    width = float(widths.mean())
    distance = 2 * camera.focal_px / width  # in radii, near enough
    usual = width * (2 * length / width) / distance * USUAL_TIP_RAD
    kept = taper * usual**2 / (usual**2 + u_skew**2)
    sign = np.sign(apart.mean(axis=0) @ across)
    shift = 0.25 * (taper - kept) * sign * across
    fixed = edges.copy()
    fixed[0, 0], fixed[1, 0] = edges[0, 0] - shift, edges[1, 0] + shift
    fixed[0, 1], fixed[1, 1] = edges[0, 1] + shift, edges[1, 1] - shift
    return fixed


def _span(camera: Camera, cylinder: Cylinder, edges: Array) -> tuple[float, float]:
    _, z, _ = cylinder.meet(camera.rays(edges.reshape(-1, 2)))
    ends = z.reshape(2, 2).mean(axis=0)
    return float(ends.min()), float(ends.max())


def _over_zone(camera: Camera, guess: Guess, side: int, span_z: tuple[float, float]) -> Array:
    """The guessed edge, cut to the zone: points of the limb at the zone's two ends, put onto the guessed line."""
    line = guess.edges[side]
    direction = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    limb = guess.cylinder.limb_rad
    z = np.array(span_z)
    both = [camera.project(guess.cylinder.points(np.full(2, t), z)) for t in (-limb, limb)]
    near = min(both, key=lambda p: float(np.abs(p.mean(axis=0) - line.mean(axis=0)).sum()))
    return np.asarray(line[0] + ((near - line[0]) @ direction)[:, None] * direction)


def _ordered(edges: Array) -> Array:
    """Ends and edges in the order of the contract: end 1 left (upper when the axis stands), the upper edge first."""
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    standing = abs(along[1]) >= abs(along[0])
    if along[1 if standing else 0] < 0:
        edges = edges[:, ::-1]
    middle = edges.mean(axis=1)
    first = np.argmin(middle[:, 0 if standing else 1])
    return np.asarray(edges[[first, 1 - first]])


def _covers(outline: Outline, point: Array) -> bool:
    polygon = zone_corners(outline).astype(np.float32)
    return cv2.pointPolygonTest(polygon, (float(point[0]), float(point[1])), False) >= 0
