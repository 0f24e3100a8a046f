"""From photos and a setup to a verdict: the whole line, step by step, each a plain function.

photo -> camera -> part outlines -> scale -> cylinder in mm -> pattern -> checks -> causes -> verdict
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.errors import PhotoError, ScaleNotFound, SceneError
from photoscale.find import find_scale
from photoscale.photo import Photo, camera_from_exif
from photoscale.quantity import Quantity
from photoscale.reading import Reading, RigReading, covered_px, each_reading
from photoscale.scene import CylinderScale, Silhouette, scale_cylinder
from photoscale.words import CardWord, PinWord, RigWord, RuleWord, ScaleHeight, ScaleWord, each_word

from knurlsight import verdict as verdicts
from knurlsight.faults.causes import Cause, causes_of
from knurlsight.faults.figure_faults import with_figure_faults
from knurlsight.finding.knurl_or_not import surely_round
from knurlsight.finding.outline import find_parts
from knurlsight.joining.repeats import join_repeats
from knurlsight.measuring.measure import measure_part
from knurlsight.measuring.trace import zone_corners
from knurlsight.measuring.unfit import unfit
from knurlsight.model import Outline, Pattern
from knurlsight.setup_math.expected import Expectation, expectation
from knurlsight.setup_math.limits import Limit, limits
from knurlsight.setup_math.setup_model import Setup
from knurlsight.setup_math.standards import Fitting, fitting_pitches
from knurlsight.side_by_side import Each, in_turn
from knurlsight.verdict import Check, Verdict

NO_PART = (
    "no knurled part was found: show it whole, lying on a plain bench, lit from one side, with at least 8 px to a pitch"
)
NO_UNCERTAINTY = "the typed scale states no uncertainty; write it behind, such as 0.0512+-0.0002mm/px"


@dataclass(frozen=True)
class PartInspection:
    """One part with all that is known of it.

    Attributes
    ----------
    id : str
        Its place: A1, A2 … in a tray, A1 alone.
    pattern : Pattern
    scale : CylinderScale or None
        Its own scale: parts in a tray differ in height and distance.
    no_lengths : str
        Why lengths are missing or cannot be judged; empty when they can.
    checks : tuple of Check
        Empty without a setup.
    causes : tuple of Cause
    fitting : Fitting or None
        Standard pitches that fit, where there is no setup to compare with.
    verdict : Verdict or None
        None without a setup.
    reasons : tuple of str
    """

    id: str
    pattern: Pattern
    scale: CylinderScale | None
    no_lengths: str
    checks: tuple[Check, ...] = ()
    causes: tuple[Cause, ...] = ()
    fitting: Fitting | None = None
    verdict: Verdict | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Absent:
    """A part that a tray should have and has not: its name, the middle of its place (x, y) px, and a radius."""

    id: str
    at_px: tuple[float, float]
    radius_px: float


@dataclass(frozen=True)
class Inspection:
    """One inspection: what was asked, what was found, and the verdict.

    Attributes
    ----------
    photos : tuple of Photo
        The first is the one that is drawn on.
    parts : tuple of PartInspection
    setup, expectation, limits
        What the part was held against; None and empty without a setup.
    scale_px : (n, 2) array
        Marks of the scale found in the first photo, for drawing.
    verdict : Verdict or None
        None without a setup; ``"cannot_tell"`` when nothing could be measured.
    reasons, notes : tuple of str
    absent : tuple of Absent
        Parts of a tray that should be there.
    """

    photos: tuple[Photo, ...]
    parts: tuple[PartInspection, ...]
    setup: Setup | None
    expectation: Expectation | None
    limits: tuple[Limit, ...]
    verdict: Verdict | None
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    scale_px: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    absent: tuple[Absent, ...] = ()

    @property
    def scale(self) -> CylinderScale | None:
        """Scale of the first part."""
        return self.parts[0].scale if self.parts else None


@dataclass(frozen=True)
class ScaleRequest:
    """What the user says about the scale.

    Attributes
    ----------
    word : ScaleWord or None
        None: whatever card or rule is found. Two must agree.
    height : ScaleHeight
    photo : Photo or None
        Where the scale stands in another photo by the same fixed camera.
    camera_distance : Quantity or None
        Measured from the lens to the nearest crest, mm.
    """

    word: ScaleWord | None = None
    height: ScaleHeight = field(default_factory=ScaleHeight)
    photo: Photo | None = None
    camera_distance: Quantity | None = None


def inspect_part(photos: Sequence[Photo], setup: Setup | None = None, scale: ScaleRequest | None = None) -> Inspection:
    """Inspect one part from one photo or from repeats.

    Parameters
    ----------
    photos : sequence of Photo
        Repeats of one part; each is measured, then they are joined.
    setup : Setup, optional
    scale : ScaleRequest, optional
        Default: whatever card or rule the photo shows.

    Raises
    ------
    PhotoscaleError
        The scale photo is not by the same camera as the photo.
    """
    request = scale or ScaleRequest()
    basis = expectation(setup) if setup is not None else None
    measured: list[tuple[Pattern, CylinderScale | None, str]] = []
    notes: list[str] = []
    drawn_px = np.empty((0, 2))
    for number, photo in enumerate(photos, 1):
        of_photo = f"{photo.name}: " if len(photos) > 1 else ""
        camera = camera_of(photo, request)
        reading, no_scale, outlines = scale_and_parts(photo, request, camera, most=1)
        notes += [of_photo + n for n in photo.notes]
        if reading is not None and request.photo is None:
            marks = marks_px(reading)
            outlines = tuple(o for o in outlines if not lies_on(o, marks))
            drawn_px = marks if number == 1 else drawn_px
        if not outlines:
            notes.append(of_photo + NO_PART)
            continue
        measured.append(measure_outline(photo, outlines[0], camera, reading, no_scale, request, basis))
    if not measured:
        return nothing_found(photos, setup, basis, notes, drawn_px)
    if len(measured) < len(photos):
        notes.append("photos without a part were left out")
    pattern = join_repeats([m[0] for m in measured])
    _, cylinder_scale, no_lengths = measured[0]
    part = judge_part("A1", pattern, cylinder_scale, no_lengths, setup, basis)
    return assemble(photos, (part,), setup, basis, notes, drawn_px)


def camera_of(photo: Photo, request: ScaleRequest) -> Camera:
    """The camera to begin with: that of the rig where one is named, else what the photo's data say.

    Raises
    ------
    PhotoscaleError
        No such rig, or the photo is not by it.
    """
    for word in each_word(request.word):
        reading = find_scale(photo, word, ()) if isinstance(word, RigWord) else None
        if isinstance(reading, RigReading):
            return reading.camera
    return camera_from_exif(photo)


def scale_and_parts(
    photo: Photo, request: ScaleRequest, camera: Camera, most: int | None, each: Each = in_turn
) -> tuple[Reading | None, str, tuple[Outline, ...]]:
    """The scale, or why there is none, and the parts, the clearest first.

    A card or a rule is known by its own marks, so it is found first, and no part is looked for where it lies. Anything
    else needs the parts. Should the marks have been a knurl's, no part is left, and the parts come first after all:
    those that are surely round.
    """
    words = each_word(request.word)
    marked = not words or any(isinstance(w, CardWord | RuleWord) for w in words)
    reading: Reading | None = None
    if request.photo is None and marked and not any(isinstance(w, PinWord) for w in words):
        reading, no_scale = read_scale(photo, request, ())
        if reading is not None:
            outlines = find_parts(photo, camera, most, covered_px(reading), each)
            if outlines:
                return reading, no_scale, outlines
    outlines = find_parts(photo, camera, most, (), each)
    if reading is not None:
        outlines = tuple(o for o in outlines if surely_round(photo.grey, o))
        if not outlines:
            return reading, no_scale, ()
    return (*read_scale(photo, request, outlines), outlines)


def read_scale(photo: Photo, request: ScaleRequest, outlines: Sequence[Outline]) -> tuple[Reading | None, str]:
    """The scale in the photo, or why there is none."""
    try:
        if request.photo is None:
            return find_scale(photo, request.word, [o.part_px for o in outlines]), ""
        if (request.photo.width_px, request.photo.height_px) != (photo.width_px, photo.height_px):
            raise PhotoError(
                f"{request.photo.name}: {request.photo.width_px} x {request.photo.height_px} px, but {photo.name} has "
                f"{photo.width_px} x {photo.height_px} px",
                "take both with the same camera, neither moved nor zoomed",
            )
        return find_scale(request.photo, request.word, ()), ""
    except ScaleNotFound as e:
        return None, str(e)


def measure_outline(
    photo: Photo,
    outline: Outline,
    camera: Camera,
    reading: Reading | None,
    no_scale: str,
    request: ScaleRequest,
    basis: Expectation | None,
) -> tuple[Pattern, CylinderScale | None, str]:
    """One part measured: its pattern, its scale, and why lengths cannot be judged (empty when they can)."""
    cylinder_scale: CylinderScale | None = None
    if reading is not None:
        edges = np.asarray(outline.edges_px, np.float64)
        silhouette = Silhouette(edges[0], edges[1], outline.u_edge_px, outline.profile_zr)
        try:
            cylinder_scale = scale_cylinder(
                photo, reading, silhouette, request.height, camera_distance=request.camera_distance
            )
        except SceneError as e:
            no_scale = str(e)
    pattern = measure_part(photo, outline, cylinder_scale, basis.pattern if basis is not None else None)
    if cylinder_scale is None:
        return pattern, None, no_scale or "no scale"
    return pattern, cylinder_scale, NO_UNCERTAINTY if math.isnan(cylinder_scale.u_scale_rel) else ""


def judge_part(
    part_id: str,
    pattern: Pattern,
    scale: CylinderScale | None,
    no_lengths: str,
    setup: Setup | None,
    basis: Expectation | None,
) -> PartInspection:
    """Checks, causes and verdict of one measured part; without a setup the standard pitches that fit."""
    if setup is None or basis is None:
        pattern = with_figure_faults(pattern, None)
        reasons = pattern.cannot if pattern.form is None else ()
        verdict: Verdict | None = "cannot_tell" if pattern.form is None else None
        return PartInspection(
            part_id, pattern, scale, no_lengths, fitting=_fitting(pattern), verdict=verdict, reasons=reasons
        )
    checks = verdicts.judge(
        pattern,
        basis.pattern,
        limits(setup, basis.pattern),
        setup.tolerance.guard_factor,
        no_lengths=no_lengths,
        blank_diameter_mm=basis.blank_diameter_mm,
    )
    pattern = with_figure_faults(pattern, checks)
    verdict = verdicts.worst(c.verdict for c in checks)
    if pattern.form is None:
        # a part whose pattern could not be read is never failed for what was not seen
        verdict, reasons = "cannot_tell", pattern.cannot or ("no pattern could be read",)
    else:
        reasons = verdicts.reasons(checks, verdict) or pattern.cannot
    return PartInspection(
        part_id,
        pattern,
        scale,
        no_lengths,
        checks,
        causes_of(pattern, checks, setup, basis),
        verdict=verdict,
        reasons=tuple(reasons),
    )


def assemble(
    photos: Sequence[Photo],
    parts: Sequence[PartInspection],
    setup: Setup | None,
    basis: Expectation | None,
    notes: Sequence[str],
    scale_px: NDArray[np.float64],
) -> Inspection:
    """The inspection of all parts: as the worst of them."""
    given = [p.verdict for p in parts if p.verdict is not None]
    verdict: Verdict | None = verdicts.worst(given) if given else None
    if setup is not None and not given:
        verdict = "cannot_tell"
    reasons = tuple(f"{p.id}: {r}" if len(parts) > 1 else r for p in parts if p.verdict == verdict for r in p.reasons)
    of_basis = basis.notes if basis is not None else ()
    return Inspection(
        tuple(photos),
        tuple(parts),
        setup,
        basis,
        limits(setup, basis.pattern) if setup is not None and basis is not None else (),
        verdict,
        reasons,
        tuple(dict.fromkeys([*notes, *of_basis])),
        scale_px,
    )


def nothing_found(
    photos: Sequence[Photo],
    setup: Setup | None,
    basis: Expectation | None,
    notes: Sequence[str],
    scale_px: NDArray[np.float64],
) -> Inspection:
    """An inspection that found no part: cannot tell."""
    empty = assemble(photos, (), setup, basis, [n for n in notes if n != NO_PART], scale_px)
    measured = unfit(photos[0].grey)
    return Inspection(
        empty.photos,
        (),
        setup,
        basis,
        empty.limits,
        "cannot_tell",
        (f"no knurled part was found; {measured}" if measured else NO_PART,),
        empty.notes,
        scale_px,
    )


def lies_on(outline: Outline, scale_px: NDArray[np.float64]) -> bool:
    """Whether a supposed part is the scale itself: a rule's lines are straight, even and many."""
    if len(scale_px) < 3:
        return False
    zone = zone_corners(outline).astype(np.float32)
    shared, _ = cv2.intersectConvexConvex(cv2.convexHull(zone), cv2.convexHull(scale_px.astype(np.float32)))
    return bool(shared > 0.3 * cv2.contourArea(zone))


def marks_px(reading: Reading) -> NDArray[np.float64]:
    """Points (n, 2) px of a scale that can be drawn; none for a scale that is not in the photo."""
    found = [getattr(one, "points_px", getattr(one, "outline_px", None)) for one in each_reading(reading)]
    return np.vstack([np.empty((0, 2)), *(np.asarray(px, np.float64).reshape(-1, 2) for px in found if px is not None)])


def _fitting(pattern: Pattern) -> Fitting | None:
    families = [f for f in pattern.families if f.normal_pitch is not None and f.hand != "ring"]
    if not families or pattern.form is None or families[0].normal_pitch is None:
        return None
    return fitting_pitches(families[0].normal_pitch, pattern.form, pattern.outside_diameter)
