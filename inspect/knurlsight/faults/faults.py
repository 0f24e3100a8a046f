"""From the fitted pattern to its faults and the figures that only the maps tell: drift, damaged area, wheel marks.

One map step (`maps.py`) serves all. What one photo cannot tell stays None: whether the pattern closes and whether the
depth changes once a turn need the whole circumference, and a mark that is not seen may lie on the other side.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.faults.bands import Bands, chatter_of, rings_of
from knurlsight.faults.damage import Damage, Patch, damage_of
from knurlsight.faults.dislocation import Dislocation, dislocation_of
from knurlsight.faults.drift import Drift, drift_of, without_drift
from knurlsight.faults.maps import local_maps
from knurlsight.faults.seam import Seam, seam_of
from knurlsight.faults.wheel import lines_apart, wheels_of
from knurlsight.measuring.flank_fit import Fit
from knurlsight.measuring.fold import folded, phases_of
from knurlsight.measuring.sightlines import Sightlines
from knurlsight.measuring.trace import zone_border
from knurlsight.model import Family, Fault, MeanGroove, Outline, Pattern
from knurlsight.setup_math.forms import Hand

Array = NDArray[np.float64]

STEADY_LIGHT, CHANGING_LIGHT = 14.0, 5.0  # pitches, for phases and for damage
GROOVE_ARC_DEG = 20.0  # half the arc that the mean groove is taken from
U_MARK = 0.2  # lines; how well the distance of two marks is known
U_ONE_MARK = 0.6  # a single mark along a groove may be a scratch: in doubt until it is seen to repeat

U_ONE_VIEW = 0.6  # a seam told from the strips of one view is in doubt until the part has been turned


def with_faults(pattern: Pattern, fit: Fit, sight: Sightlines, radius_mm: float | None) -> Pattern:
    """The pattern with its faults, the figures read from the maps, and the maps themselves.

    Parameters
    ----------
    pattern : Pattern
        As measured, its outline in radii.
    fit : Fit
        The fitted model.
    sight : Sightlines
        The patch that it was fitted to.
    radius_mm : float or None
        Crest radius; without it faults have no place in mm.
    """
    if not pattern.families:
        return pattern
    first, last = pattern.outline.zone_z
    steady = local_maps(fit, sight, STEADY_LIGHT)
    drift = drift_of(steady, fit.knurl, last - first)
    if drift is not None and _drifts(drift):
        sight = without_drift(sight, drift)
    ended = dislocation_of(fit, sight, STEADY_LIGHT)
    seam = seam_of(fit, sight, steady) if ended is None else None
    maps = local_maps(fit, sight, CHANGING_LIGHT)
    # beside a line that ends the model's lines are wrong: that is no damage
    damage = damage_of(maps, fit.knurl, _full_form(pattern, radius_mm)) if ended is None else Damage((), 0.0, None)
    lengths = [pattern.outside_diameter, *(p for f in pattern.families for p in (f.axial_pitch, f.transverse_pitch))]
    u_scale = max((q.u / q.value for q in lengths if q is not None), default=0.0)
    place = _Place(pattern.outline, radius_mm, u_scale)
    marks = [p for p in damage.patches if p.family is not None]
    repeat = _repeat(marks)
    # lines that jump or end, and a second track, leave bands of their own
    plain = seam is None and ended is None and not any(f.double_track.present for f in pattern.families)
    bands = [b for b in (rings_of(fit, sight, STEADY_LIGHT), chatter_of(fit, sight)) if b is not None] if plain else []
    faults = [
        *(place.double_track(f) for f in pattern.families if f.double_track.present),
        *(_damaged(place, p, p.area / damage.looked_at) for p in damage.patches if p.family is None),
        *(_mark(place, p, p.area / damage.looked_at, pattern.families, repeat.get(p.family or 0), fit) for p in marks),
        *([_open_seam(place, seam)] if seam is not None else []),
        *([_line_end(place, ended, fit)] if ended is not None else []),
        *((_rings if b.along else _chatter)(place, b) for b in bands),
    ]
    return replace(
        pattern,
        faults=(*pattern.faults, *faults),
        pitch_drift=_size(drift),
        damage_area=damage.share,
        wheel_mark=Quantity(1.0, 0.0 if len(marks) > 1 else U_ONE_MARK) if marks else None,
        open_seam=Quantity(1.0, U_ONE_VIEW) if seam is not None else None,
        grooves=_mean_grooves(fit, sight),
        maps=replace(maps, shifts=steady.shifts),
    )


def _full_form(pattern: Pattern, radius_mm: float | None) -> tuple[float, float]:
    """Heights (radii) between which nothing fades: where the pattern does, that is no damage."""
    first, last = pattern.outline.zone_z
    fades = [e.fade for e in pattern.ends or ()]
    if radius_mm is None or len(fades) != 2:
        return first, last
    low, high = ((f.value + f.u) / radius_mm if f is not None and f.value > 0 else 0.0 for f in fades)
    return first + low, last - high


def _repeat(marks: list[Patch]) -> dict[int, int]:
    """By family: how many lines the marks along its grooves stand apart."""
    turns: dict[int, list[float]] = {}
    for mark in marks:
        turns.setdefault(mark.family or 0, []).append(mark.turns)
    apart = {family: lines_apart(found) for family, found in turns.items()}
    return {family: lines for family, lines in apart.items() if lines is not None}


def _mean_grooves(fit: Fit, sight: Sightlines) -> tuple[MeanGroove, ...]:
    phases = phases_of(fit.knurl, sight)
    out = []
    for k, g in enumerate(fit.knurl.families):
        cells = folded(phases, k, (0.0,), GROOVE_ARC_DEG)
        if len(cells):
            hand: Hand = "ring" if not g.around else "axial" if not g.along else "right" if g.along < 0 else "left"
            out.append(MeanGroove(hand, cells[0].mean(axis=1).astype(np.float64)))
    return tuple(out)


def _drifts(drift: Drift) -> bool:
    return abs(drift.signed.value) > 3 * drift.signed.u


def _size(drift: Drift | None) -> Quantity | None:
    return Quantity(abs(drift.signed.value), drift.signed.u) if drift is not None else None


class _Place:
    """Where a fault lies, in the photo and in mm from end 1."""

    def __init__(self, outline: Outline, radius_mm: float | None, u_scale_rel: float) -> None:
        self.outline, self.radius_mm, self.u_scale_rel = outline, radius_mm, u_scale_rel

    def px(self, where: Array) -> Array:
        """Points (n, 2) of θ and z in radii on the crest, as seen."""
        camera, cylinder = self.outline.camera, self.outline.cylinder
        points = cylinder.points(where[:, 0], where[:, 1] * cylinder.radius)
        return np.asarray(camera.project(points), np.float64)

    def span_mm(self, z: Array) -> tuple[float | None, float | None]:
        if self.radius_mm is None:
            return None, None
        first, last = self.outline.zone_z
        low, high = (float(np.clip(v, first, last) - first) * self.radius_mm for v in (z.min(), z.max()))
        return low, high

    def words(self, z: Array) -> str:
        low, high = self.span_mm(z)
        return f", {low:.1f} to {high:.1f} mm from end 1" if low is not None and high is not None else ""

    def mm(self, radii: Quantity) -> Quantity | None:
        if self.radius_mm is None:
            return None
        value = radii.value * self.radius_mm
        return Quantity(value, float(np.hypot(radii.u * self.radius_mm, self.u_scale_rel * value)), "mm")

    def fault(
        self,
        kind: str,
        words: str,
        where: Array,
        extent: float | None,
        severity: Quantity | None,
        spacing: Quantity | None = None,
    ) -> Fault:
        low, high = self.span_mm(where[:, 1])
        return Fault(kind, words, self.px(where), low, high, extent, severity, spacing)

    def everywhere(self, kind: str, words: str, severity: Quantity, spacing: Quantity | None) -> Fault:
        low, high = self.span_mm(np.array(self.outline.zone_z))
        return Fault(kind, words, zone_border(self.outline), low, high, 1.0, severity, spacing)

    def double_track(self, family: Family) -> Fault:
        """It has no place of its own: how much of the zone it covers stands with the family."""
        track = family.double_track
        low, high = self.span_mm(np.array(self.outline.zone_z))
        words = f"{family.hand} family: {track.words or 'a second set of lines between the first'}"
        return Fault("double_tracking", words, zone_border(self.outline), low, high, None, track.ghost_ratio)


def _damaged(place: _Place, patch: Patch, share: float) -> Fault:
    words = (
        f"torn, dented or chip-loaded patch over {share:.1%} of the zone looked at{place.words(patch.outline[:, 1])}"
    )
    return place.fault("torn", words, patch.outline, share, patch.lost)


def _mark(
    place: _Place, patch: Patch, share: float, families: tuple[Family, ...], apart: int | None, fit: Fit
) -> Fault:
    words = f"one groove is not rolled out over a short length{place.words(patch.outline[:, 1])}"
    if apart is None:
        words += ": if it comes back once a wheel turn, a tooth of the wheel is broken or dirty"
        return place.fault("wheel_mark", words, patch.outline, share, patch.lost)
    words += f", and again {apart} lines on: a tooth of the wheel is broken or dirty"
    sign = np.sign(fit.knurl.families[patch.family or 0].along)
    family = next((f for f in families if f.sign == sign and f.transverse_pitch is not None), None)
    if family is None or family.transverse_pitch is None or family.teeth is None:
        return place.fault("wheel_mark", words, patch.outline, share, patch.lost)
    pitch = family.transverse_pitch
    spacing = Quantity(apart * pitch.value, float(np.hypot(U_MARK * pitch.value, apart * pitch.u)), "mm")
    wheels = wheels_of(apart, family.teeth.value, pitch.value)
    words += "; wheels that do so: " + ", ".join(f"{n} teeth ({mm:.1f} mm)" for n, mm in wheels) if wheels else ""
    return place.fault("wheel_mark", words, patch.outline, share, patch.lost, spacing)


def _line_end(place: _Place, ended: Dislocation, fit: Fit) -> Fault:
    g = fit.knurl.families[ended.family]
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    where = np.array([ended.theta, ended.z]) + 1.5 * g.pitch * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    hand = "ring" if not g.around else "right-hand" if g.along < 0 else "left-hand"
    words = f"one {hand} line ends: one line more on one side of the place than on the other{place.words(where[:, 1])}"
    return place.fault("dislocation", words, where, None, None)


def _rings(place: _Place, bands: Bands) -> Fault:
    spacing = place.mm(bands.spacing)
    words = "rings round the part" + (f", {_plus_minus(spacing)} from ring to ring" if spacing is not None else "")
    if bands.or_spacing is not None and spacing is not None:
        other = bands.or_spacing / bands.spacing.value * spacing.value
        words += f", or {other:.2f} mm: on the lands of a diamond the two look alike"
        spacing = None
    return place.everywhere("feed_rings", words, bands.strength, spacing)


def _chatter(place: _Place, bands: Bands) -> Fault:
    waves = 2 * np.pi / bands.spacing.value
    u_waves = waves * bands.spacing.u / bands.spacing.value
    spacing = place.mm(bands.spacing)
    words = f"{waves:.0f} ± {2 * u_waves:.0f} waves round the part"
    words += f", {_plus_minus(spacing)} from wave to wave" if spacing is not None else ""
    return place.everywhere("chatter", words, bands.strength, spacing)


def _plus_minus(spacing: Quantity) -> str:
    return f"{spacing.value:.2f} ± {max(2 * spacing.u, 0.01):.2f} mm"


def _open_seam(place: _Place, seam: Seam) -> Fault:
    first, last = place.outline.zone_z
    t0, t1 = sorted((seam.theta, *seam.arc))[:: len(seam.arc)]
    t = np.linspace(t0, t1, 12)
    there = np.stack([t, np.full_like(t, first)], axis=1)
    back = np.stack([t[::-1], np.full_like(t, last)], axis=1)
    arc = float(np.degrees(t1 - t0))
    words = f"the pattern does not close: over {arc:.0f}° of the arc in view its lines do not lock to those beside it"
    limb = place.outline.cylinder.limb_rad
    return place.fault("open_seam", words, np.concatenate([there, back]), (t1 - t0) / (2 * limb), None)
