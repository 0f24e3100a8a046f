"""From an outline to the measured pattern: families, pitches, helix, count round, double tracking, fill, ends.

Everything dimensionless comes from the fitted model in units of the radius; the scale enters last, so that helix, count
and ratios do not inherit its uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder
from photoscale.photo import Photo
from photoscale.quantity import Quantity
from photoscale.scene import CylinderScale

from knurlsight.faults.faults import with_faults
from knurlsight.finding.knurl_or_not import no_knurl, roundness
from knurlsight.measuring.ends import ends_of
from knurlsight.measuring.facets import read_facets
from knurlsight.measuring.flank_fit import TIED, Fit
from knurlsight.measuring.flanks import Crossing, Grooves, Knurl
from knurlsight.measuring.ghost import PRESENT_IN_SQUARE_ABOVE, Ghost, agreed, doubted, fit_with_ghosts, ghosts_of
from knurlsight.measuring.hough import hough_family
from knurlsight.measuring.sightlines import Image, Sightlines, sightlines
from knurlsight.measuring.spectrum import peaks_of, power_of, spectrum_of
from knurlsight.measuring.start import fit_hypothesis, hypotheses
from knurlsight.measuring.unfit import unfit
from knurlsight.measuring.unroll import unroll
from knurlsight.measuring.zone import Zone, zone_of
from knurlsight.model import DoubleTrack, End, Family, Outline, Pattern, Spectrum, Surface, unmeasured
from knurlsight.setup_math.expected import ExpectedPattern
from knurlsight.setup_math.forms import Form, Hand

Array = NDArray[np.float64]

SPECTRUM_ARC_DEG = 46.0
FIT_ARC_DEG = 60.0
END_ARC_DEG = 45.0
OFF_THE_ENDS = 0.03  # of the zone, at either end: neither fitted nor read
FEWEST_FADED = 3.0  # pitches of a faded stretch
COARSE_SAMPLES, FINE_SAMPLES = 7.0, 14.0
LEAST_PX_PER_PITCH = 8.0  # what is asked for; below, doubt grows with the coarseness
HOPELESS_PX_PER_PITCH = 4.5  # to measure at all
MOST_UNEXPLAINED = 0.72
SECOND_FAMILY_GAIN = 0.85  # a second family must leave less than this share of what one leaves
LEAST_FILL = 0.15  # a family of mere scratches, as glints on straight lines make, is none
# rings over straight lines in depth: of 140 synthetic squares 0.59 and more; shallower ones are marks of turning
LEAST_RING_DEPTH = 0.35
MOST_CLIPPED = 0.35
MOST_UNEXPLAINED_SINGLE = 0.6
AGREE = "Fourier and Hough agree"
FEWEST_TEETH, MOST_TEETH = 12, 800
STEEPEST_HELIX_DEG = 66.0
TOO_UNEVEN = (
    "the pattern is too blurred or too uneven to be measured: hold the camera still, focus on the crest, "
    "lamp from one end"
)
NO_KNURL = "what is there does not repeat as a knurl does: show the knurled part whole, nearer, lit from one side"

# what light and an idealised profile still do to the model, as relative standard uncertainties; the photo's own scatter
# comes on top. Synthetic parts, camera and outline given. Pairs: 363, ± 2 x 0.0065 held 0.90, these 0.93. Lines that
# all run one way, read by their profile: of 385 these hold 0.96; by the flanks alone, 49 recessed squares: 0.92
MODEL_AROUND = {"pair": 0.008, "single": 0.0085, "straight": 0.0085}
MODEL_AROUND_PROFILE = 0.006
# and where lines that lean are doubled: errors of 11 counts fitted without their second track, which runs along a part
# of the zone, and of 21 read by their profile; of 4 fitted with it
DOUBLED_AROUND, DOUBLED_FITTED_AROUND = 0.02, 0.012
U_STRAIGHT_COUNT = 0.025  # of straight lines by the flank fit, which their peak holds; 43 synthetic parts
MODEL_ALONG = 0.0016
MODEL_TURNS = 0.014  # by which lines seem displaced over the length that is seen; 232 synthetic diamonds
ARC_LEVER = 1.6  # tan 60° / (60° in rad), the arc fitted
MODEL_FILL = {"pair": 0.1, "single": 0.15, "straight": 0.12}
# where the model explains nearly all of raised diamonds (errors of 15 such: 0.033; of 30 to twice that limit: 0.1)
MODEL_FILL_CLEAR, CLEAR_UNEXPLAINED = 0.05, 0.15
MODEL_BALANCE = 0.07
# where it leaves much, one of the pair may be taken for half as deep: errors of 16 such pairs up to 0.2, two of 0.5
POOR_UNEXPLAINED, MODEL_FILL_POOR, MODEL_BALANCE_POOR = 0.3, 0.15, 0.16
WIDTH_IN_DOUBT = 0.02  # relative: what lies beside the part may then be taken for a damaged patch of it
U_TIPPED_RAD = 0.06  # 45 rendered photos: 0.02 median, 0.35 at worst
OFF_RING = 0.3  # pitches from the middle of a ring groove


@dataclass(frozen=True)
class View:
    """The part as its pattern is measured: camera, crest cylinder of radius 1, heights of the zone's ends."""

    camera: Camera
    cylinder: Cylinder
    zone_z: tuple[float, float]


@dataclass(frozen=True)
class Agreement:
    """What the Hough reading says of the lines, in words, `AGREE` when it sees the same; whether it sees other ones."""

    words: str
    contradicted: bool


@dataclass(frozen=True)
class Width:
    """How well the part's apparent width is known, and what goes with it.

    Attributes
    ----------
    u_rel : float
        Relative standard uncertainty, from the silhouette's edges.
    diameter_follows : float
        Power by which the diameter goes with the width. A scale beside the part gives pixels their size (1); a known
        diameter stays, and all lengths along the part go the other way (0).
    """

    u_rel: float
    diameter_follows: float


def measure_part(
    photo: Photo, outline: Outline, scale: CylinderScale | None, expected: ExpectedPattern | None
) -> Pattern:
    """Measure one part.

    Parameters
    ----------
    photo : Photo
    outline : Outline
    scale : CylinderScale or None
        None gives what needs no scale: form, helix, count, ratios.
    expected : ExpectedPattern or None
        Only breaks the tie between raised and recessed points, which one light cannot always tell apart.
    """
    view = _view(outline, scale)
    zone = zone_of(photo.grey, view.camera, view.cylinder, view.zone_z, fine=True)
    zone = zone or Zone(view.zone_z, (0.0, 0.0), (0.05, 0.05), outline.cut)
    surface, spectrum = _unrolled(photo, view, zone)
    px_per_radius = _px_per_radius(view)
    clipped = _clipped(surface)
    if clipped > MOST_CLIPPED:
        return unmeasured(
            outline,
            f"{clipped:.0%} of the pattern is blown out by glare: lamp lower and from one end, or expose less",
            surface=surface,
            spectrum=spectrum,
        )

    def refused(reason: str) -> Pattern:
        measured = unfit(photo.grey, outline.part_px, _wanted_px(expected, scale))
        return unmeasured(outline, measured or reason, surface=surface, spectrum=spectrum)

    recessed = expected is not None and expected.form in ("RGV", "RKV")
    best = _best_fit(photo, view, zone, surface, "recessed" if recessed else "raised")
    if best is None:
        return refused("no set of knurl lines stands out: more light from one side, sharper, closer (8 px to a pitch)")
    fit, sight = best
    px_per_pitch = min(g.pitch for g in fit.knurl.families) * px_per_radius
    if px_per_pitch < HOPELESS_PX_PER_PITCH:
        closer = f"closer: {px_per_pitch:.1f} px per pitch, {LEAST_PX_PER_PITCH:.0f} needed"
        return unmeasured(outline, closer, surface=surface, spectrum=spectrum)
    if not fit.unexplained <= MOST_UNEXPLAINED:  # so that NaN does not pass
        return refused(TOO_UNEVEN)
    if not _believable(fit, surface):
        return refused(NO_KNURL)
    counts = [2 * math.pi * g.around for g in fit.knurl.families if g.around]
    if reason := no_knurl(roundness(photo.grey, outline), counts, crossed=len(fit.knurl.families) > 1):
        return unmeasured(outline, reason, surface=surface, spectrum=spectrum)
    by_facets = _by_facets(fit, sight)
    faded = _faded(photo, view, zone, fit)
    found = ghosts_of(fit, sight, faded)
    if by_facets is not None:
        found = agreed(found, ghosts_of(by_facets, sight, faded))
    if _agreement(by_facets or fit, surface).words != AGREE:
        found = doubted(found)
    if any(not g.around for g in fit.knurl.families):
        found = doubted(found, PRESENT_IN_SQUARE_ABOVE)
    fit = fit_with_ghosts(fit, found, sight)
    read = by_facets or fit
    # rings show a square's ends, whatever the count round
    zone = _ended(photo, view, zone, read if len(fit.knurl.families) == 1 else fit, sight)
    pattern = _pattern(outline, view, zone, read, sight, found, scale, surface, spectrum, px_per_pitch)
    if _width_of(outline, scale).u_rel > WIDTH_IN_DOUBT:
        return pattern
    return with_faults(pattern, fit, sight, scale.cylinder.radius if scale is not None else None)


def _wanted_px(expected: ExpectedPattern | None, scale: CylinderScale | None) -> float | None:
    """Pixels to the finest pitch that is wanted; None where it or the scale is not known."""
    if expected is None or scale is None or not expected.families:
        return None
    return min(f.normal_pitch_mm for f in expected.families) / scale.mm_per_px.value


def _by_facets(fit: Fit, sight: Sightlines) -> Fit | None:
    """The fit with the count, phase and fill that the profile shows, where all lines that go round run one way.

    None where they do not, or where the profile is too short.
    """
    families = fit.knurl.families
    around = [k for k, g in enumerate(families) if g.around]
    if len(around) != 1 or fit.knurl.crossing == "recessed":
        return None
    k = around[0]
    straight = len(families) == 1 and not families[k].along
    reading = read_facets(sight, families[k], _off_the_rings(fit, sight), U_STRAIGHT_COUNT if straight else None)
    if reading is None:
        return None
    names = ((k, "around"), (k, "phase"), (k, "fill"), (-1, "profile_angle_deg"))
    covariance = fit.covariance.copy()
    for i, a in enumerate(names):
        for j, b in enumerate(names):
            if a in fit.names and b in fit.names:
                covariance[fit.names.index(a), fit.names.index(b)] = reading.covariance[i, j]
    changed = tuple(reading.grooves if g is families[k] else g for g in families)
    knurl = replace(fit.knurl, families=changed, profile_angle_deg=reading.profile_angle_deg)
    return replace(fit, knurl=knurl, covariance=covariance, of_profile=True)


def _off_the_rings(fit: Fit, sight: Sightlines) -> Image | None:
    """1 where the axial lines of a square are seen whole, 0 in its rings; None without rings."""
    for g in fit.knurl.families:
        if not g.around:
            turns = g.along * sight.z - g.phase
            return np.asarray(np.abs(turns - np.round(turns)) > OFF_RING, np.float32)
    return None


def _ended(photo: Photo, view: View, zone: Zone, fit: Fit, sight: Sightlines) -> Zone:
    """The zone with its ends taken from the fitted model."""
    z0, z1 = zone.span_z
    reach = 0.2 * (z1 - z0)
    longer = sightlines(
        photo.grey,
        view.camera,
        view.cylinder,
        (z0 - reach, z1 + reach),
        END_ARC_DEG,
        fit.knurl.families[0].pitch,
        FINE_SAMPLES,
    )
    ends = ends_of(fit, sight, longer)
    if ends.span_z[1] - ends.span_z[0] < 0.5 * (z1 - z0):
        return zone
    return Zone(
        (zone.span_z[0] if zone.cut[0] else ends.span_z[0], zone.span_z[1] if zone.cut[1] else ends.span_z[1]),
        ends.run_in,
        ends.u_end,
        zone.cut,
    )


def _believable(fit: Fit, surface: Surface) -> bool:
    """Whether a fit can be a knurl at all: a count that wheels make, lines that no thread has, straight lines clear."""
    counts = [2 * math.pi * g.around for g in fit.knurl.families if _hand(g) != "ring"]
    if not counts or min(counts) < FEWEST_TEETH or max(counts) > MOST_TEETH:
        return False
    steep = [math.degrees(math.atan2(abs(g.along), g.around)) for g in fit.knurl.families if g.around]
    if max(steep) > STEEPEST_HELIX_DEG:
        return False
    if len(fit.knurl.families) == 2:
        return True
    # a rule's lines, a stack of pins, one bright edge: only lines that vote alike and stand clear are taken
    return fit.unexplained < MOST_UNEXPLAINED_SINGLE and _agreement(fit, surface).words == AGREE


def _view(outline: Outline, scale: CylinderScale | None) -> View:
    if scale is None:
        return View(outline.camera, outline.cylinder.scaled(1.0), outline.zone_z)
    cylinder = scale.cylinder.scaled(1.0)
    # the same two circles on the crest, seen with the refined camera
    crest = outline.camera.project(outline.cylinder.points(np.zeros(2), np.array(outline.zone_z)))
    _, z, _ = cylinder.meet(scale.camera.rays(crest))
    return View(scale.camera, cylinder, (float(z.min()), float(z.max())))


def _width_of(outline: Outline, scale: CylinderScale | None) -> Width:
    apart = np.hypot(*(outline.edges_px[1] - outline.edges_px[0]).mean(axis=0))
    u_edges = math.sqrt(2) * outline.u_edge_px / float(apart)
    u_diameter = _finite(scale.u_width_rel) if scale is not None else 0.0
    u = max(u_edges, u_diameter)
    return Width(u, u_diameter / u if u > 0 else 0.0)


def _px_per_radius(view: View) -> float:
    ends = view.camera.project(view.cylinder.points(np.zeros(2), np.array(view.zone_z)))
    return float(np.hypot(*(ends[1] - ends[0])) / (view.zone_z[1] - view.zone_z[0]))


def _full_form(zone: Zone) -> tuple[float, float]:
    """The span that is fitted: inside the run-ins and a little off the ends."""
    z0, z1 = zone.span_z
    margin = OFF_THE_ENDS * (z1 - z0)
    a, b = z0 + zone.run_in[0] + margin, z1 - zone.run_in[1] - margin
    if b - a < 0.4 * (z1 - z0):
        middle = (z0 + z1) / 2
        return middle - 0.2 * (z1 - z0), middle + 0.2 * (z1 - z0)
    return a, b


def _faded(photo: Photo, view: View, zone: Zone, fit: Fit) -> list[Sightlines]:
    """What `_full_form` leaves out at either end, where it is long enough for lines to show."""
    first, last = _full_form(zone)
    margin = OFF_THE_ENDS * (zone.span_z[1] - zone.span_z[0])
    pitch = float(np.mean([g.pitch for g in fit.knurl.families]))
    return [
        sightlines(photo.grey, view.camera, view.cylinder, span, FIT_ARC_DEG, pitch, FINE_SAMPLES)
        for span in ((zone.span_z[0] + margin, first), (last, zone.span_z[1] - margin))
        if span[1] - span[0] > FEWEST_FADED * pitch
    ]


def _unrolled(photo: Photo, view: View, zone: Zone) -> tuple[Surface, Spectrum]:
    span = _full_form(zone)
    scale = _px_per_radius(view)
    rows = int(np.clip(2 * np.radians(SPECTRUM_ARC_DEG) * scale / 1.4, 64, 420))
    columns = int(np.clip((span[1] - span[0]) * scale / 1.4, 48, 640))
    surface = unroll(photo.grey, view.camera, view.cylinder, span, SPECTRUM_ARC_DEG, rows, columns)
    return surface, spectrum_of(surface)


def _clipped(surface: Surface) -> float:
    return float((surface.brightness[surface.valid] > 250).mean()) if surface.valid.any() else 1.0


def _best_fit(
    photo: Photo, view: View, zone: Zone, surface: Surface, wanted: Crossing = "raised"
) -> tuple[Fit, Sightlines] | None:
    best: tuple[Fit, Sightlines] | None = None
    span = _full_form(zone)
    for hypothesis in hypotheses(peaks_of(surface, power_of(surface.brightness)))[:2]:
        pitch = float(np.mean([1 / np.hypot(*line) for line in hypothesis.lines]))
        coarse, fine = (
            sightlines(photo.grey, view.camera, view.cylinder, span, FIT_ARC_DEG, pitch, samples)
            for samples in (COARSE_SAMPLES, FINE_SAMPLES)
        )
        fit = fit_hypothesis(hypothesis, coarse, fine, wanted=wanted)
        if fit is None or min(g.fill for g in fit.knurl.families) < LEAST_FILL or only_turned(fit.knurl):
            continue
        if best is None:
            best = fit, fine
            continue
        more, fewer = (fit, best[0]) if len(fit.knurl.families) > len(best[0].knurl.families) else (best[0], fit)
        if len(more.knurl.families) > len(fewer.knurl.families):
            wins = more if more.unexplained < SECOND_FAMILY_GAIN * fewer.unexplained else fewer
        else:
            wins = min(fit, best[0], key=lambda f: f.unexplained)
        best = (fit, fine) if wins is fit else best
    return best


def only_turned(knurl: Knurl) -> bool:
    """Whether the rings of a square are so shallow that they are marks of turning on straight lines."""
    depths = {_hand(g): g.fill * g.pitch for g in knurl.families}
    return "ring" in depths and depths["ring"] < LEAST_RING_DEPTH * max(depths.values())


def _form(fit: Fit) -> Form:
    families = fit.knurl.families
    if len(families) == 1:
        g = families[0]
        if abs(g.along) < 1e-9:
            return "RAA"
        return "RBR" if g.along < 0 else "RBL"
    square = any(g.around == 0 for g in families)
    if fit.knurl.crossing == "recessed":
        return "RKV" if square else "RGV"
    return "RKE" if square else "RGE"


def _hand(g: Grooves) -> Hand:
    if g.around == 0:
        return "ring"
    if g.along == 0:
        return "axial"
    return "right" if g.along < 0 else "left"


def _kind(fit: Fit, g: Grooves) -> str:
    """What the doubt of a family goes by; the axial lines and rings of a square are straight lines like any other."""
    if not g.around or not g.along:
        return "straight"
    return "pair" if len(fit.knurl.families) == 2 else "single"


def _pattern(
    outline: Outline,
    view: View,
    zone: Zone,
    fit: Fit,
    sight: Sightlines,
    ghosts: tuple[Ghost, ...],
    scale: CylinderScale | None,
    surface: Surface,
    spectrum: Spectrum,
    px_per_pitch: float,
) -> Pattern:
    coarse = max(1.0, (10.0 / px_per_pitch) ** 1.5)  # blur eats the borders that fix the geometry
    near = view.cylinder.radius / view.cylinder.distance
    if scale is not None:
        u_pose = scale.u_pose_rel
    else:
        # nothing but its taper says how the part tips towards the camera, which shortens what lies along it
        sine = abs(float(view.cylinder.axis[2]))
        shorter = U_TIPPED_RAD * sine / math.sqrt(1 - sine**2) + U_TIPPED_RAD**2 / 2
        u_pose = math.hypot(near / (1 - near**2) * view.camera.u_focal_rel, shorter)
    width = _width_of(outline, scale)
    u_doubled = 0.0
    if any(g.present for g in ghosts):
        u_doubled = DOUBLED_FITTED_AROUND if any(g.ghost for g in fit.knurl.families) else DOUBLED_AROUND
    families = tuple(
        _family(fit, k, ghosts[k], scale, width, sight, coarse, u_pose, outline.u_turn_rad, u_doubled)
        for k in range(len(fit.knurl.families))
    )
    families = tuple(sorted(families, key=lambda f: ("right", "left", "axial", "ring").index(f.hand)))
    radius_mm = scale.cylinder.radius if scale is not None else None
    u_scale = math.hypot(_finite(scale.u_scale_rel) if scale else 0.0, width.u_rel * (1 - width.diameter_follows))
    angles = [f.helix_angle for f in families if f.hand in ("left", "right")]
    included = None
    if len(angles) == 2:
        # one count and one camera for both: their doubts are common and add up, but an axis seen turned takes from one
        # what it gives to the other
        u_turn = math.degrees(outline.u_turn_rad)
        u_common = sum(math.sqrt(max(0.0, a.u**2 - u_turn**2)) for a in angles)
        included = Quantity(sum(a.value for a in angles), u_common, "deg")
    depths = [g.depth(fit.knurl.profile_angle_deg) for g in fit.knurl.families]
    balance = fill = None
    # axial lines and rings are lit so differently that one photo says little of their balance
    if len(depths) == 2 and all(g.around for g in fit.knurl.families):
        u_balance = MODEL_BALANCE_POOR if fit.unexplained > POOR_UNEXPLAINED else MODEL_BALANCE
        balance = Quantity(min(depths) / max(depths), u_balance * coarse)
    worst = min(families, key=lambda f: f.fill.value if f.fill else 9)
    fill = worst.fill if all(f.hand != "ring" for f in families) else None  # nor of a square's fill
    length = full = None
    ends = None
    if radius_mm is not None:
        z0, z1 = zone.span_z
        u_ends = math.hypot(*zone.u_end) * radius_mm
        value = (z1 - z0) * radius_mm
        length = Quantity(value, math.hypot(u_ends, u_scale * value), "mm")
        full_value = max(0.0, value - (zone.run_in[0] + zone.run_in[1]) * radius_mm)
        full = Quantity(full_value, math.hypot(1.5 * u_ends, u_scale * value), "mm")
    crest = view.camera.project(view.cylinder.points(np.zeros(2), np.array(zone.span_z)))
    made = []
    for k in (0, 1):
        run = None
        if radius_mm is not None and not zone.cut[k]:
            run = Quantity(
                zone.run_in[k] * radius_mm, max(zone.u_end[k] * 1.5, 0.15 * zone.run_in[k]) * radius_mm, "mm"
            )
        made.append(End((float(crest[k, 0]), float(crest[k, 1])), run, run))
    ends = (made[0], made[1])
    arc = float(np.degrees(np.abs(sight.theta).mean(axis=1).max())) * 2
    agreement = _agreement(fit, surface)
    return Pattern(
        outline=replace(outline, camera=view.camera, cylinder=view.cylinder, zone_z=zone.span_z, cut=zone.cut),
        form=_form(fit),
        families=families,
        outside_diameter=scale.outside_diameter if scale is not None else None,
        included_angle=included,
        balance=balance,
        form_fill=fill,
        knurled_length=length,
        full_form_length=full,
        ends=ends,
        seen_arc_deg=Quantity(arc, 2.0, "deg"),
        px_per_pitch=px_per_pitch,
        agreement=agreement.words,
        lines_contradicted=agreement.contradicted,
        surface=surface,
        spectrum=spectrum,
        notes=outline.notes,
    )


def _finite(u: float) -> float:
    return u if math.isfinite(u) else 0.0


def _family(
    fit: Fit,
    k: int,
    ghost: Ghost,
    scale: CylinderScale | None,
    edges: Width,
    sight: Sightlines,
    coarse: float,
    u_pose: float,
    u_turn_rad: float,
    u_doubled: float,
) -> Family:
    import GTC

    g = fit.knurl.families[k]
    hand, kind = _hand(g), _kind(fit, g)
    tied = TIED in fit.names
    u_around = 0.0
    if g.around:
        own = fit.u(TIED) if tied else fit.u((k, "around"))
        model = MODEL_AROUND_PROFILE if fit.of_profile else MODEL_AROUND[kind]
        u_around = math.hypot(own / g.around, model * coarse, u_doubled if g.along else 0.0)
    u_along = 0.0
    if g.along:
        turns = abs(g.along) * float(sight.z.max() - sight.z.min())
        u_along = math.hypot(fit.u((k, "along")) / abs(g.along), MODEL_ALONG * coarse, MODEL_TURNS / turns)
    # what is measured, each with its own relative doubt; a library carries them into every figure (JCGM 100, 5.1), so
    # that what is divided out, such as the scale in a helix, drops out of the doubt too
    size = GTC.ureal(1.0, _finite(scale.u_scale_rel) if scale is not None else 0.0, label="scale")
    width = GTC.ureal(1.0, edges.u_rel, label="edges of the part")
    distance = GTC.ureal(1.0, u_pose, label="distance of the camera")
    turn = GTC.ureal(0.0, u_turn_rad, label="direction of the axis")
    radius = size * (scale.cylinder.radius if scale is not None else 1.0)
    transverse = axial = None
    teeth = whole = None
    if g.around:
        # a wider part has fewer degrees in the fitted rows: N grows 1.6 times as fast as the width
        count = 2 * math.pi * g.around * GTC.ureal(1.0, u_around, label="lines around") * width**ARC_LEVER
        transverse = 2 * math.pi * radius * width**edges.diameter_follows / count
        teeth = _quantity(count, "")
        whole = whole_count(teeth.value, teeth.u) if not ghost.present else None
    if g.along:
        axial = radius * width ** (edges.diameter_follows - 1)
        axial = axial / (abs(g.along) * GTC.ureal(1.0, u_along, label="lines along"))
        axial = axial * (1 + turn * (g.around / g.along))
    helix = Quantity(90.0 if hand == "ring" else 0.0, math.hypot(0.3, math.degrees(u_turn_rad)), "deg")
    normal = transverse if axial is None else axial
    if transverse is not None and axial is not None:
        normal = 1 / GTC.sqrt(1 / transverse**2 + 1 / axial**2)
        sine = g.along / math.hypot(g.around, g.along)
        # the count that both families share does not turn with the axis; the axial pitch alone takes only a part of it
        angle = GTC.atan(transverse / axial * distance) - turn * (abs(sine) * sine)
        helix = _quantity(angle * (180 / math.pi), "deg")
    u_fill = math.hypot(_finite(fit.u((k, "fill"))), _u_model_fill(fit, kind) * coarse)
    fill = Quantity(min(1.0, g.fill), u_fill)
    strength = Quantity(g.depth(fit.knurl.profile_angle_deg) / g.pitch, u_fill * 0.5)
    # φ = around θ + along (z - middle) - phase
    return Family(
        hand=hand,
        normal_pitch=_quantity(normal, "mm") if scale is not None and normal is not None else None,
        transverse_pitch=_quantity(transverse, "mm") if scale is not None and transverse is not None else None,
        axial_pitch=_quantity(axial, "mm") if scale is not None and axial is not None else None,
        helix_angle=helix,
        teeth=teeth,
        teeth_whole=whole,
        fill=fill,
        strength=strength,
        double_track=DoubleTrack(ghost.present, ghost.ratio, ghost.offset, ghost.extent, ghost.words, ghost.log_odds),
        teeth_fit=2 * math.pi * g.around,
        axial_pitch_radii=1 / abs(g.along) if g.along else math.inf,
        sign=int(np.sign(g.along)),
        phase_turns=-g.phase - g.along * sight.middle_z,
    )


def _u_model_fill(fit: Fit, kind: str) -> float:
    if kind == "pair" and fit.unexplained > POOR_UNEXPLAINED:
        return MODEL_FILL_POOR
    if kind == "pair" and fit.knurl.crossing == "raised" and fit.unexplained < CLEAR_UNEXPLAINED:
        return MODEL_FILL_CLEAR
    return MODEL_FILL[kind]


def _quantity(figure: Any, unit: str) -> Quantity:
    """Of an uncertain number of the library."""
    import GTC

    return Quantity(float(GTC.value(figure)), float(GTC.uncertainty(figure)), unit)


def whole_count(teeth: float, u: float) -> int | None:
    """The whole number of teeth, when its probability among whole numbers is over 0.95."""
    nearest = round(teeth)
    near = np.arange(nearest - 6, nearest + 7)
    weight = np.exp(-0.5 * ((near - teeth) / max(u, 1e-6)) ** 2)
    return int(nearest) if u < 0.3 and weight[6] / weight.sum() > 0.95 else None


def _agreement(fit: Fit, surface: Surface) -> Agreement:
    """What the Hough reading says of each family."""
    apart, contradicted = [], False
    for peak_like in fit.knurl.families:
        seen = hough_family(surface, peak_like.around, peak_like.along)
        if seen is None:
            apart.append(f"the {_hand(peak_like)} lines are too weak for the Hough reading")
            continue
        turned = math.degrees(math.atan2(seen.along, seen.around) - math.atan2(peak_like.along, peak_like.around))
        longer = math.hypot(seen.around, seen.along) * peak_like.pitch - 1
        # the votes see the same light as the spectrum: a few per cent is what light does
        if abs(turned) > 2.5 or abs(longer) > 0.09:
            contradicted = True
            apart.append(
                f"Hough and Fourier disagree on the {_hand(peak_like)} lines by {turned:+.1f}° and {longer:+.1%}"
            )
    return Agreement("; ".join(apart) or AGREE, contradicted)
