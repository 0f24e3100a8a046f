"""Photos of one part turned by known steps before a fixed camera, joined round its circumference.

The camera and the bench stand still, so one outline and one scale serve all photos. Each photo is measured by itself;
how far the lines moved from photo to photo then counts the teeth, shows where the pattern does not close, and how its
depth changes round the part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from photoscale.photo import Photo
from photoscale.quantity import Quantity
from photoscale.scene import CylinderScale

from knurlsight.finding.outline import find_parts
from knurlsight.inspection import (
    NO_PART,
    Inspection,
    ScaleRequest,
    assemble,
    camera_of,
    judge_part,
    lies_on,
    marks_px,
    measure_outline,
    nothing_found,
    read_scale,
)
from knurlsight.joining.closure import Count, Step, count_round
from knurlsight.joining.repeats import join_quantities, join_repeats
from knurlsight.joining.turned_phase import ARC_DEG, Complex, Lines, advance, evened, jump_in, phasors, unrolled
from knurlsight.measuring.measure import ARC_LEVER
from knurlsight.measuring.trace import zone_corners
from knurlsight.model import DoubleTrack, Family, Fault, Outline, Pattern
from knurlsight.setup_math.expected import Expectation, expectation
from knurlsight.setup_math.setup_model import Setup

Array = NDArray[np.float64]

U_STEP_DEG = 0.3  # a step set by hand on a degree ring or a protractor (common practice); from +- where it is typed
#: Sizes that a step has when nobody says, besides a whole turn over the number of photos.
USUAL_STEPS_DEG = (10.0, 15.0, 20.0, 30.0, 36.0, 40.0, 45.0, 60.0, 72.0, 90.0, 120.0)
SAME_LINES = 0.93  # agreement of two photos' lines; clean views reach 0.99, views of a seam 0.2 to 0.8
U_PHASE_TURNS = 0.012  # scatter of clean path-traced views: 0.004; twice that and the part's own unevenness
MOST_SLIP_TURNS = 0.2  # along the axis
MOST_UNLIKE = 0.12  # counts and pitches of views of one part, over a seam and in bad light
U_DEPTH_LIGHT = 0.02  # what noise does to the depth of one photo, against the others in the same light


@dataclass(frozen=True)
class View:
    """One photo of the set: its pattern, its lines against the others, and where a jump lies in it.

    Attributes
    ----------
    pattern : Pattern
    phase : float
        Turns by which its lines lie on, against the reference photo.
    agreement : float
        With the lines of the reference photo, 0 to 1.
    jump : float
        Turns by which the lines on one side lie off those on the other; 0 where they are one set.
    jump_rad : float
        θ of the jump.
    """

    pattern: Pattern
    phase: float
    agreement: float
    jump: float = 0.0
    jump_rad: float = 0.0


def inspect_turned(
    photos: Sequence[Photo], step: Step | None, setup: Setup | None = None, scale: ScaleRequest | None = None
) -> Inspection:
    """Inspect one part from photos of it turned by equal steps; the camera stands still.

    Parameters
    ----------
    photos : sequence of Photo
        In the order of turning.
    step : Step or None
        Size of the step; None: found from the pattern itself.
    setup : Setup, optional
    scale : ScaleRequest, optional

    Raises
    ------
    PhotoscaleError
        The scale photo is not by the same camera as the photos.
    """
    request = scale or ScaleRequest()
    basis = expectation(setup) if setup is not None else None
    notes = [f"{p.name}: {n}" for p in photos for n in p.notes]
    sizes = {(p.width_px, p.height_px) for p in photos}
    found = [find_parts(p, camera_of(p, request), most=1) for p in photos] if len(sizes) == 1 else []
    at = clearest(found)
    if at is None:
        if len(sizes) > 1:
            notes.append("the photos differ in size: turn photos are taken by one camera, neither moved nor zoomed")
        return nothing_found(photos, setup, basis, notes, np.empty((0, 2)))
    outline = found[at][0]
    reading, no_scale = read_scale(photos[at], request, (outline,))
    drawn_px = np.empty((0, 2))
    if reading is not None and request.photo is None:
        drawn_px = marks_px(reading)
        if lies_on(outline, drawn_px):
            return nothing_found(photos, setup, basis, [*notes, NO_PART], drawn_px)
    camera = camera_of(photos[at], request)
    first, cylinder_scale, no_lengths = measure_outline(photos[at], outline, camera, reading, no_scale, request, basis)
    pattern = first
    if first.families:
        pattern = _round(photos, at, first, outline, cylinder_scale, step, basis)
    part = judge_part("A1", pattern, cylinder_scale, no_lengths, setup, basis)
    ordered = [photos[at], *(p for p in photos if p is not photos[at])]  # the first is the one that is drawn on
    return assemble(ordered, (part,), setup, basis, notes, drawn_px)


def clearest(found: Sequence[Sequence[Outline]]) -> int | None:
    """The photo whose outline most others agree with; light plays tricks on single ones."""
    have = [i for i, outlines in enumerate(found) if outlines]
    if not have:
        return None
    corners = np.array([zone_corners(found[i][0]) for i in have])  # (n, 4, 2)
    apart = np.abs(corners[:, None] - corners[None]).max(axis=(2, 3))
    rank = min(len(have) - 1, max(1, len(have) // 2 - 1))
    nearest = np.sort(apart, axis=1)[:, rank] + np.array([found[i][0].u_edge_px for i in have])
    return have[int(nearest.argmin())]


def _round(
    photos: Sequence[Photo],
    at: int,
    first: Pattern,
    outline: Outline,
    scale: CylinderScale | None,
    step: Step | None,
    basis: Expectation | None,
) -> Pattern:
    from knurlsight.measuring.measure import measure_part

    expected = basis.pattern if basis is not None else None
    patterns = [first if i == at else measure_part(p, outline, scale, expected) for i, p in enumerate(photos)]
    return join_turned(_views(photos, at, patterns), step, scale)


def _views(photos: Sequence[Photo], at: int, patterns: Sequence[Pattern]) -> tuple[View, ...]:
    """Every photo's lines against those of the photo that agrees best with all."""
    first = patterns[at]
    lines = [lines_of(f) for f in first.families if f.hand != "ring"]
    place = first.outline
    margin = 0.08 * (place.zone_z[1] - place.zone_z[0])
    span = (place.zone_z[0] + margin, place.zone_z[1] - margin)
    rows: list[list[Complex]] = []
    theta: Array = np.zeros(1)
    for photo in photos:
        surface = unrolled(photo.grey, place.camera, place.cylinder, span, lines)
        even = evened(surface, lines)
        theta = surface.theta
        rows.append([phasors(surface, even, f) for f in lines])
    n = len(photos)
    agree = np.array(
        [[min(advance(a, b)[1] for a, b in zip(rows[i], rows[k], strict=True)) for k in range(n)] for i in range(n)]
    )
    best = int(np.median(agree, axis=1).argmax())
    views = []
    for k in range(n):
        moved = [advance(a, b) for a, b in zip(rows[best], rows[k], strict=True)]
        phase, slip = _common([m[0] for m in moved])
        jump, where = 0.0, 0.0
        if agree[best, k] < SAME_LINES and _alike(patterns[k], first):
            jump, where = jump_in(rows[best], rows[k], theta)
        views.append(
            View(patterns[k], phase, float(agree[best, k]) if abs(slip) < MOST_SLIP_TURNS else 0.0, jump, where)
        )
    return tuple(views)


def _alike(a: Pattern, b: Pattern) -> bool:
    """Whether two views may show one part: a seam cuts a pattern, but does not change its count or its pitch."""
    for f in a.families:
        other = next((g for g in b.families if g.hand == f.hand), None)
        if other is None:
            continue
        for mine, theirs in ((f.teeth_fit, other.teeth_fit), (f.axial_pitch_radii, other.axial_pitch_radii)):
            if math.isfinite(mine) and theirs and abs(mine / theirs - 1) > MOST_UNLIKE:
                return False
    return True


def lines_of(family: Family) -> Lines:
    along = family.sign / family.axial_pitch_radii if math.isfinite(family.axial_pitch_radii) else 0.0
    return Lines(family.teeth_fit / (2 * math.pi), along)


def _common(moved: Sequence[float]) -> tuple[float, float]:
    """What both families moved alike (a turn), and how far apart (a part that slipped along its axis)."""
    if len(moved) == 1:
        return moved[0], 0.0
    half = _wrapped(moved[1] - moved[0]) / 2
    return _wrapped(moved[0] + half), half


def _wrapped(turns: float) -> float:
    return turns - round(turns)


def join_turned(views: Sequence[View], step: Step | None, scale: CylinderScale | None) -> Pattern:
    """One pattern of the whole circumference from the views of it.

    Parameters
    ----------
    views : sequence of View
        In the order of turning.
    step : Step or None
    scale : CylinderScale or None
        That of all views.
    """
    clean = [k for k, v in enumerate(views) if v.agreement >= SAME_LINES and v.pattern.families]
    seams = [k for k, v in enumerate(views) if v.jump]
    if len(clean) < 2 or len(clean) + len(seams) < len(views) - len(views) // 4:
        return _apart(views, clean)
    joined = join_repeats([views[k].pattern for k in clean])
    if not joined.families or joined.form is None:
        return joined
    counted = _count(views, clean, step, joined, closes=not seams)
    if counted is None:
        return joined
    if not counted.agree and not seams:
        reason = (
            "the pattern did not move as the steps say: turn by equal steps of the size typed, camera and part "
            "clamped, photos in order"
        )
        return replace(joined, form=None, families=(), cannot=(reason,))
    diameter = counted_diameter(joined, counted, scale)
    families = tuple(exact_family(f, counted, scale, diameter, seam=bool(seams)) for f in joined.families)
    families = tuple(_double_track(f, [v.pattern for v in views], seam=bool(seams)) for f in families)
    seen = _seen_deg(len(views), counted.step_deg)
    whole_seen = seen is not None and seen >= 359
    faults = list(joined.faults)
    notes = [*joined.notes, *_words(counted, seams, len(views))]
    open_seam = Quantity(0.0, 0.0) if whole_seen and len(clean) == len(views) else None
    if seams:
        open_seam = Quantity(1.0, 0.0)
        faults.insert(0, _seam_fault(views, seams, counted.step_deg))
    elif open_seam is None:
        notes.append("a seam on a side that no photo shows, or shows badly, cannot be excluded")
    depth = depth_round([views[k].pattern for k in clean], clean, counted.step_deg) if whole_seen else None
    marks = [v.pattern.wheel_mark for v in views if v.pattern.wheel_mark is not None]
    return replace(
        joined,
        families=families,
        included_angle=included_angle(families) or joined.included_angle,
        outside_diameter=diameter,
        seen_arc_deg=Quantity(seen, 2.0, "deg") if seen is not None else joined.seen_arc_deg,
        damage_area=join_quantities([views[k].pattern.damage_area for k in clean])[0],
        pitch_drift=join_quantities([views[k].pattern.pitch_drift for k in clean])[0],
        wheel_mark=_wheel_mark(marks, none_hidden=whole_seen and len(clean) == len(views)),
        depth_variation=depth,
        open_seam=open_seam,
        faults=tuple(faults),
        notes=tuple(notes),
    )


def _wheel_mark(marks: Sequence[Quantity], *, none_hidden: bool) -> Quantity | None:
    """The surest mark; none at all only where every side was seen well."""
    if marks:
        return min(marks, key=lambda q: q.u)
    return Quantity(0.0, 0.0) if none_hidden else None


def _apart(views: Sequence[View], clean: Sequence[int]) -> Pattern:
    good = [k for k in clean if views[k].pattern.families]
    pattern = views[good[0] if good else 0].pattern
    odd = ", ".join(str(k + 1) for k, v in enumerate(views) if v.agreement < SAME_LINES and not v.jump)
    reason = (
        f"the lines of photo {odd} do not go with those of the others: another part, a moved camera or lamp, or a part "
        "that slipped along its axis; turn one part before a fixed camera"
        if odd
        else "too few photos show one set of lines"
    )
    return replace(pattern, form=None, families=(), cannot=(reason, *pattern.cannot))


def _count(
    views: Sequence[View], clean: Sequence[int], step: Step | None, joined: Pattern, *, closes: bool
) -> Count | None:
    teeth = next((f.teeth for f in joined.families if f.teeth is not None), None)
    if teeth is None:
        return None
    steps = [step] if step is not None else _usual_steps(len(views))
    positions = list(clean)
    if not closes:
        positions = _one_side(views, clean, step)
        clean = [k % len(views) for k in positions]
    phases = np.array([views[k].phase for k in clean])
    return count_round(teeth, phases, positions, U_PHASE_TURNS, steps, closes=closes)


def _one_side(views: Sequence[View], clean: Sequence[int], step: Step | None) -> list[int]:
    """Positions of the clean views that no seam lies between; those after the seam come before the first photo."""
    seams = [k for k, v in enumerate(views) if v.jump]
    before = [k for k in clean if k < min(seams)]
    between = [k for k in clean if min(seams) < k < max(seams)]
    after = [k for k in clean if k > max(seams)]
    if step is not None and abs(step.deg * len(views) - 360) < 1:
        around = [*(k - len(views) for k in after), *before]
    else:
        around = max(before, after, key=len)
    return max(around, between, key=len)


def _usual_steps(photos: int) -> list[Step]:
    """Once round in equal steps is what most do, any other usual step taken together is as likely."""
    once = 360.0 / photos
    others = [s for s in USUAL_STEPS_DEG if abs(s - once) > 0.5]
    return [Step(once, U_STEP_DEG, 1.0), *(Step(s, U_STEP_DEG, 1.0 / len(others)) for s in others)]


def _seen_deg(photos: int, step_deg: float | None) -> float | None:
    """How much of the circumference the photos show together."""
    if step_deg is None:
        return None
    if step_deg > 2 * ARC_DEG:
        return min(360.0, photos * 2 * ARC_DEG)
    return min(360.0, (photos - 1) * step_deg + 2 * ARC_DEG)


def _width_error(family: Family, counted: Count, scale: CylinderScale) -> tuple[float, float]:
    """Relative error of the diameter that the known count gives away, and what stays uncertain.

    The fitted count grows 1.6 times as fast as the apparent width; the rest of its error is that of light and model.
    Weighted least squares of the two.
    """
    u_width = scale.u_width_rel if math.isfinite(scale.u_width_rel) else 0.0
    if family.teeth is None or not u_width:
        return 0.0, u_width
    n = counted.teeth.value
    u_model = math.sqrt(max((family.teeth.u / n) ** 2 - (ARC_LEVER * u_width) ** 2, 0.003**2))
    u_model = math.hypot(u_model, counted.teeth.u / n)
    total = (ARC_LEVER * u_width) ** 2 + u_model**2
    error = ARC_LEVER * u_width**2 / total * (family.teeth.value / n - 1)
    return error, u_width * u_model / math.sqrt(total)


def counted_diameter(joined: Pattern, counted: Count, scale: CylinderScale | None) -> Quantity | None:
    family = next((f for f in joined.families if f.teeth is not None), None)
    if scale is None or family is None or joined.outside_diameter is None:
        return joined.outside_diameter
    error, u_width = _width_error(family, counted, scale)
    d = joined.outside_diameter
    u_width_before = scale.u_width_rel if math.isfinite(scale.u_width_rel) else 0.0
    u = math.sqrt(max(d.u**2 - (d.value * u_width_before) ** 2, 0.0) + (d.value * u_width) ** 2)
    return Quantity(d.value * (1 - error), u, "mm")


def exact_family(
    family: Family, counted: Count, scale: CylinderScale | None, diameter: Quantity | None, *, seam: bool
) -> Family:
    """The family with what the count round the part makes of its figures: p_t = π OD / N, tan ψ = p_t / p_a.

    Notes
    -----
    The doubt about the focal length turns lengths along the part against its radius: as seen, their ratio goes with
    sqrt((d - R) / (d + R)), d the distance of the axis; it is in the helix. What diameter and axial pitch share is not
    known, so their doubts are added up in the normal pitch.
    """
    if family.teeth is None:
        return family
    n = counted.teeth
    family = replace(family, teeth=Quantity(n.value, max(n.u, 0.01)), teeth_whole=None if seam else counted.whole)
    if scale is None or diameter is None:
        return family
    u_around = math.hypot(diameter.u / diameter.value, n.u / n.value)
    p_t = math.pi * diameter.value / n.value
    transverse = Quantity(p_t, p_t * u_around, "mm")
    along = family.axial_pitch
    if family.hand == "axial" or along is None:
        return replace(family, transverse_pitch=transverse, normal_pitch=transverse)
    psi = math.atan2(p_t, along.value)
    sine, cosine = math.sin(psi), math.cos(psi)
    p_n = p_t * cosine
    s = scale.u_scale_rel if math.isfinite(scale.u_scale_rel) else 0.0
    u_along = along.u / along.value
    u_fit = math.sqrt(max(u_along**2 - s**2, 0.0))
    u_width = scale.u_width_rel if math.isfinite(scale.u_width_rel) else 0.0
    u_ratio = math.hypot(u_fit, u_width, n.u / n.value, scale.u_pose_rel)
    return replace(
        family,
        transverse_pitch=transverse,
        normal_pitch=Quantity(p_n, p_n * (cosine**2 * u_around + sine**2 * u_along), "mm"),
        helix_angle=Quantity(math.degrees(psi), math.degrees(sine * cosine * u_ratio), "deg"),
    )


def included_angle(families: Sequence[Family]) -> Quantity | None:
    """Between two diagonal families; their doubts are common and add up."""
    angles = [f.helix_angle for f in families if f.hand in ("left", "right")]
    if len(angles) != 2:
        return None
    return Quantity(sum(a.value for a in angles), sum(a.u for a in angles), "deg")


def _double_track(family: Family, patterns: Sequence[Pattern], *, seam: bool) -> Family:
    """Over a seam the wheel has rolled a second set of lines; its depth stands where a photo shows it."""
    if not seam or family.double_track.present:
        return family
    seen = [
        f.double_track.ghost_ratio
        for p in patterns
        for f in p.families
        if f.hand == family.hand and f.double_track.present and f.double_track.ghost_ratio is not None
    ]
    words = "a second set of lines over the seam, where the pattern does not close"
    return replace(
        family,
        double_track=DoubleTrack(True, max(seen, key=lambda q: q.value, default=None), words=words),
        teeth_whole=None,
    )


def depth_round(patterns: Sequence[Pattern], positions: Sequence[int], step_deg: float | None) -> Quantity | None:
    """Amplitude of the depth once a turn over its mean.

    Parameters
    ----------
    patterns : sequence of Pattern
        One a view, all in the same light: what light does to their depths is common to them.
    positions : sequence of int
        How many steps each is turned.
    step_deg : float or None
        None, or fewer than four views: cannot be told.

    Notes
    -----
    Least squares of depth = mean + a cos α + b sin α. A view averages over ±`ARC_DEG`, which takes sin x / x off the
    amplitude, made good here.
    """
    if step_deg is None or len(patterns) < 4:
        return None
    hands = [f.hand for f in patterns[0].families]
    rows = [[f.strength.value for f in p.families if f.strength is not None] for p in patterns]
    if any(len(r) != len(hands) for r in rows):
        return None
    depth = np.array(rows).mean(axis=1)
    depth = depth / depth.mean()
    angle = np.radians(np.array(positions) * step_deg)
    design = np.column_stack([np.ones(len(angle)), np.cos(angle), np.sin(angle)])
    if np.linalg.cond(design) > 5:
        return None
    solution, *_ = np.linalg.lstsq(design, depth, rcond=None)
    left = depth - design @ solution
    scatter = max(U_DEPTH_LIGHT, float(np.sqrt((left**2).sum() / max(1, len(depth) - 3))))
    arc = math.radians(ARC_DEG)
    seen = math.sin(arc) / arc
    amplitude = float(np.hypot(solution[1], solution[2])) / float(solution[0]) / seen
    return Quantity(amplitude, scatter * math.sqrt(2 / len(depth)) / seen)


def _seam_fault(views: Sequence[View], seams: Sequence[int], step_deg: float | None) -> Fault:
    k = min(seams, key=lambda i: abs(views[i].jump_rad))
    jump = abs(views[k].jump)
    words = (
        f"seam: the pattern does not close, its lines jump by {jump:.2f} of a pitch; "
        f"nearest the camera in photo {k + 1}"
    )
    if step_deg is not None:
        words += f", {math.degrees(views[k].jump_rad):+.0f}° from the middle of that view"
    return Fault("open_seam", words, severity=Quantity(jump, 0.08))


def _words(counted: Count, seams: Sequence[int], photos: int) -> list[str]:
    notes = []
    if counted.step_deg is None:
        notes.append("the size of the step could not be told from the pattern: type it, such as --turn 60deg")
    else:
        turn = {
            1: "right-handed about the axis from end 1 to end 2",
            -1: "left-handed about the axis from end 1 to end 2",
            0: "in a sense that the pattern does not tell, as it looks the same both ways",
        }[counted.sense]
        notes.append(f"{photos} photos turned by {counted.step_deg:g}° each, {turn}")
    if counted.whole is None and not seams:
        notes.append(f"the steps leave the count open: {counted.teeth.value:.1f} teeth, u {counted.teeth.u:.1f}")
    return notes
