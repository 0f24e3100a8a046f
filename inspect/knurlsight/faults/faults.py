"""From the fitted pattern to its faults and the figures that only the maps tell: drift, damaged area, wheel marks.

One map step (`maps.py`) serves all. What one photo cannot tell stays None: whether the pattern closes and whether the
depth changes once a turn need the whole circumference, and a mark that is not seen may lie on the other side.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.faults.damage import Patch, damage_of
from knurlsight.faults.drift import Drift, drift_of, without_drift
from knurlsight.faults.maps import local_maps
from knurlsight.faults.seam import Seam, seam_of
from knurlsight.measuring.flanks import Fit
from knurlsight.measuring.fold import folded, phases_of
from knurlsight.measuring.sightlines import Sightlines
from knurlsight.measuring.trace import zone_border
from knurlsight.model import Family, Fault, MeanGroove, Outline, Pattern
from knurlsight.setup_math.forms import Hand

Array = NDArray[np.float64]

STEADY_LIGHT, CHANGING_LIGHT = 14.0, 5.0  # pitches, for phases and for damage
GROOVE_ARC_DEG = 20.0  # half the arc that the mean groove is taken from
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
    seam = seam_of(fit, sight)
    maps = local_maps(fit, sight, CHANGING_LIGHT)
    damage = damage_of(maps, fit.knurl)
    place = _Place(pattern.outline, radius_mm)
    marks = [p for p in damage.patches if p.family is not None]
    faults = [
        *(place.double_track(f) for f in pattern.families if f.double_track.present),
        *((_damaged if p.family is None else _mark)(place, p, p.area / damage.looked_at) for p in damage.patches),
        *([_open_seam(place, seam)] if seam is not None else []),
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

    def __init__(self, outline: Outline, radius_mm: float | None) -> None:
        self.outline, self.radius_mm = outline, radius_mm

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

    def fault(self, kind: str, words: str, where: Array, extent: float | None, severity: Quantity | None) -> Fault:
        low, high = self.span_mm(where[:, 1])
        return Fault(kind, words, self.px(where), low, high, extent, severity)

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


def _mark(place: _Place, patch: Patch, share: float) -> Fault:
    words = (
        f"one groove is not rolled out over a short length{place.words(patch.outline[:, 1])}: "
        "if it comes back once a wheel turn, a tooth of the wheel is broken or dirty"
    )
    return place.fault("wheel_mark", words, patch.outline, share, patch.lost)


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
