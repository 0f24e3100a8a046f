"""One scene: a camera, a bench plane, a scale on it and a round part resting on it, solved together.

Everything that is known enters one weighted least-squares problem: marks of the scale, the part's silhouette, the
focal length that EXIF claims, the height of the scale, the tolerance of its graduation. What is known beforehand is a
residual like any other, so the covariance of the answer is (J'J)⁻¹, and the share of each source in the uncertainty of
a figure follows by linear propagation (JCGM 102, 6.2) and adds up exactly.

Geometry, in camera axes (x right, y down, z forward): the bench is a plane with unit normal towards the camera; the
scale's face is parallel to it, a thickness nearer; the part touches it with the lowest points of its profile, level or
tipped. A part nearer to the camera than the scale looks larger, and only this solves by how much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from photoscale.camera import Camera
from photoscale.card import CardReading
from photoscale.cylinder import Cylinder, cross, cylinder_from_silhouette
from photoscale.errors import SceneError
from photoscale.photo import Photo, camera_from_exif
from photoscale.quantity import Quantity
from photoscale.reading import (
    DiameterReading,
    Marks,
    OneReading,
    PinReading,
    PlainReading,
    Reading,
    RigReading,
    RuleReading,
    each_reading,
)
from photoscale.words import CARD_HEIGHT_MM, RULE_HEIGHT_MM, ScaleHeight

Array = NDArray[np.float64]

# what is believed before looking, all standard uncertainties
U_TILT = 0.12  # rad; photos are meant to be taken straight down
U_CENTRE_REL = 0.01  # principal point, of the longer side
U_K1, U_K2 = 0.03, 0.03  # radial distortion left in a photo
U_CROP_CENTRE_REL = 0.08
U_CROP_LOG_FOCAL = 0.35
CROP_LOG_FOCAL = 0.25  # a crop makes the lens look longer, never shorter
U_PLACED_MM = 0.3  # a scale put at axis or crest height by hand
# largest error over 100 mm: JIS B 7516 class 1 0.15 mm, 2014/32/EU class I 0.2 mm; a rectangle of half-width 0.2 %
U_RULE_REL = 0.002 / math.sqrt(3)
# rad; of the lines against the rule's edge, 0.1 mm over the width of a rule: what wear and careless engraving allow
U_LEAN = 0.005
# where parts are photographed from; only believed when nothing is known of the lens
USUAL_DISTANCE_MM, U_LOG_DISTANCE = 180.0, 0.7
# nearer or farther than this a lens of known focal length is not used; a scale that says so was named wrongly
POSSIBLE_MM = (30.0, 3000.0)
# marks may scatter this much more than their own residuals before all are widened (Birge ratio)
BIRGE = 1.15
STEEPEST_REST = 0.6  # of the axis against the bench, tangent
# chi-squared by which a body must look tipped before it is taken to lie other than balance says
TIPPED_CHI2 = 9.0
# chi-squared by which two scales must contradict one another (k = 2, as of a normalised error over 1)
AGREE_CHI2 = 4.0
U_HELD = 1e-7  # relative, of two scales held to one size
# chi-squared by which the scale's own perspective must contradict EXIF before EXIF is given up for a card (p < 0.001 at
# 3 dof). A rule's lines lie on two lines only: of 128 rules on photos that nobody cropped 7 contradict EXIF as much
# (they ask for 0.35 to 1.81 times its focal length, which is up to 25 % of scale), and of drawn photos cropped by 1.3
# to 2.5 times only the last do. So a rule's lines are widened by the contradiction instead. Trusting EXIF less, too,
# lets them win again (22 % of scale)
CROP_CHI2 = 16.3
# relative; on four photos tighter ones moved no figure by a thousandth of its doubt, and took twice as long
ENOUGH = 1e-6
# chi-squared of all that is believed beforehand: right readings 7 at most (99 rendered photos), misread ones 1,800
STRAINED_CHI2 = 60.0

WORDS = {
    "marks": "scale marks",
    "graduation": "scale graduation or print",
    "height": "height of the scale",
    "silhouette": "edges of the part",
    "focal": "focal length",
    "centre": "centre of the lens",
    "distortion": "lens distortion",
    "tilt": "tilt of the camera",
    "diameter": "known diameter",
    "plain": "typed mm per px",
    "distance": "typed distance of the camera",
}


@dataclass(frozen=True)
class Silhouette:
    """The measured cylinder as seen.

    Attributes
    ----------
    edge_a, edge_b : (2, 2) arrays
        Two points (x, y) in px on each silhouette line, from end 1 to end 2: the span that is measured.
    u_px : float
        Standard uncertainty of each line's offset, common to its length.
    profile : (k, 2) array
        (z, r) of the whole resting body in units of the measured radius, z as in `cylinder`: along the axis from the
        axis point nearest the camera, end 1 to end 2.
    """

    edge_a: Array
    edge_b: Array
    u_px: float
    profile: Array


@dataclass(frozen=True)
class BudgetRow:
    """One source of uncertainty of a scale.

    Attributes
    ----------
    source : str
        In words.
    u_rel : float
        Its share in the relative standard uncertainty of mm per px at the crest.
    """

    source: str
    u_rel: float


@dataclass(frozen=True)
class CylinderScale:
    """The measured cylinder in millimetres.

    Attributes
    ----------
    camera : Camera
        Focal length (and what else the scene fixes) refined.
    cylinder : Cylinder
        In mm.
    outside_diameter : Quantity
        mm; u 0 when the scale stated none.
    mm_per_px : Quantity
        Along the axis, on the crest line nearest the camera, in the middle of the span measured.
    distance_mm : Quantity or None
        Camera centre to axis.
    u_scale_rel : float
        Relative standard uncertainty of an axial length that comes from the scale; NaN when the scale stated none.
    u_width_rel : float
        Part of the relative standard uncertainty of the diameter that comes from the silhouette's edges, not shared
        with axial lengths.
    budget : tuple of BudgetRow
        Largest first.
    source : str
        Which scale, in words.
    notes : tuple of str
    """

    camera: Camera
    cylinder: Cylinder
    outside_diameter: Quantity
    mm_per_px: Quantity
    distance_mm: Quantity | None
    u_scale_rel: float
    u_width_rel: float
    budget: tuple[BudgetRow, ...]
    source: str
    notes: tuple[str, ...] = ()

    @property
    def u_pose_rel(self) -> float:
        """Relative doubt of a length along the part, counted in radii, that comes from the camera's distance.

        With q = R / d, the crest line lies R nearer than the axis: a change of d changes lengths on it by q / (1 - q²)
        of itself against the silhouette.
        """
        if self.distance_mm is None or not math.isfinite(self.distance_mm.u):
            return 0.0
        near = self.cylinder.radius / self.cylinder.distance
        return near / (1 - near**2) * self.distance_mm.u / self.distance_mm.value


@dataclass(frozen=True)
class Resting:
    """How a body of revolution lies on a plane, in units of the measured radius.

    Attributes
    ----------
    height : float
        Of the axis above the plane at z = 0.
    sine : float
        Of the angle by which the axis climbs towards end 2.
    """

    height: float
    sine: float


def resting(profile: Array) -> tuple[Resting, ...]:
    """Ways in which a body can lie: on any two neighbouring corners of its lower outline.

    Parameters
    ----------
    profile : (k, 2) array
        (z, r), in units of the measured radius; a solid body of one material.

    Returns
    -------
    tuple of Resting
        First the one that is stable by itself, the centre of mass between the two points of contact.
    """
    order = np.argsort(profile[:, 0], kind="stable")
    z, r = profile[order].T
    if len(z) < 2 or np.ptp(z) < 1e-9:
        return (Resting(float(r.max(initial=1.0)), 0.0),)
    # solid of revolution between neighbours, trapezoid rule on r²
    area, step, middle = (r[1:] ** 2 + r[:-1] ** 2) / 2, np.diff(z), (z[1:] + z[:-1]) / 2
    mass = float(area @ step)
    balance = float((area * step) @ middle / mass) if mass > 0 else float(z.mean())
    hull: list[tuple[float, float]] = []
    for point in zip(z, -r, strict=True):  # lower hull of the outline below the axis
        while len(hull) > 1 and _turn(hull[-2], hull[-1], point) <= 0:
            hull.pop()
        hull.append(point)
    stable: list[Resting] = []
    others: list[Resting] = []
    for (z0, y0), (z1, y1) in pairwise(hull):
        slope = (y1 - y0) / max(z1 - z0, 1e-9)
        if abs(slope) > STEEPEST_REST:
            continue  # the face of a shoulder: nothing stands on that in a photo from above
        cosine = 1 / math.hypot(1, slope)
        way = Resting(-(y0 - slope * z0) * cosine, -slope * cosine)
        (stable if z0 <= balance <= z1 else others).append(way)
    return (*stable, *others) or (Resting(float(r.max()), 0.0),)


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


# --- the scene -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Scene:
    """Parameters and residuals of one problem; `names` gives the place of each parameter."""

    names: dict[str, int]
    blocks: Callable[[Array], dict[str, Array]]
    start: Array
    camera: Callable[[Array], Camera]
    cylinder: Callable[[Array], Cylinder]


def scale_cylinder(
    photo: Photo,
    reading: Reading,
    silhouette: Silhouette,
    height: ScaleHeight,
    camera: Camera | None = None,
    camera_distance: Quantity | None = None,
) -> CylinderScale:
    """Millimetres on a cylinder that rests on the same bench as the scale.

    Parameters
    ----------
    photo : Photo
        Gives the camera prior when `camera` is None.
    reading : Reading
        From `find.find_scale`; two must agree and are then solved together.
    silhouette : Silhouette
    height : ScaleHeight
        Where the scale's face is; of no meaning for a pin, a known diameter or typed mm/px.
    camera : Camera, optional
        A known camera (a rig); its `u_focal_rel` counts and its centre and distortion are held.
    camera_distance : Quantity, optional
        Measured from the lens to the nearest crest, mm. The lens's own centre lies somewhere inside it, so 5 mm is a
        good uncertainty for a phone and 20 mm for a large lens.

    Raises
    ------
    SceneError
        Scale and part do not go together, or two scales not with each other.
    """
    notes: list[str] = list(reading.notes)
    source = " and ".join(_source(one) for one in each_reading(reading))
    scales: list[tuple[Marks, ScaleHeight]] = []
    for one, at in zip(each_reading(reading), (height, height.second or height), strict=False):
        if isinstance(one, RigReading):
            camera = camera if camera is not None else one.camera
        scales.append((one.card if isinstance(one, RigReading) else one, at))
    prior = camera if camera is not None else camera_from_exif(photo)
    known = camera is not None

    ways = resting(silhouette.profile)

    def solved(crop: bool, way: Resting, near: Array | None = None, widen: float = 1.0) -> tuple[_Scene, Array, float]:
        """Solved twice when the marks scatter more than they should: then all of them are widened (Birge ratio).

        Likewise by `widen` on top, where something else says that they are worse than they seem.
        """
        build = partial(_build, photo, scales, silhouette, prior, way, camera_distance, known=known, crop=crop)
        scene = build()
        solution, cost = _solve(scene) if near is None else _solve_near(scene, near)
        marks = scene.blocks(solution)["marks"]
        ratio = math.sqrt(float(marks @ marks) / max(1, marks.size - 8))
        if marks.size >= 20 and ratio >= BIRGE:
            widen *= ratio
        if widen == 1.0:
            return scene, solution, cost
        scene = build(widen=widen)
        return scene, *_solve_near(scene, solution)

    way = ways[0]
    scene, solution, cost = solved(crop=False, way=way)
    for other in ways[1:]:
        tipped = solved(crop=False, way=other, near=solution)
        if cost - tipped[2] > TIPPED_CHI2:
            (scene, solution, cost), way = tipped, other
    if way is not ways[0]:
        notes.append(f"the part's taper says that it lies tipped by {math.degrees(math.asin(way.sine)):+.0f}°")
    flat = any(isinstance(one, CardReading | RuleReading) for one, _ in scales)
    if not known and photo.focal_length_35mm is not None and flat:
        blocks = scene.blocks(solution)
        # EXIF is only asked to leave when the marks, or what is believed beforehand, are strained
        if (
            sum(float(v @ v) for k, v in blocks.items() if k != "marks") > CROP_CHI2 / 2
            or cost > 1.5 * blocks["marks"].size
        ):
            freed = solved(crop=True, way=way)
            apart = cost - freed[2]
            if apart > CROP_CHI2 and any(isinstance(one, CardReading) for one, _ in scales):
                scene, solution, cost = freed
                ratio = scene.camera(solution).focal_px / prior.focal_px
                notes.append(
                    f"the perspective of the scale asks for {ratio:.2f} times the focal length that EXIF gives: "
                    "a cropped or zoomed photo; EXIF was not used"
                )
            elif apart > CROP_CHI2:
                _refuse_strained(*freed[:2], source)  # no focal length makes a flat rule of what was misread
                scene, solution, cost = solved(crop=False, way=way, near=solution, widen=math.sqrt(apart))
                notes.append(
                    "the rule's perspective and the focal length that EXIF gives do not agree, and EXIF is believed: "
                    "if the photo was cropped, use a card, or a caliper and od:"
                )
    if flat:
        _refuse_strained(scene, solution, source)
    if len(scales) > 1:
        scene, solution, words = _agreeing(scene, solution, cost, source)
        notes.append(words)
    distance = scene.cylinder(solution).distance
    if photo.focal_length_35mm is not None and not known and not POSSIBLE_MM[0] < distance < POSSIBLE_MM[1]:
        raise SceneError(
            f"with this scale ({source}) the camera would be {distance:.0f} mm away, which its lens cannot be",
            "check the scale word: unit, decimal point, which rule",
        )
    return _report(scene, solution, scales, silhouette, source, notes)


def _refuse_strained(scene: _Scene, solution: Array, source: str) -> None:
    """Raise `SceneError` where what is believed beforehand is strained more than any right reading strains it."""
    blocks = scene.blocks(solution)
    strain = sum(float(v @ v) for k, v in blocks.items() if k not in ("marks", "distance"))
    if strain > STRAINED_CHI2:
        raise SceneError(
            f"the marks of this scale ({source}) do not lie as those of a flat, straight one do",
            "lay it flat; see in the picture which marks were read, and name the scale as it is marked there",
        )


def _agreeing(scene: _Scene, apart: Array, cost: float, source: str) -> tuple[_Scene, Array, str]:
    """The scene again with two scales held to one size; how far apart they were, in words.

    The rise of chi-squared on holding them tells whether they contradict one another, all that they share included.

    Raises
    ------
    SceneError
        They do.
    """
    at = scene.names["log_ratio"]
    held = replace(scene, start=apart, blocks=lambda p: scene.blocks(p) | {"held": p[[at]] / U_HELD})
    solution, cost_held = _solve(held)
    rise, share = cost_held - cost, abs(math.expm1(apart[at]))
    if rise > AGREE_CHI2:
        allowed = share * math.sqrt(AGREE_CHI2 / rise)
        raise SceneError(
            f"the two scales disagree ({source}): they are {100 * share:.2g} % apart, {100 * allowed:.2g} % is all "
            "that their uncertainties allow",
            "check both words, the scale height, and that the photo is neither cropped nor zoomed; measure again",
        )
    return held, solution, f"{source} agree: they are {100 * share:.2g} % apart"


def _build(
    photo: Photo,
    scales: Sequence[tuple[Marks, ScaleHeight]],
    silhouette: Silhouette,
    prior: Camera,
    rest: Resting,
    measured: Quantity | None,
    *,
    known: bool,
    crop: bool,
    widen: float = 1.0,
) -> _Scene:
    edges = np.vstack([silhouette.edge_a, silhouette.edge_b]).astype(float)
    try:
        seen = cylinder_from_silhouette(prior, silhouette.edge_a, silhouette.edge_b)
    except ValueError as e:
        raise SceneError(
            f"the part's edges make no cylinder: {e}", "show both edges of the part, shot from above"
        ) from e
    longer = max(photo.width_px, photo.height_px)
    lens_mm = photo.focal_length_mm if photo.focal_length_35mm is not None and not known else None

    # parameters: name -> (start, width of the prior or None)
    start: dict[str, float] = {"log_f": 0.0, "cx": 0.0, "cy": 0.0, "k1": 0.0, "k2": 0.0, "tx": 0.0, "ty": 0.0}
    if known:
        u_centre, u_k1, u_k2 = 1e-9, 1e-9, 1e-9
    else:
        u_centre, u_k1, u_k2 = (U_CROP_CENTRE_REL if crop else U_CENTRE_REL) * longer, U_K1, U_K2
    mean_f, u_f = (CROP_LOG_FOCAL, U_CROP_LOG_FOCAL) if crop else (0.0, prior.u_focal_rel)

    mid_rays = prior.rays(edges).mean(axis=0)
    first = scales[0][0]
    depth = _depth_of_scale(first, silhouette, prior, seen)
    radius = depth / seen.distance
    start["log_d"] = math.log(depth + (radius if isinstance(first, DiameterReading | PlainReading) else 0.0))
    start["log_r"] = math.log(radius)
    start["angle"] = math.atan2(seen.axis[1], seen.axis[0])
    # lateral place of the axis in the plane: along n × e
    level = np.array([math.cos(start["angle"]), math.sin(start["angle"]), 0.0])
    start["side"] = float(cross(np.array([0, 0, -1.0]), level) @ (mid_rays * depth))
    parts = [_scale_part(one, silhouette, height, prior, depth) for one, height in scales]
    # each scale has parameters of its own; how much the second makes everything larger is one more
    for number, (scale_start, _) in enumerate(parts):
        start |= {f"{number}:{name}": value for name, value in scale_start.items()}
    if len(parts) > 1:
        start["log_ratio"] = 0.0
    names = {name: i for i, name in enumerate(start)}
    own = [names | {name: names[f"{number}:{name}"] for name in part[0]} for number, part in enumerate(parts)]
    u_line = silhouette.u_px

    def camera(p: Array) -> Camera:
        return Camera(
            prior.focal_px * math.exp(p[names["log_f"]]),
            (prior.centre_px[0] + p[names["cx"]], prior.centre_px[1] + p[names["cy"]]),
            (prior.distortion[0] + p[names["k1"]], prior.distortion[1] + p[names["k2"]], *prior.distortion[2:]),
        )

    def plane(p: Array) -> tuple[Array, Array, Array, Array]:
        """Normal towards the camera, two directions in the plane (right, down), the point under the lens's middle."""
        n = np.array([p[names["tx"]], p[names["ty"]], -1.0])
        n /= np.linalg.norm(n)
        right = np.array([1.0, 0, 0]) - n[0] * n
        right /= np.linalg.norm(right)
        return n, right, cross(right, n), np.array([0, 0, math.exp(p[names["log_d"]])])

    def cylinder(p: Array) -> Cylinder:
        r = math.exp(p[names["log_r"]])
        return _lying(plane(p), p[names["angle"]], p[names["side"]], r, rest)

    def unusual(cyl: Cylinder) -> list[float]:
        lens_known = known or photo.focal_length_35mm is not None
        return [] if lens_known else [math.log(cyl.distance / USUAL_DISTANCE_MM) / U_LOG_DISTANCE]

    def blocks(p: Array) -> dict[str, Array]:
        cam, cyl = camera(p), cylinder(p)
        out = {
            "silhouette": _line_residuals(cam, cyl, edges, u_line),
            "focal": np.array([(p[names["log_f"]] - mean_f - _focusing(lens_mm, cyl, crop)) / u_f, *unusual(cyl)]),
            "centre": np.array([p[names["cx"]], p[names["cy"]]]) / u_centre,
            "distortion": np.array([p[names["k1"]] / u_k1, p[names["k2"]] / u_k2]),
            "tilt": np.array([p[names["tx"]], p[names["ty"]]]) / U_TILT,
        }
        if measured is not None:
            out["distance"] = np.array([(cyl.distance - cyl.radius - measured.value) / measured.u])
        n, right, down, origin = plane(p)
        found: dict[str, list[Array]] = {"marks": []}
        for number, (_, scale_blocks) in enumerate(parts):
            # a view is the same whatever its unit: that of the second scale may be another
            unit = math.exp(p[names["log_ratio"]]) if number else 1.0
            there = scale_blocks(p, own[number], cam, (n, right, down, unit * origin), cyl.scaled(unit * cyl.radius))
            for name, rest_of in there.items():
                found.setdefault(name, []).append(rest_of / widen if name == "marks" else rest_of)
        return out | {name: np.concatenate([[], *rests]) for name, rests in found.items()}

    return _Scene(names, blocks, np.array(list(start.values())), camera, cylinder)


def _focusing(lens_mm: float | None, cylinder: Cylinder, crop: bool) -> float:
    """log of 1 / (1 - f / d): a lens focused close acts longer than its nominal focal length (thin lens)."""
    if lens_mm is None or crop:
        return 0.0
    return -math.log1p(-min(lens_mm / max(cylinder.distance - cylinder.radius, 1e-6), 0.5))


def _lying(
    plane: tuple[Array, Array, Array, Array], angle: float, side: float, radius: float, rest: Resting
) -> Cylinder:
    n, right, down, origin = plane
    e = math.cos(angle) * right + math.sin(angle) * down
    axis = math.sqrt(1 - rest.sine**2) * e + rest.sine * n
    base = origin + side * cross(n, e) + rest.height * radius * n
    # the axis point nearest the camera is where the profile's z is 0, so there the height holds
    foot = base - (axis @ base) / (axis @ e) * e
    return Cylinder(foot, axis, radius)


def _line_residuals(camera: Camera, cylinder: Cylinder, edges: Array, u_px: float) -> Array:
    """Offset and skew of each silhouette line against the tangent planes, in units of their uncertainties."""
    near, side, axis = cylinder.frame()
    sine = min(cylinder.radius / cylinder.distance, 0.999)
    cosine = math.sqrt(1 - sine * sine)
    rays = camera.rays(edges)
    out = []
    # which side each edge is on
    for pair in (rays[:2], rays[2:]):
        sign = 1.0 if pair.mean(axis=0) @ side > 0 else -1.0
        normal = cross(axis, sine * sign * side - cosine * near)
        off = pair @ normal / np.linalg.norm(normal - (normal @ [0, 0, 1]) * np.array([0, 0, 1])) * camera.focal_px
        out += [(off[0] + off[1]) / 2 / u_px, (off[1] - off[0]) / 2 / (0.5 * u_px)]
    return np.array(out)


def _depth_of_scale(reading: Marks, silhouette: Silhouette, camera: Camera, seen: Cylinder) -> float:
    """Rough depth of the scale, mm, as if nothing were tilted."""
    match reading:
        case CardReading():
            return camera.focal_px / _px_per_mm(reading.points_px, reading.points_mm)
        case RuleReading():
            one = reading.edge == reading.edge[0]
            along = np.column_stack([reading.along_mm[one], np.zeros(int(one.sum()))])
            return camera.focal_px / _px_per_mm(reading.points_px[one], along)
        case PinReading():
            try:
                pin = cylinder_from_silhouette(camera, reading.edge_a, reading.edge_b)
            except ValueError as e:
                raise SceneError(f"the pin's edges make no cylinder: {e}", "shoot the pin from above, whole") from e
            return pin.distance * reading.diameter.value / 2
        case DiameterReading():
            return seen.distance * reading.diameter.value / 2
        case PlainReading():
            return reading.mm_per_px.value * camera.focal_px * seen.distance / (seen.distance - 1)


def _px_per_mm(points_px: Array, points_mm: Array) -> float:
    spread = np.linalg.norm(points_mm - points_mm.mean(axis=0))
    return float(np.linalg.norm(points_px - points_px.mean(axis=0)) / spread)


ScaleBlocks = Callable[[Array, dict[str, int], Camera, tuple[Array, Array, Array, Array], Cylinder], dict[str, Array]]


def _scale_part(
    reading: Marks, silhouette: Silhouette, height: ScaleHeight, prior: Camera, depth: float
) -> tuple[dict[str, float], ScaleBlocks]:
    """Start values of the scale's own parameters, and its residuals."""
    match reading:
        case CardReading():
            return _flat_scale(
                reading.points_px,
                reading.points_mm,
                None,
                (reading.u_points_px, reading.u_points_px),
                reading.u_square_mm / reading.square_mm,
                CARD_HEIGHT_MM,
                height,
                prior,
                depth,
            )
        case RuleReading():
            n = len(reading.along_mm)
            return _flat_scale(
                reading.points_px,
                np.column_stack([reading.along_mm, np.zeros(n)]),
                reading.edge,
                # the error across is common to an edge: as if four points carried it
                (reading.u_points_px, reading.u_across_px * math.sqrt(n / 8)),
                U_RULE_REL,
                RULE_HEIGHT_MM,
                height,
                prior,
                depth,
            )
        case PinReading():
            return _pin_scale(reading, prior, depth)
        case DiameterReading():

            def known(p: Array, names: dict[str, int], cam: Camera, plane: object, cyl: Cylinder) -> dict[str, Array]:
                return {"diameter": np.array([(2 * cyl.radius - reading.diameter.value) / reading.diameter.u])}

            return {}, known
        case PlainReading():
            middle = np.vstack([silhouette.edge_a, silhouette.edge_b]).mean(axis=0)
            u = reading.mm_per_px.u / reading.mm_per_px.value or 1e-4

            def typed(p: Array, names: dict[str, int], cam: Camera, plane: object, cyl: Cylinder) -> dict[str, Array]:
                return {"plain": np.array([math.log(_mm_per_px(cam, cyl, middle) / reading.mm_per_px.value) / u])}

            return {}, typed


def _flat_scale(
    points_px: Array,
    points_mm: Array,
    edge: NDArray[np.int64] | None,
    u_px: tuple[float, float],
    u_rel: float,
    thickness: tuple[float, float],
    height: ScaleHeight,
    prior: Camera,
    depth: float,
) -> tuple[dict[str, float], ScaleBlocks]:
    """A flat scale on or above the bench.

    `edge` tells in which of two rows of unknown distance a point is (a rule); None: both coordinates known (a card).
    """
    flat = prior.rays(points_px)[:, :2] * depth
    first = slice(None) if edge is None else edge == edge[0]
    a = points_mm[first] - points_mm[first].mean(axis=0)
    b = flat[first] - flat[first].mean(axis=0)
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    at = flat[first].mean(axis=0) - rotation @ points_mm[first].mean(axis=0)
    start = {"x0": float(at[0]), "y0": float(at[1]), "turn": turn, "log_k": 0.0, "lift": 0.0}
    if edge is not None:
        start["lean"] = 0.0
    rows = [] if edge is None else [int(k) for k in np.unique(edge) if k != edge[0]]
    for k in rows:
        across = (flat[edge == k] - at) @ rotation[:, 1]
        start[f"row{k}"] = float(across.mean())
    # direction of the rows in the photo, to weigh along and across apart
    along = points_px[first][np.argmax(points_mm[first][:, 0])] - points_px[first][np.argmin(points_mm[first][:, 0])]
    along = along / np.linalg.norm(along)
    axes = np.array([along, [-along[1], along[0]]])
    if height.at == "stated" and height.height_mm is not None and height.u_mm is not None:
        thickness = (height.height_mm, height.u_mm)

    def blocks(
        p: Array, names: dict[str, int], cam: Camera, plane: tuple[Array, Array, Array, Array], cyl: Cylinder
    ) -> dict[str, Array]:
        n, right, down, origin = plane
        mean, u = thickness
        if height.at in ("axis", "crest"):
            u = min(U_PLACED_MM, 0.05 + 0.05 * cyl.radius)
            mean = float((cyl.foot - origin) @ n) + (cyl.radius if height.at == "crest" else 0.0)
        lift = mean + u * p[names["lift"]]
        c, s = math.cos(p[names["turn"]]), math.sin(p[names["turn"]])
        k = math.exp(u_rel * p[names["log_k"]])
        x, y = points_mm[:, 0] * k, points_mm[:, 1] * k
        for row in rows:
            y = np.where(edge == row, p[names[f"row{row}"]], y)
        if edge is not None:
            x = x + U_LEAN * p[names["lean"]] * y
        px, py = p[names["x0"]] + c * x - s * y, p[names["y0"]] + s * x + c * y
        world = origin + lift * n + px[:, None] * right + py[:, None] * down
        off = (cam.project(world) - points_px) @ axes.T
        return {
            "marks": (off / u_px).ravel(),
            "graduation": np.array([p[names[n]] for n in ("log_k", "lean") if n in names]),
            "height": np.array([p[names["lift"]]]),
        }

    return start, blocks


def _pin_scale(reading: PinReading, prior: Camera, depth: float) -> tuple[dict[str, float], ScaleBlocks]:
    seen = cylinder_from_silhouette(prior, reading.edge_a, reading.edge_b)
    angle = math.atan2(seen.axis[1], seen.axis[0])
    e = np.array([math.cos(angle), math.sin(angle), 0.0])
    edges = np.vstack([reading.edge_a, reading.edge_b])
    side = float(cross(np.array([0, 0, -1.0]), e) @ (prior.rays(edges).mean(axis=0) * depth))
    start = {"pin_angle": angle, "pin_side": side, "log_pin": math.log(reading.diameter.value / 2)}
    flat = Resting(1.0, 0.0)

    def blocks(
        p: Array, names: dict[str, int], cam: Camera, plane: tuple[Array, Array, Array, Array], cyl: Cylinder
    ) -> dict[str, Array]:
        radius = math.exp(p[names["log_pin"]])
        pin = _lying(plane, p[names["pin_angle"]], p[names["pin_side"]], radius, flat)
        return {
            "marks": _line_residuals(cam, pin, edges, reading.u_px),
            "diameter": np.array([(2 * radius - reading.diameter.value) / reading.diameter.u]),
        }

    return start, blocks


# --- solving and reporting -------------------------------------------------------------------------------------------


def _vector(scene: _Scene, p: Array) -> Array:
    return np.concatenate([np.ravel(v) for v in scene.blocks(p).values()])


def _solve(scene: _Scene) -> tuple[Array, float]:
    """Least squares. A plane seen from afar has two poses that look nearly alike, tilted either way: both are tried."""
    tilt = [scene.names["tx"], scene.names["ty"]]

    def tilted(p: Array, by: Array) -> Array:
        start = p.copy()
        start[tilt] = by
        return start

    first = _least(scene, scene.start)
    if first is None:
        found = [_least(scene, tilted(scene.start, np.array(by))) for by in ((0.1, 0.1), (-0.1, -0.1))]
    else:
        found = [first, _least(scene, tilted(first[0], -first[0][tilt]))]
    best = min((f for f in found if f is not None), key=lambda f: f[1], default=None)
    if best is None:
        raise SceneError(
            "scale and part do not go together into one scene", "check the scale word and the scale height"
        )
    return best


def _solve_near(scene: _Scene, near: Array) -> tuple[Array, float]:
    """Least squares, from the solution of a scene much like this one; from the beginning should that lead nowhere."""
    found = _least(scene, near)
    return found if found is not None else _solve(scene)


def _least(scene: _Scene, start: Array) -> tuple[Array, float] | None:
    """Parameters and chi-squared; None where a step takes the part to no size at all, or to infinity."""
    from scipy.optimize import least_squares

    try:
        result = least_squares(
            lambda q: _vector(scene, q), start, x_scale="jac", method="lm", max_nfev=2000, ftol=ENOUGH, xtol=ENOUGH
        )
    except (ValueError, ArithmeticError):
        return None
    return (result.x, float(2 * result.cost)) if np.all(np.isfinite(result.x)) else None


def _jacobian(of: Callable[[Array], Array], p: Array) -> Array:
    columns = []
    for i in range(len(p)):
        h = 1e-5 * max(1.0, abs(p[i]))
        up, down = p.copy(), p.copy()
        up[i] += h
        down[i] -= h
        columns.append((of(up) - of(down)) / (2 * h))
    return np.stack(columns, axis=-1)


def _mm_per_px(camera: Camera, cylinder: Cylinder, middle_px: Array) -> float:
    """Along the axis, on the crest line nearest the camera, at the height of a pixel."""
    z = cylinder.meet(camera.rays(middle_px))[1]
    half = 0.05 * cylinder.radius
    ends = camera.project(cylinder.points(np.zeros(2), z + np.array([-half, half])))
    return float(2 * half / np.linalg.norm(ends[1] - ends[0]))


def _report(
    scene: _Scene,
    p: Array,
    scales: Sequence[tuple[Marks, ScaleHeight]],
    silhouette: Silhouette,
    source: str,
    notes: list[str],
) -> CylinderScale:
    middle = np.vstack([silhouette.edge_a, silhouette.edge_b]).mean(axis=0)

    def figures(q: Array) -> Array:
        cam, cyl = scene.camera(q), scene.cylinder(q)
        return np.log([_mm_per_px(cam, cyl, middle), cyl.radius, cyl.distance, cam.focal_px])

    jac = _jacobian(lambda q: _vector(scene, q), p)
    covariance = np.linalg.pinv(jac.T @ jac)
    gradient = _jacobian(figures, p)  # (4, parameters)
    pull = gradient @ covariance @ jac.T  # (4, residuals): answer per unit of each residual
    u = np.sqrt(np.maximum(np.einsum("ij,ij->i", pull, pull), 0.0))
    sizes = {name: np.ravel(v).size for name, v in scene.blocks(p).items()}
    ends = np.cumsum(list(sizes.values()))
    share = {
        name: np.sqrt((pull[:, end - size : end] ** 2).sum(axis=1))
        for (name, size), end in zip(sizes.items(), ends, strict=True)
    }
    camera, cylinder = scene.camera(p), scene.cylinder(p)
    mm_per_px, radius, distance, _ = np.exp(figures(p))
    stated = not any(isinstance(one, PlainReading) and one.mm_per_px.u == 0 for one, _ in scales)
    u_width = float(share["silhouette"][1])
    u_scale = float(np.sqrt(max(0.0, u[0] ** 2 - share["silhouette"][0] ** 2)))
    if not stated:
        notes.append("no uncertainty of the typed scale was stated: lengths are given, not judged")
    budget = sorted(
        (BudgetRow(WORDS[name], float(s[0])) for name, s in share.items() if s[0] > 1e-6), key=lambda row: -row.u_rel
    )
    return CylinderScale(
        camera=replace(camera, u_focal_rel=float(u[3])),
        cylinder=cylinder,
        outside_diameter=Quantity(2 * radius, 2 * radius * float(u[1]) if stated else 0.0, "mm"),
        mm_per_px=Quantity(mm_per_px, mm_per_px * float(u[0]) if stated else 0.0, "mm"),
        distance_mm=Quantity(distance, distance * float(u[2]), "mm"),
        u_scale_rel=u_scale if stated else math.nan,
        u_width_rel=u_width,
        budget=tuple(budget),
        source=source,
        notes=tuple(notes),
    )


def _source(reading: OneReading) -> str:
    match reading:
        case CardReading():
            return f"card, square {reading.square_mm:g} mm"
        case RuleReading():
            return f"rule, {reading.graduation}"
        case PinReading():
            return f"pin, {reading.diameter.value:g} mm"
        case DiameterReading():
            return f"outside diameter, {reading.diameter.value:g} mm"
        case PlainReading():
            return f"typed, {reading.mm_per_px.value:g} mm/px"
        case RigReading():
            return f"rig {reading.name}"
