"""Find the knurled parts in a photo: silhouette, axis, pose and the ends of the knurled zone.

Patches of fine contrast (`texture`), or of even lines where many parts may lie (`repeating`), suggest where; lines
where the statistics change (`silhouette`) suggest edges; the pattern decides (`wrapping`): between the right two edges
one number of teeth explains it, and more of the photo's width than between any others. What is flat in the end
(`knurl_or_not`) is left out: cloth, mesh, boards of holes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, product

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder, cylinder_from_silhouette
from photoscale.photo import Photo

from knurlsight.finding.knurl_or_not import roundness
from knurlsight.finding.profile import part_profile
from knurlsight.finding.repeating import repeating_patches
from knurlsight.finding.shadow import HIDDEN, Shadow, shadows_beside
from knurlsight.finding.silhouette import Edge, EdgeCandidate, edge_candidates, refine_edge, sample
from knurlsight.finding.texture import Patch, pyramid, texture_patches
from knurlsight.finding.tips import tips
from knurlsight.finding.wrapping import Rows, Wrap, rows_of, wraps
from knurlsight.measuring.spectrum import axes_of, peaks_of, power_of, prominence
from knurlsight.measuring.start import quick_look
from knurlsight.measuring.trace import zone_corners
from knurlsight.measuring.unroll import roll_out
from knurlsight.measuring.zone import main_families, zone_of
from knurlsight.model import Outline
from knurlsight.side_by_side import Each, in_turn

Array = NDArray[np.float64]

# what the best pair explains of its width; flat patterns gain less than nothing by being taken round a cylinder
LEAST_SHARE = 0.06
FLAT_GAIN = -0.25
EXPLAINED = 6.0  # weight of the logarithm of what is explained against the evidence of the edges
SLOPE_STEP = 0.02
ROWS_ACROSS = 300.0
MOST_WIDER = 4.5  # a part is at most so much wider than the lit strip of it that was noticed
PAIRS_LOOKED_AT = 4
MOST_GROWTHS = 3  # of a strip into the part that it lies on
LEAST_BETTER = 0.5  # in score
AS_GOOD, MOST_OUTWARDS = 0.9, 1.2  # in score; in width
CLEARER, LEAST_ROUND, LEAST_EDGES = 1.2, 0.1, 1.5  # share against that of several parts taken as one; gain; evidence
THE_SAME, MUCH_ALIKE = 0.01, 0.05  # corners of two pairs of edges, apart in widths
ALIKE = 1.2  # parts of one tray differ in width by no more
LIKE_THE_OTHERS, FEWEST_ALIKE = 0.03, 4  # usually by no more than this, of the width; parts to tell it from
CLEAR_EDGES = 2.2  # evidence of two edges
CLEAR = 3.0  # evidence of two edges beyond which more says nothing
OUTWARDS = 2.0  # evidence that a wider pair of edges counts for, by the logarithm of its width
SAME_DIRECTION = 0.985  # cosine: 10°
MOST_PATCHES = 14
LEAST_PITCHES = 6.0  # of the main family across the patch
LEAST_PITCH_PX = 4.0
USUAL_TIP_RAD = 0.14
USUAL_SLANT = 0.3
STEEPEST_VIEW = 0.6  # tangent of the angle by which the axis may run towards or away from the camera
U_EDGE_SHARE = 0.0013  # of the width, each edge: what light at the limb does (path-traced photos)


@dataclass(frozen=True)
class Reach:
    """How far a guess may go from its patch.

    Attributes
    ----------
    most_wide : float
        Lengths of the patch that its part is wide at most: knurls shorter than their radius are rare (common practice).
    u_skew_px : float
        How far the two ends of a part may seem to differ in width by chance, to be weighed against lying level.
    """

    most_wide: float
    u_skew_px: float


# a lit strip may be all that was noticed of a single part; among many, the next part is near
ALONE, AMONG_MANY = Reach(np.inf, 0.0), Reach(2.0, 2.0)


@dataclass(frozen=True)
class Guess:
    """A pair of edges with what the pattern says of it.

    Attributes
    ----------
    edges : (2, 2, 2) array
        [edge][end][x, y].
    cylinder : Cylinder
    span_z : (float, float)
    wrap : Wrap
    gain : float
        Logarithm of how much more is explained round a cylinder than on a flat thing.
    evidence : float
        Of the two edges.
    """

    edges: Array
    cylinder: Cylinder
    span_z: tuple[float, float]
    wrap: Wrap
    gain: float
    evidence: float

    @property
    def length_px(self) -> float:
        """Along the axis."""
        return float(np.hypot(*(self.edges[:, 1] - self.edges[:, 0]).mean(axis=0)))

    @property
    def width_px(self) -> float:
        """Across the axis."""
        return float(np.hypot(*(self.edges[1] - self.edges[0]).mean(axis=0)))

    @property
    def score(self) -> float:
        """To choose between pairs of edges along one direction."""
        return _worth(self.wrap) + 4 * min(self.gain, 0.3) + self.evidence

    @property
    def direction_score(self) -> float:
        """To choose between two directions of the axis, where widths do not compare."""
        return float(EXPLAINED * np.log(self.wrap.share) + 8 * min(self.gain, 0.4) + 0.5 * self.evidence)


def find_parts(
    photo: Photo, camera: Camera, most: int | None = None, avoid: Sequence[Array] = (), each: Each = in_turn
) -> tuple[Outline, ...]:
    """All knurled parts of a photo, the clearest first; empty when there is none.

    Parameters
    ----------
    photo : Photo
    camera : Camera
        As far as it is known; a focal length wrong by a third moves the pitch by 1 to 2 %.
    most : int, optional
        Stop after so many parts.
    avoid : sequence of (k, 2) arrays
        Corners px of what is known to be no part: a card, a rule.
    each : callable
        Looks at patches and guesses, which is most of the work where there are many.
    """
    sizes = pyramid(photo.grey)
    contrasty = _free(texture_patches(photo.grey), avoid)[: MOST_PATCHES if most == 1 else 6 * MOST_PATCHES]
    ranked = _ranked(sizes, camera, contrasty, ALONE, each)
    everything = [g for _, g in ranked]
    settle = partial(_settled, sizes, camera, everything, ALONE)
    look = partial(_looked_at, photo.grey, camera)
    ranked = sorted(each(look, _different(each(settle, _contenders(ranked, most)), THE_SAME)), key=lambda i: -i[0])
    kept = _outlines(photo.grey, camera, ranked, most, avoid, ())
    if most == 1:
        return kept
    # parts that touch, or whose ends are as bright: by where lines are even. Parts of one tray are alike in width;
    # grain, shadows, threads and several parts taken as one are not, and do not stand in their way
    patches = _free(repeating_patches(photo.grey, each), avoid)[: 6 * MOST_PATCHES]
    even = _ranked(sizes, camera, patches, AMONG_MANY, each)
    everything = [g for _, g in even]
    usual = float(np.median([*(_width(o) for o in kept), *(g.width_px for g in everything)] or [0.0]))
    solid = tuple(o for o in kept if usual / ALIKE < _width(o) < usual * ALIKE)
    taken = [zone_corners(o) for o in solid]
    apart = [
        (w, g)
        for w, g in _contenders(even, most)
        if not any(_inside(g.edges.mean(axis=(0, 1)), corners) for corners in taken)
    ]
    contenders = [
        (w, g)
        for w, g in _different(each(partial(_settled, sizes, camera, everything, AMONG_MANY), apart), MUCH_ALIKE)
        if g.evidence > CLEAR_EDGES and not _holds_two(g, everything)
    ]
    contenders = [(w, g) for w, g in contenders if usual / ALIKE < g.width_px < usual * ALIKE]
    ranked = sorted(each(look, contenders), key=lambda i: -i[0])
    found = _outlines(photo.grey, camera, ranked, most, avoid, solid)
    found = (*found, *(o for o in kept if not usual / ALIKE < _width(o) < usual * ALIKE))
    width = _common_width(found)
    return found if width is None else tuple(each(partial(_as_usual, photo.grey, sizes, camera, width), found))


def _common_width(outlines: Sequence[Outline]) -> float | None:
    """The width px that most parts have about; None where too few are alike."""
    widths = np.array([_width(o) for o in outlines])
    alike = np.abs(np.log(widths[:, None] / widths)) < np.log(ALIKE) / 2
    count = alike.sum(axis=1)
    return float(np.median(widths[alike[int(count.argmax())]])) if count.max(initial=0) >= FEWEST_ALIKE else None


def _as_usual(
    grey: NDArray[np.uint8], sizes: tuple[NDArray[np.uint8], ...], camera: Camera, usual: float, outline: Outline
) -> Outline:
    """An outline that is a little off the usual width of a tray's parts, looked at once more: are there edges as usual?

    A streak of light inside a part, or a shadow's edge beside it, is taken for its edge now and then. Edges at the
    usual width must be seen, and explain the pattern about as well; else the part is what it seems to be.
    """
    if not LIKE_THE_OTHERS < abs(_width(outline) / usual - 1) < ALIKE - 1:
        return outline
    along = (outline.edges_px[:, 1] - outline.edges_px[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    middle = outline.edges_px.mean(axis=(0, 1))
    guesses = _guesses(sizes, camera, middle, along / length, length, 0.97 * usual, AMONG_MANY)
    guesses = [g for g in guesses if g.wrap.share > LEAST_SHARE and g.gain > FLAT_GAIN]
    most = max((g.score for g in guesses), default=0.0)
    alike = [
        g
        for g in guesses
        if abs(g.width_px / usual - 1) < LIKE_THE_OTHERS and g.evidence > CLEAR_EDGES and g.score > most - LEAST_BETTER
    ]
    best = max(alike, key=lambda g: g.score, default=None)
    return (outline_from(grey, camera, best) or outline) if best is not None else outline


def _width(outline: Outline) -> float:
    """Across the axis, px."""
    return float(np.hypot(*(outline.edges_px[1] - outline.edges_px[0]).mean(axis=0)))


def _ranked(
    sizes: tuple[NDArray[np.uint8], ...], camera: Camera, patches: Sequence[Patch], reach: Reach, each: Each
) -> list[tuple[float, Guess]]:
    """The likeliest guess of each patch that has any worth, the best first."""
    guesses = [g for g in each(partial(_likeliest, sizes, camera, reach), patches) if g is not None]
    return sorted(guesses, key=lambda item: -item[0])


def _likeliest(
    sizes: tuple[NDArray[np.uint8], ...], camera: Camera, reach: Reach, patch: Patch
) -> tuple[float, Guess] | None:
    guess = best_guess(sizes, camera, patch, reach)
    if guess is None:
        return None
    worth = worth_of(sizes[0], camera, guess)
    return (worth, guess) if worth > 0 else None


def _outlines(
    grey: NDArray[np.uint8],
    camera: Camera,
    ranked: Sequence[tuple[float, Guess]],
    most: int | None,
    avoid: Sequence[Array],
    there: tuple[Outline, ...],
) -> tuple[Outline, ...]:
    """Outlines of guesses, the best first, where none of those before lies; after those that are `there` already."""
    kept = list(there)
    for worth, guess in ranked:
        if worth <= 0:
            break
        middle = guess.edges.reshape(-1, 2).mean(axis=0)
        if any(_covers(outline, middle) for outline in kept) or any(_inside(middle, corners) for corners in avoid):
            continue
        outline = outline_from(grey, camera, guess)
        if outline is None:
            continue
        round_ = roundness(grey, outline)
        if round_ is not None and (round_.flat or round_.too_wide):
            if most == 1:
                break  # what is clearer than all the rest is what the photo shows, even if it is flat or edgeless
            continue
        centre = zone_corners(outline).mean(axis=0)
        if all(not _covers(other, centre) for other in kept):
            kept.append(outline)
        if len(kept) == most:
            break
    return tuple(kept)


def _free(patches: Sequence[Patch], avoid: Sequence[Array]) -> list[Patch]:
    """Patches that do not lie on what is known to be no part."""
    return [p for p in patches if not any(_inside(p.centre, corners) for corners in avoid)]


def _holds_two(guess: Guess, others: Sequence[Guess]) -> bool:
    """Whether two that lie apart and look rounder by themselves lie in a guess: it is several parts side by side."""
    corners = _corners(guess)
    inside = [
        o
        for o in others
        if o.wrap.share > CLEARER * guess.wrap.share
        and o.gain > LEAST_ROUND
        and o.evidence > LEAST_EDGES
        and o.width_px * o.length_px < 0.7 * guess.width_px * guess.length_px
        and _inside(o.edges.mean(axis=(0, 1)), corners)
    ]
    return any(
        not _inside(a.edges.mean(axis=(0, 1)), _corners(b)) and not _inside(b.edges.mean(axis=(0, 1)), _corners(a))
        for a, b in combinations(inside, 2)
    )


def _corners(guess: Guess) -> Array:
    return np.asarray(np.vstack([guess.edges[0], guess.edges[1, ::-1]]))


def _different(ranked: list[tuple[float, Guess]], apart: float) -> list[tuple[float, Guess]]:
    """The best of those that have settled on the same pair of edges, within so many widths."""
    kept: list[tuple[float, Guess]] = []
    for worth, guess in ranked:
        near = apart * guess.width_px
        if all(np.abs(guess.edges - other.edges).max() > near for _, other in kept):
            kept.append((worth, guess))
    return kept


def _contenders(ranked: list[tuple[float, Guess]], most: int | None) -> list[tuple[float, Guess]]:
    """Those that may still win: a handful for one part, for a tray all that are not hopeless."""
    if not ranked:
        return []
    least = (0.12 if most == 1 else 0.005) * ranked[0][0]
    return [item for item in ranked if item[0] > least][: 4 if most == 1 else 60]


def _settled(
    sizes: tuple[NDArray[np.uint8], ...],
    camera: Camera,
    everything: list[Guess],
    reach: Reach,
    contender: tuple[float, Guess],
) -> tuple[float, Guess]:
    """The best pair of edges for the part that a guess lies on.

    A lit strip along a part makes a patch, and a guess, of its own. Of all guesses on the same part the one that
    explains most is taken, and looked at once more from its own middle.
    """
    worth, guess = contender
    best = max((g for g in everything if _same_part(guess, g)), key=lambda g: g.score)
    for _ in range(MOST_GROWTHS):
        along = (best.edges[:, 1] - best.edges[:, 0]).mean(axis=0)
        middle = best.edges.mean(axis=(0, 1))
        again = _guesses(sizes, camera, middle, along / np.hypot(*along), best.length_px, 0.97 * best.width_px, reach)
        better = _outermost([best, *(g for g in again if _same_pattern(best, g) or _grown(best, g))])
        if better.score <= best.score + LEAST_BETTER:
            return worth, better
        best = better
    return worth, best


def _outermost(guesses: list[Guess]) -> Guess:
    """The best guess, or that about it of nearly as good ones with the clearest edges: bands of light lie inside."""
    best = max(guesses, key=lambda g: g.score)
    near = [
        g
        for g in guesses
        if g.score > best.score - AS_GOOD and g.width_px < MOST_OUTWARDS * best.width_px and _encloses(g, best)
    ]
    return max(near, key=lambda g: min(g.evidence, CLEAR) + OUTWARDS * np.log(g.width_px), default=best)


def _encloses(outer: Guess, inner: Guess) -> bool:
    """Whether both edges of a guess lie on those of another or outside."""
    along = (inner.edges[:, 1] - inner.edges[:, 0]).mean(axis=0) / inner.length_px
    across = np.array([-along[1], along[0]])
    a, b = (np.sort(g.edges.mean(axis=1) @ across) for g in (inner, outer))
    slack = 0.04 * inner.width_px
    return bool(b[0] < a[0] + slack and b[1] > a[1] - slack)


def _grown(a: Guess, b: Guess) -> bool:
    """Whether a guess is another's strip taken out to the edges of the whole part, and round as a part is.

    Few lines of a strip are seen, so that what they seem to count is not compared.
    """
    round_enough = b.wrap.share > LEAST_SHARE and b.gain > FLAT_GAIN
    return round_enough and b.score > a.score + LEAST_BETTER and _encloses(b, a)


def _same_pattern(a: Guess, b: Guess) -> bool:
    """Whether two guesses see the same lines: as far apart around and as often along, and about as clearly."""
    around_a, around_b = a.width_px / a.wrap.teeth, b.width_px / b.wrap.teeth
    along_a, along_b = a.wrap.cycles / a.length_px, b.wrap.cycles / b.length_px
    return bool(
        abs(np.log(around_a / around_b)) < 0.25
        and abs(along_a - along_b) < 0.08 * along_a + 0.7 / min(a.length_px, b.length_px)
        and b.wrap.share > 0.6 * a.wrap.share
    )


def _same_part(a: Guess, b: Guess) -> bool:
    """Whether two guesses have one axis direction, lie over each other and see the same lines."""
    if not _same_pattern(a, b):
        return False
    along_a, along_b = ((g.edges[:, 1] - g.edges[:, 0]).mean(axis=0) / g.length_px for g in (a, b))
    if abs(float(along_a @ along_b)) < SAME_DIRECTION:
        return False
    apart = a.edges.mean(axis=(0, 1)) - b.edges.mean(axis=(0, 1))
    across = np.array([-along_b[1], along_b[0]])
    wider, longer = max(a.width_px, b.width_px), max(a.length_px, b.length_px)
    return bool(abs(apart @ across) < 0.5 * wider and abs(apart @ along_b) < 0.5 * longer)


def _looked_at(grey: NDArray[np.uint8], camera: Camera, contender: tuple[float, Guess]) -> tuple[float, Guess]:
    """Worth once the flank model has had a look: the definite test, and the dearest."""
    worth, guess = contender
    zone = zone_of(grey, camera, guess.cylinder, guess.span_z)
    if zone is None:
        return 0.0, guess
    left, families = quick_look(grey, camera, guess.cylinder, zone.span_z)
    slant = float(sum(zone.span_z)) / 2 / guess.cylinder.distance
    usual = float(np.exp(-((slant / USUAL_SLANT) ** 2)))
    return worth * usual * max(0.0, 1 - left) ** 3 * (1.0 if families == 2 else 0.5), guess


def worth_of(grey: NDArray[np.uint8], camera: Camera, guess: Guess) -> float:
    """How much knurl there is, to rank by: the area explained and how round it is; 0 when it is none.

    Smooth things (pins, plain metal, digits) show too few lines, threads and rules none that go round.
    """
    z0, z1 = guess.span_z
    margin = 0.06 * (z1 - z0)
    arc = np.radians(46.0)
    rows = int(np.clip(1.6 * guess.width_px / 2, 64, 256))
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
    pitch_px = first.pitch * guess.width_px / 2
    if cycles < LEAST_PITCHES or pitch_px < LEAST_PITCH_PX:
        return 0.0
    stands_out = prominence(power, first, *axes_of(surface))
    pitches = 2 * arc * (z1 - z0) / first.pitch**2
    area = guess.width_px * guess.length_px
    return float(np.sqrt(stands_out * pitches * area) * guess.wrap.share * np.exp(3 * min(guess.gain, 0.4)))


def best_guess(
    sizes: tuple[NDArray[np.uint8], ...], camera: Camera, patch: Patch, reach: Reach = ALONE
) -> Guess | None:
    """The likeliest pair of silhouette edges for a patch, along either of its directions; None if none is a knurl."""
    best: list[Guess] = []
    for turned in (False, True):
        along = np.array([-patch.direction[1], patch.direction[0]]) if turned else patch.direction
        length, width = patch.side[::-1] if turned else patch.side
        found = _guesses(sizes, camera, patch.centre, along, length, width, reach)
        good = [g for g in found if g.wrap.share > LEAST_SHARE and g.gain > FLAT_GAIN]
        if good:
            best.append(_outermost(good))
    return max(best, key=lambda g: g.direction_score, default=None)


def _guesses(
    sizes: tuple[NDArray[np.uint8], ...],
    camera: Camera,
    centre: Array,
    along: Array,
    length: float,
    width: float,
    reach: Reach,
) -> list[Guess]:
    """The best pairs of edges along one direction."""
    across = np.array([-along[1], along[0]])
    lower, upper = edge_candidates(sizes[0], centre, along, length, width)
    groups: dict[int, list[tuple[EdgeCandidate, EdgeCandidate]]] = {}
    for a, b in product(lower, upper):
        apart = b.offset - a.offset
        if 0.6 * width < apart < min(MOST_WIDER * width, reach.most_wide * length) and abs(a.slope - b.slope) < 0.06:
            groups.setdefault(round((a.slope + b.slope) / 2 / SLOPE_STEP), []).append((a, b))
    tried: list[tuple[float, float, EdgeCandidate, EdgeCandidate, Rows, Wrap]] = []
    for slope, pairs in groups.items():
        direction = along + slope * SLOPE_STEP * across
        direction /= np.hypot(*direction)
        rows = _rows(sizes, centre, direction, length, width, max(max(-a.offset, b.offset) for a, b in pairs))
        if rows is None:
            continue
        shrink = float(direction @ along)
        edges = np.array([(a.offset, b.offset) for a, b in pairs]) * shrink
        for (a, b), wrap in zip(pairs, wraps(rows, edges, camera.focal_px), strict=True):
            if wrap is not None and wrap.explained_px > 0:
                evidence = min(a.evidence, 2.0) + min(b.evidence, 2.0)
                tried.append((_worth(wrap) + evidence, shrink, a, b, rows, wrap))
    tried.sort(key=lambda t: -t[0])
    out: list[Guess] = []
    for _, shrink, a, b, rows, wrap in tried[:PAIRS_LOOKED_AT]:
        flat = wraps(rows, np.array([(a.offset, b.offset)]) * shrink, camera.focal_px, flat=True)[0]
        if flat is None:
            continue
        lines = np.stack([c.line(centre, along, across, length / 2) for c in (a, b)])
        lines = _levelled(camera, lines, (reach.u_skew_px, reach.u_skew_px))
        try:
            cylinder = cylinder_from_silhouette(camera, lines[0], lines[1])
        except ValueError:
            continue
        span = _span(camera, cylinder, lines)
        if abs(sum(span)) / 2 > STEEPEST_VIEW * cylinder.distance:
            continue
        gain = float(np.log(wrap.explained_px / max(flat.explained_px, 1e-9)))
        out.append(Guess(lines, cylinder, span, wrap, gain, min(a.evidence, 2.0) + min(b.evidence, 2.0)))
    return out


def _worth(wrap: Wrap) -> float:
    """In the units of evidence: how much of the width is explained, in px and as a share of it."""
    return float(EXPLAINED * np.log(wrap.explained_px) + 0.25 * EXPLAINED * np.log(wrap.share))


def _rows(
    sizes: tuple[NDArray[np.uint8], ...], centre: Array, along: Array, length: float, width: float, reach: float
) -> Rows | None:
    """Spectra of the rows along a direction, as far out as the outermost edge."""
    across = np.array([-along[1], along[0]])
    step = max(1.0, 2 * reach / ROWS_ACROSS)
    level = min(int(np.log2(step)), len(sizes) - 1)
    u = np.arange(-0.42 * length, 0.42 * length + 1e-6, step)
    v = np.arange(-reach - step, reach + step + 1e-6, step)
    if len(u) < 24:
        return None
    shrink = 2**level
    patch = sample(sizes[level], (centre + 0.5) / shrink - 0.5, along, across, u / shrink, v / shrink)
    return rows_of(patch, v, np.abs(v) < 0.45 * width)


def outline_from(grey: NDArray[np.uint8], camera: Camera, guess: Guess) -> Outline | None:
    """Refine a guess: ends of the zone, edges on the envelope of the crests over just that zone, pose.

    None where there is no pattern between the edges, or neither edge stands out from its background.
    """
    zone = zone_of(grey, camera, guess.cylinder, guess.span_z)
    if zone is None:
        return None
    edges: list[Edge] = []
    reach = max(6.0, 0.03 * guess.width_px)
    for k in (0, 1):
        line = _over_zone(camera, guess, k, zone.span_z)
        inward = guess.edges[1 - k].mean(axis=0) - guess.edges[k].mean(axis=0)
        inward /= np.hypot(*inward)
        edge = refine_edge(grey, line, inward, reach) or Edge(line, max(1.0, 0.2 * reach), 0.3 * reach, 0)
        inside = tips(grey, edge.line, inward, guess.width_px) if guess.wrap.cycles else None
        edges.append(edge if inside is None else edge.moved(inside * inward))
    shadows = shadows_beside(grey, np.stack([e.line for e in edges]))
    edges = [e if s is None else _beside(grey, e, s, reach) for e, s in zip(edges, shadows, strict=True)]
    if not any(e.columns for e in edges):
        return None  # neither edge is there: light and shadow of something else
    lines = np.stack([e.line for e in edges])
    skews = edges[0].u_skew_px, edges[1].u_skew_px
    u_turn = _u_turn(camera, lines, skews)
    lines = _ordered(_levelled(camera, lines, skews))
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
    if any(s is not None and not s.sure for s in shadows):
        notes = (*notes, HIDDEN)
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
        u_turn_rad=u_turn,
        notes=notes,
    )


def _beside(grey: NDArray[np.uint8], edge: Edge, shadow: Shadow, reach: float) -> Edge:
    """The edge of the part inside its own shadow; where that is not sure, the one found, in doubt by the strip."""
    if not shadow.sure:
        return replace(edge, u_px=float(np.hypot(edge.u_px, shadow.wide_px / 2)))
    inward = shadow.line.mean(axis=0) - edge.line.mean(axis=0)
    return refine_edge(grey, shadow.line, inward / np.hypot(*inward), min(reach, 0.5 * shadow.wide_px)) or Edge(
        shadow.line, 1.0, 2.0, 0
    )


def _levelled(camera: Camera, edges: Array, u_skew_px: tuple[float, float]) -> Array:
    """Edges whose taper is weighed against what a part lying about level to the camera can show.

    The taper alone says how the axis tips towards the camera, and on a short knob a pixel is worth 5°. Parts lie level
    or on rim and stud, and photos are taken from above: within 8° or so (common practice). The edge whose direction is
    known less well gives way more.
    """
    apart = edges[1] - edges[0]
    across, _ = _frame(edges)
    taper = float((apart[1] - apart[0]) @ across)
    variances = np.square(u_skew_px)
    usual = _usual_taper(camera, edges) ** 2
    feigned = taper * float(variances.sum()) / max(usual + float(variances.sum()), 1e-12)
    shares = variances / max(float(variances.sum()), 1e-12)
    fixed = edges.copy()
    for k, sign in ((0, 1.0), (1, -1.0)):
        skew = sign * feigned * float(shares[k]) * across
        fixed[k, 0] -= skew / 2
        fixed[k, 1] += skew / 2
    return fixed


def _u_turn(camera: Camera, edges: Array, u_skew_px: tuple[float, float]) -> float:
    """Standard uncertainty of the axis's direction in the photo, rad: of two edges that must nearly be parallel."""
    _, length = _frame(edges)
    # rows: both edges, and that parts usually lie level; columns: common skew and taper
    rows = np.array([[1.0, -0.5], [1.0, 0.5], [0.0, 1.0]])
    rows /= np.array([*np.maximum(u_skew_px, 1e-6), _usual_taper(camera, edges)])[:, None]
    return float(np.sqrt(np.linalg.inv(rows.T @ rows)[0, 0]) / length)


def _frame(edges: Array) -> tuple[Array, float]:
    """Unit vector (2,) across a part, and the length of its edges, px."""
    along = (edges[:, 1] - edges[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    return np.array([-along[1], along[0]]) / length, length


def _usual_taper(camera: Camera, edges: Array) -> float:
    """By how much the width of a part usually changes from end to end, standard, px."""
    across, length = _frame(edges)
    width = float(np.abs((edges[1] - edges[0]) @ across).mean())
    distance = 2 * camera.focal_px / width  # in radii, near enough
    return 2 * length / distance * USUAL_TIP_RAD


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
    return _inside(point, zone_corners(outline))


def _inside(point: Array, corners: Array) -> bool:
    if len(corners) < 3:
        return False
    return cv2.pointPolygonTest(corners.astype(np.float32), (float(point[0]), float(point[1])), False) >= 0
