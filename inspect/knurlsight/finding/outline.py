"""Find the knurled parts in a photo: silhouette, axis, pose and the ends of the knurled zone.

Patches of fine contrast (`texture`), or of even lines (`repeating`), suggest where; lines where the statistics change
(`silhouette`) suggest edges; the pattern decides (`guesses`): between the right two edges one number of teeth explains
it best. What is flat in the end (`knurl_or_not`) is left out: cloth, mesh, boards of holes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import cylinder_from_silhouette
from photoscale.photo import Photo

from knurlsight.finding.guesses import (
    ALONE,
    AMONG_MANY,
    Guess,
    Reach,
    View,
    frame_of,
    guesses_along,
    guesses_of,
    levelled,
    span_of,
    usual_taper,
)
from knurlsight.finding.knurl_or_not import roundness
from knurlsight.finding.profile import part_profile
from knurlsight.finding.repeating import repeating_patches
from knurlsight.finding.shadow import HIDDEN, Shadow, shadows_beside
from knurlsight.finding.silhouette import Edge, refine_edge
from knurlsight.finding.texture import Patch, pyramid, texture_patches
from knurlsight.finding.tips import tips
from knurlsight.measuring.spectrum import axes_of, peaks_of, power_of, prominence
from knurlsight.measuring.start import quick_look
from knurlsight.measuring.unroll import roll_out
from knurlsight.measuring.zone import main_families, zone_of
from knurlsight.model import Outline
from knurlsight.side_by_side import Each, in_turn

Array = NDArray[np.float64]

ODDS = 2.5  # score to the logarithm of odds
CLEAR_SCORE, LEAST_SCORE = 9.5, 8.0  # seldom wrong; one right one in 175 is less
CONTENDERS = 5  # for the one part of a photo
MOST_GROWTHS = 3  # of a strip into the part that it lies on
LEAST_BETTER = 0.5  # in score
AS_GOOD, MOST_OUTWARDS = 0.9, 1.2  # in score; in width
SAME_DIRECTION = 0.985  # cosine: 10°
THE_SAME, APART = 0.01, 0.03  # corners of two pairs of edges, apart in widths
MOST_APART = 1.15  # middles of parts that touch, in widths
ALIKE = 1.2  # parts of one tray differ in width by no more
LIKE_THE_OTHERS, FEWEST_ALIKE = 0.03, 4  # usually by no more than this, of the width; parts to tell it from
CLEAR_EDGES = 2.2  # evidence of two edges
CLEAR = 3.0  # evidence of two edges beyond which more says nothing
OUTWARDS = 2.0  # evidence that a wider pair of edges counts for, by the logarithm of its width
MOST_PATCHES, MORE_PATCHES, MANY_PATCHES = 14, 30, 84  # for one part; for one that is not clear; for a tray
LEAST_PITCHES = 6.0  # of the main family across the patch
LEAST_PITCH_PX = 4.0
USUAL_SLANT = 0.45
WRONG, WRONG_SKEW_PX = 0.15, 10.0  # how often an edge is another's in part, and how skew it is then
U_EDGE_SHARE = 0.0013  # of the width, each edge: what light at the limb does (path-traced photos)


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
    view = View(photo.grey, pyramid(photo.grey), camera)
    if most == 1:
        return _clearest(view, avoid, each)
    return _all(view, avoid, each)[:most]


def _clearest(view: View, avoid: Sequence[Array], each: Each) -> tuple[Outline, ...]:
    """The one part that shows best, if there is any: the pairs of edges of all patches compete.

    Where none is clear, those of patches that repeat join them: grain may be as strong as a knurl in even light.
    """
    look = partial(guesses_of, view, ALONE)
    patches = _free(texture_patches(view.grey), avoid)
    guesses = _joined(each(look, patches[:MOST_PATCHES]))
    if max((g.score for g in guesses), default=0.0) < CLEAR_SCORE:
        patches = [
            *patches[MOST_PATCHES:MORE_PATCHES],
            *_free(repeating_patches(view.grey, each), avoid)[:MORE_PATCHES],
        ]
        guesses += _joined(each(look, patches))
    contenders: list[Guess] = []
    for guess in _different(guesses, APART):
        if not any(_same_part(guess, other) and not _whole_of(guess, other) for other in contenders):
            contenders.append(guess)
        if len(contenders) == CONTENDERS:
            break
    settled = each(partial(_settled, view, ALONE), contenders)
    settled = [g for g in _different(settled, THE_SAME) if g.score > LEAST_SCORE]
    looked_at = each(partial(_looked_at, view), settled)
    ranked = sorted((i for i in looked_at if i[0] > 0), key=lambda i: -i[0])
    for _, likely in ranked:
        best = next((g for _, g in ranked if _whole_of(g, likely)), likely)
        outline = outline_from(view.grey, view.camera, best)
        if outline is not None and not _on(avoid, best.middle):
            # what is clearer than all the rest is what the photo shows, even if it is flat or edgeless
            return (outline,) if _stands(view.grey, outline) else ()
    return ()


def _all(view: View, avoid: Sequence[Array], each: Each) -> tuple[Outline, ...]:
    """Every part: the best guess has its place, then the best of those that lie elsewhere, and so on."""
    patches = [
        p
        for found in (texture_patches(view.grey), repeating_patches(view.grey, each))
        for p in _free(found, avoid)[:MANY_PATCHES]
    ]
    left = _different(
        [g for g in _joined(each(partial(guesses_of, view, AMONG_MANY), patches)) if g.score > LEAST_SCORE], THE_SAME
    )
    found: list[tuple[Guess, Outline]] = []
    flat: list[tuple[Guess, Outline]] = []
    while left:
        best: list[Guess] = []
        for guess in left:
            if all(_lie_apart(guess, other) for other in best):
                best.append(guess)
        settled = each(partial(_settled, view, AMONG_MANY), best)
        for worth, guess in sorted(each(partial(_looked_at, view), settled), key=lambda i: -i[1].score):
            outline = outline_from(view.grey, view.camera, guess) if worth > 0 else None
            free = not _on(avoid, guess.middle) and all(_lie_apart(guess, other) for other, _ in found)
            if outline is not None and free:
                (found if _stands(view.grey, outline) else flat).append((guess, outline))
        # what lay on a guess that came to nothing has its chance
        left = [g for g in left if all(g is not b for b in best) and all(_lie_apart(g, other) for other, _ in found)]
    found.sort(key=lambda i: -i[0].score)
    usual = float(np.median([g.width_px for g, _ in found])) if found else 0.0

    def alike(guess: Guess) -> bool:
        return usual / ALIKE < guess.width_px < usual * ALIKE

    # grain, shadows and threads are not as wide as the parts of a tray, which are alike
    found = [(g, o) for g, o in found if g.score > CLEAR_SCORE or alike(g)]
    # the pattern of a part goes on beyond its edges where like parts touch it
    for guess, outline in sorted(flat, key=lambda i: -i[0].score):
        others = [g for g, _ in found]
        if (
            alike(guess)
            and all(_lie_apart(guess, other) for other in others)
            and any(_touch(guess, other) for other in others)
            and _stands(view.grey, outline, beside=True)
        ):
            found.append((guess, outline))
    outlines = [o for _, o in found]
    width = _common_width(outlines)
    return tuple(outlines if width is None else each(partial(_as_usual, view, width), outlines))


def _stands(grey: NDArray[np.uint8], outline: Outline, *, beside: bool = False) -> bool:
    """Whether an outline is not surely that of something flat, or of more than the pattern.

    Where another part lies `beside` it, the pattern may go on.
    """
    round_ = roundness(grey, outline)
    return round_ is None or not (round_.too_wide or (round_.flat and not (beside and round_.goes_on)))


def _joined(lists: Sequence[list[Guess]]) -> list[Guess]:
    return [guess for guesses in lists for guess in guesses]


def _common_width(outlines: Sequence[Outline]) -> float | None:
    """The width px that most parts have about; None where too few are alike."""
    widths = np.array([_width(o) for o in outlines])
    alike = np.abs(np.log(widths[:, None] / widths)) < np.log(ALIKE) / 2
    count = alike.sum(axis=1)
    return float(np.median(widths[alike[int(count.argmax())]])) if count.max(initial=0) >= FEWEST_ALIKE else None


def _as_usual(view: View, usual: float, outline: Outline) -> Outline:
    """An outline that is a little off the usual width of a tray's parts, looked at once more: are there edges as usual?

    A streak of light inside a part, or a shadow's edge beside it, is taken for its edge now and then. Edges at the
    usual width must be seen, and explain the pattern about as well; else the part is what it seems to be.
    """
    if not LIKE_THE_OTHERS < abs(_width(outline) / usual - 1) < ALIKE - 1:
        return outline
    along = (outline.edges_px[:, 1] - outline.edges_px[:, 0]).mean(axis=0)
    length = float(np.hypot(*along))
    middle = outline.edges_px.mean(axis=(0, 1))
    guesses = guesses_along(view, AMONG_MANY, middle, along / length, length, 0.97 * usual)
    most = max((g.score for g in guesses), default=0.0)
    alike = [
        g
        for g in guesses
        if abs(g.width_px / usual - 1) < LIKE_THE_OTHERS and g.evidence > CLEAR_EDGES and g.score > most - LEAST_BETTER
    ]
    best = max(alike, key=lambda g: g.score, default=None)
    return (outline_from(view.grey, view.camera, best) or outline) if best is not None else outline


def _width(outline: Outline) -> float:
    """Across the axis, px."""
    return float(np.hypot(*(outline.edges_px[1] - outline.edges_px[0]).mean(axis=0)))


def _free(patches: Sequence[Patch], avoid: Sequence[Array]) -> list[Patch]:
    """Patches that do not lie on what is known to be no part."""
    return [p for p in patches if not _on(avoid, p.centre)]


def _on(areas: Sequence[Array], point: Array) -> bool:
    return any(_inside(point, corners) for corners in areas)


def _corners(guess: Guess) -> Array:
    return np.asarray(np.vstack([guess.edges[0], guess.edges[1, ::-1]]))


def _lie_apart(a: Guess, b: Guess) -> bool:
    """Whether neither of two guesses lies on the other's middle."""
    return not _inside(a.middle, _corners(b)) and not _inside(b.middle, _corners(a))


def _touch(a: Guess, b: Guess) -> bool:
    """Whether two guesses lie side by side, about as far apart as they are wide."""
    between = a.middle - b.middle
    apart = abs(float(between @ frame_of(b.edges)[0]))
    return bool(apart < MOST_APART * (a.width_px + b.width_px) / 2 and np.hypot(*between) < 1.5 * apart)


def _different(guesses: Sequence[Guess], apart: float) -> list[Guess]:
    """Guesses, the best first, without those whose edges lie within so many widths of a better one's."""
    kept: list[Guess] = []
    for guess in sorted(guesses, key=lambda g: -g.score):
        if all(np.abs(guess.edges - other.edges).max() > apart * guess.width_px for other in kept):
            kept.append(guess)
    return kept


def _settled(view: View, reach: Reach, guess: Guess) -> Guess:
    """The best pair of edges for the part that a guess lies on, looked at again from its own middle.

    A lit strip along a part makes a patch, and a guess, of its own.
    """
    best = guess
    for _ in range(MOST_GROWTHS):
        along = (best.edges[:, 1] - best.edges[:, 0]).mean(axis=0)
        again = guesses_along(view, reach, best.middle, along / best.length_px, best.length_px, 0.97 * best.width_px)
        better = _outermost([best, *(g for g in again if _same_pattern(best, g) or _grown(best, g))])
        if better.score <= best.score + LEAST_BETTER:
            return better
        best = better
    return best


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
    across, _ = frame_of(inner.edges)
    a, b = (np.sort(g.edges.mean(axis=1) @ across) for g in (inner, outer))
    slack = 0.04 * inner.width_px
    return bool(b[0] < a[0] + slack and b[1] > a[1] - slack)


def _grown(a: Guess, b: Guess) -> bool:
    """Whether a guess is another's strip taken out to the edges of the whole part.

    Few lines of a strip are seen, so that what they seem to count is not compared.
    """
    return b.score > a.score + LEAST_BETTER and _encloses(b, a)


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
    apart = a.middle - b.middle
    across = np.array([-along_b[1], along_b[0]])
    wider, longer = max(a.width_px, b.width_px), max(a.length_px, b.length_px)
    return bool(abs(apart @ across) < 0.5 * wider and abs(apart @ along_b) < 0.5 * longer)


def _whole_of(outer: Guess, inner: Guess) -> bool:
    """Whether a guess is another's strip and a good deal more, nearly as good, and the pattern fits it better.

    Lines along a part in hard light: the lit strip has clear edges of its own, and the part's lie in the dark.
    """
    return (
        outer.score > inner.score - AS_GOOD
        and outer.width_px > MOST_OUTWARDS * inner.width_px
        and outer.wrap.share > inner.wrap.share
        and outer.gain > inner.gain
        and _encloses(outer, inner)
    )


def _looked_at(view: View, guess: Guess) -> tuple[float, Guess]:
    """How likely a guess is once the flank model has had a look: the definite test, and the dearest; 0 for no knurl."""
    knurl = worth_of(view.grey, view.camera, guess)
    zone = zone_of(view.grey, view.camera, guess.cylinder, guess.span_z) if knurl > 0 else None
    if zone is None:
        return 0.0, guess
    left, _ = quick_look(view.grey, view.camera, guess.cylinder, zone.span_z)
    slant = float(sum(zone.span_z)) / 2 / guess.cylinder.distance
    usual = float(np.exp(-((slant / USUAL_SLANT) ** 2)))
    return float(np.exp(ODDS * guess.score) * np.sqrt(knurl) * usual * max(0.0, 1 - left) ** 3), guess


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
    wrong = _wrong_skew(camera, lines, skews)
    more = wrong * WRONG_SKEW_PX**2 / 2
    doubted = float(np.sqrt(skews[0] ** 2 + more)), float(np.sqrt(skews[1] ** 2 + more))
    u_turn = _u_turn(camera, lines, doubted if wrong > 0.5 else skews)
    lines = _ordered(levelled(camera, lines, doubted))
    try:
        cylinder = cylinder_from_silhouette(camera, lines[0], lines[1])
    except ValueError:
        return None
    zone = zone_of(grey, camera, cylinder, span_of(camera, cylinder, lines), fine=True) or zone
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


def _wrong_skew(camera: Camera, edges: Array, u_skew_px: tuple[float, float]) -> float:
    """How likely one of two edges is another's in part, a shadow's or the grain's, since they taper as few parts do.

    Of two laws of the taper, that edges are as straight as they seem and that one is skew by `WRONG_SKEW_PX`, the first
    is the usual one; the farther from level it has the part, the likelier is the second.
    """
    across, _ = frame_of(edges)
    apart = edges[1] - edges[0]
    taper = float((apart[1] - apart[0]) @ across)
    seeming = usual_taper(camera, edges) ** 2 + float(np.square(u_skew_px).sum())
    variances = seeming + np.array([0.0, WRONG_SKEW_PX**2])
    odds = np.array([1 - WRONG, WRONG]) / np.sqrt(variances) * np.exp(-(taper**2) / 2 / variances)
    return float(odds[1] / odds.sum())


def _u_turn(camera: Camera, edges: Array, u_skew_px: tuple[float, float]) -> float:
    """Standard uncertainty of the axis's direction in the photo, rad: of two edges that must nearly be parallel."""
    _, length = frame_of(edges)
    # rows: both edges, and that parts usually lie level; columns: common skew and taper
    rows = np.array([[1.0, -0.5], [1.0, 0.5], [0.0, 1.0]])
    rows /= np.array([*np.maximum(u_skew_px, 1e-6), usual_taper(camera, edges)])[:, None]
    return float(np.sqrt(np.linalg.inv(rows.T @ rows)[0, 0]) / length)


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


def _inside(point: Array, corners: Array) -> bool:
    if len(corners) < 3:
        return False
    return cv2.pointPolygonTest(corners.astype(np.float32), (float(point[0]), float(point[1])), False) >= 0
