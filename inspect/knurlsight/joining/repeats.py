"""Several photos of one part joined into one pattern, with the scatter between them in the uncertainty."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import replace

from photoscale.quantity import Quantity

from knurlsight.measuring.ghost import CLEAN_BELOW
from knurlsight.model import DoubleTrack, End, Family, Fault, Pattern

#: Scatter over stated uncertainty beyond which the photos contradict each other.
CONTRADICTION = 2.0


def join_repeats(patterns: Sequence[Pattern]) -> Pattern:
    """One pattern from repeats of one part.

    Parameters
    ----------
    patterns : sequence of Pattern
        One a photo, in order. The first that could be measured lends its outline and its pictures.

    Notes
    -----
    Every figure is the mean of the photos that have it. Repeats share the scale, the operator and mostly the light, so
    the uncertainty is not divided by the root of their number; where the photos scatter more than their uncertainties
    allow, it grows by the Birge ratio (R. T. Birge, Phys. Rev. 40 (1932) 207; from memory).
    """
    if len(patterns) == 1:
        return patterns[0]
    good = [p for p in patterns if p.form is not None]
    if not good:
        return patterns[0]
    notes = [
        f"photo {i + 1} could not be measured and was left out: {'; '.join(p.cannot) or 'no pattern'}"
        for i, p in enumerate(patterns)
        if p.form is None
    ]
    forms = sorted({p.form for p in good if p.form})
    if len(forms) > 1:
        reason = f"the photos show different patterns ({', '.join(forms)}): are they of one part?"
        return replace(good[0], form=None, families=(), cannot=(reason,), notes=(*good[0].notes, *notes))
    first = good[0]
    odd: list[str] = []

    def joined(name: str, of: Callable[[Pattern], Quantity | None]) -> Quantity | None:
        q, ratio = join_quantities([of(p) for p in good])
        if ratio > CONTRADICTION:
            odd.append(name)
        return q

    families = tuple(_join_families([_same_hand(p, f) for p in good], odd) for f in first.families)
    ends = None
    if all(p.ends for p in good) and first.ends is not None:
        ends = (_join_ends(good, 0), _join_ends(good, 1))
    contradicted = [p for p in good if p.lines_contradicted]
    pattern = replace(
        first,
        families=families,
        agreement=(contradicted or good)[0].agreement,
        lines_contradicted=bool(contradicted),
        outside_diameter=joined("outside diameter", lambda p: p.outside_diameter),
        included_angle=joined("included angle", lambda p: p.included_angle),
        balance=joined("balance", lambda p: p.balance),
        form_fill=joined("form fill", lambda p: p.form_fill),
        knurled_length=joined("knurled length", lambda p: p.knurled_length),
        full_form_length=joined("length of full form", lambda p: p.full_form_length),
        ends=ends,
        seen_arc_deg=join_quantities([p.seen_arc_deg for p in good])[0],
        faults=_join_faults(good),
    )
    notes.append(f"figures are means of {len(good)} photos, the scatter between them in the uncertainty")
    if odd:
        notes.append(f"the photos differ by more than their uncertainties: {', '.join(dict.fromkeys(odd))}")
    return replace(pattern, notes=(*pattern.notes, *notes))


def join_quantities(quantities: Sequence[Quantity | None]) -> tuple[Quantity | None, float]:
    """Mean of repeated figures and the Birge ratio of their scatter (1 for one figure)."""
    have = [q for q in quantities if q is not None]
    if not have:
        return None, 1.0
    if len(have) == 1:
        return have[0], 1.0
    mean = statistics.fmean(q.value for q in have)
    u = math.sqrt(statistics.fmean(q.u**2 for q in have))
    scatter = statistics.stdev(q.value for q in have)
    ratio = scatter / u if u > 0 else 1.0
    return Quantity(mean, u * max(1.0, ratio), have[0].unit), ratio


def _same_hand(pattern: Pattern, family: Family) -> Family | None:
    return next((f for f in pattern.families if f.hand == family.hand), None)


def _join_families(families: Sequence[Family | None], odd: list[str]) -> Family:
    have = [f for f in families if f is not None]
    first = have[0]

    def joined(name: str, of: Callable[[Family], Quantity | None]) -> Quantity | None:
        q, ratio = join_quantities([of(f) for f in have])
        if ratio > CONTRADICTION:
            odd.append(name)
        return q

    wholes = {f.teeth_whole for f in have if f.teeth_whole is not None}
    return replace(
        first,
        normal_pitch=joined("normal pitch", lambda f: f.normal_pitch),
        transverse_pitch=joined("transverse pitch", lambda f: f.transverse_pitch),
        axial_pitch=joined("axial pitch", lambda f: f.axial_pitch),
        helix_angle=joined("helix", lambda f: f.helix_angle) or first.helix_angle,
        teeth=joined("teeth", lambda f: f.teeth),
        teeth_whole=wholes.pop() if len(wholes) == 1 else None,
        fill=joined("fill", lambda f: f.fill),
        strength=joined("strength", lambda f: f.strength),
        double_track=_join_double_tracks([f.double_track for f in have]),
    )


def _join_double_tracks(tracks: Sequence[DoubleTrack]) -> DoubleTrack:
    """Seen in one photo is seen: repeats may look at different sides of the part, and the worst side counts.

    In doubt in some photos is clean only where no photo speaks for it and all together speak against it as one must.
    """
    seen = [t for t in tracks if t.present]
    if seen:
        return max(seen, key=lambda t: t.ghost_ratio.value if t.ghost_ratio else 0.0)
    unknown = [t for t in tracks if t.present is None]
    clean = [t for t in tracks if t.present is False]
    odds = [t.log_odds for t in tracks if t.log_odds is not None]
    spoken_against = len(odds) == len(tracks) and max(odds) < 0 and sum(odds) / len(odds) < CLEAN_BELOW
    if unknown and not (clean and spoken_against):
        return unknown[0]
    return max(clean, key=lambda t: t.ghost_ratio.value + 2 * t.ghost_ratio.u if t.ghost_ratio else 0.0)


def _join_ends(patterns: Sequence[Pattern], which: int) -> End:
    ends = [p.ends[which] for p in patterns if p.ends is not None]
    fade, _ = join_quantities([e.fade for e in ends])
    full, _ = join_quantities([e.full_form_from for e in ends])
    return End(ends[0].px, fade, full)


def _join_faults(patterns: Sequence[Pattern]) -> tuple[Fault, ...]:
    """Those of the photo that is drawn, and the others' without their place in the picture."""
    faults = list(patterns[0].faults)
    for number, pattern in enumerate(patterns[1:], 2):
        for fault in pattern.faults:
            bare = Fault(
                fault.kind,
                f"{fault.words} (photo {number})",
                extent=fault.extent,
                severity=fault.severity,
                spacing=fault.spacing,
            )
            faults.append(bare)
    return tuple(faults)
