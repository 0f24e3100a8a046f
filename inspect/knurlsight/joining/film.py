"""A film of one part turning before a fixed camera: its whole circumference rolled out, its teeth counted.

Some frames are measured like photos; every frame tells how far the part has turned, and lends its middle to the strip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from photoscale.photo import Photo
from photoscale.quantity import Quantity
from photoscale.scene import CylinderScale
from photoscale.words import DiameterWord, each_word

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
from knurlsight.joining.closure import Count
from knurlsight.joining.film_reading import film_hash, frames
from knurlsight.joining.film_turning import Turning, detail, turning
from knurlsight.joining.repeats import join_repeats
from knurlsight.joining.turned_phase import ARC_DEG, Complex, Lines, advance, evened, phasors, unrolled
from knurlsight.joining.turns import SAME_LINES, clearest, counted_diameter, exact_family, included_angle, lines_of
from knurlsight.measuring.measure import measure_part
from knurlsight.model import Pattern
from knurlsight.setup_math.expected import expectation
from knurlsight.setup_math.setup_model import Setup

EVERY, MOST_MEASURED = 25, 4  # frames that are measured like photos
STRIP_ARC_DEG = 14.0
ENLARGED = 3  # screen pixels a sample of the strip
Strip = NDArray[np.uint8]


@dataclass(frozen=True)
class FilmInspection:
    """An inspection from a film.

    Attributes
    ----------
    inspection : Inspection
    strip : (h, w) uint8 array or None
        What the film showed of the circumference, rolled out: end 1 at the left, one turn from top to bottom.
    """

    inspection: Inspection
    strip: Strip | None


@dataclass(frozen=True)
class _Seen:
    """What was kept of the frames: turns from each to the next, rolled-out patches, middles, agreement of the lines."""

    steps: NDArray[np.float64]
    patches: NDArray[np.float32]
    middles: NDArray[np.uint8]
    theta: NDArray[np.float64]
    least_agreement: float


def inspect_film(path: Path, setup: Setup | None = None, scale: ScaleRequest | None = None) -> FilmInspection:
    """Inspect one part from a film of it turning.

    Parameters
    ----------
    path : Path
    setup : Setup, optional
    scale : ScaleRequest, optional

    Raises
    ------
    FilmError
        No film, or one that cannot be read.
    PhotoscaleError
        The scale photo is not by the same camera as the film.
    """
    request = scale or ScaleRequest()
    basis = expectation(setup) if setup is not None else None
    sha256 = film_hash(path)
    photos = [
        Photo(path.name, grey, sha256, grey.shape[1], grey.shape[0])
        for i, grey in enumerate(frames(path))
        if i % EVERY == 0 and i < EVERY * MOST_MEASURED
    ]
    found = [find_parts(p, camera_of(p, request), most=1) for p in photos]
    at = clearest(found)
    none = np.empty((0, 2))
    if at is None:
        return FilmInspection(nothing_found(photos[:1], setup, basis, [], none), None)
    outline = found[at][0]
    reading, no_scale = read_scale(photos[at], request, (outline,))
    drawn = marks_px(reading) if reading is not None and request.photo is None else none
    if lies_on(outline, drawn):
        return FilmInspection(nothing_found(photos[:1], setup, basis, [NO_PART], drawn), None)
    camera = camera_of(photos[at], request)
    first, cylinder_scale, no_lengths = measure_outline(photos[at], outline, camera, reading, no_scale, request, basis)
    pattern, strip = first, None
    lines = [lines_of(f) for f in first.families if f.hand != "ring"]
    if lines:
        expected = basis.pattern if basis is not None else None
        others = [measure_part(p, outline, cylinder_scale, expected) for i, p in enumerate(photos) if i != at]
        joined = join_repeats([first, *others])
        if joined.families:
            seen = _watch(path, first, lines)
            teeth = next((f.teeth for f in joined.families if f.teeth is not None), Quantity(0.0, 0.0))
            turned = turning(seen.steps, detail(seen.patches), teeth, float(seen.theta[1] - seen.theta[0]))
            if not any(isinstance(w, DiameterWord) for w in each_word(request.word)):
                joined = replace(joined, outside_diameter=_no_surer(joined.outside_diameter, cylinder_scale))
            pattern = with_turning(joined, turned, cylinder_scale, one_set=seen.least_agreement > SAME_LINES)
            strip = _strip(seen, turned, teeth.value)
        else:
            pattern = joined
    part = judge_part("A1", pattern, cylinder_scale, no_lengths, setup, basis)
    inspection = assemble((photos[at],), (part,), setup, basis, ["measured from a film"], drawn)
    return FilmInspection(inspection, strip)


def _watch(path: Path, first: Pattern, lines: list[Lines]) -> _Seen:
    """Every frame rolled out, and how far its lines moved from the frame before."""
    place = first.outline
    margin = 0.06 * (place.zone_z[1] - place.zone_z[0])
    span = (place.zone_z[0] + margin, place.zone_z[1] - margin)
    before: list[Complex] | None = None
    steps, patches, middles, all_lines = [], [], [], []
    theta = np.zeros(2)
    for grey in frames(path):
        surface = unrolled(grey, place.camera, place.cylinder, span, lines)
        even, theta = evened(surface, lines), surface.theta
        now = [phasors(surface, even, f) for f in lines]
        if before is not None:
            moved = [advance(a, b) for a, b in zip(before, now, strict=True)]
            steps.append(float(np.angle(sum(np.exp(2j * np.pi * m[0]) for m in moved)) / (2 * np.pi)))
        before = now
        all_lines.append(now)
        patches.append(even.astype(np.float16))
        middle = np.abs(theta) < math.radians(STRIP_ARC_DEG)
        middles.append(np.clip(surface.brightness[middle], 0, 255).astype(np.uint8))
    agreement = agreement_with_all(all_lines)
    return _Seen(np.array(steps), np.array(patches, np.float32), np.array(middles), theta, agreement)


def agreement_with_all(all_lines: list[list[Complex]]) -> float:
    """The least agreement of a frame's lines with the mean of all frames, 0 to 1.

    A seam passes so slowly that no two neighbouring frames show it; against the mean of all it does.
    """
    least = 1.0
    for family in zip(*all_lines, strict=True):
        mean = family[0]
        for _ in range(2):  # aligned on the first frame, then on their mean
            mean = np.mean([f * np.exp(2j * np.pi * advance(mean, f)[0]) for f in family], axis=0)
        least = min(least, *(advance(mean, f)[1] for f in family))
    return least


def with_turning(joined: Pattern, turned: Turning, scale: CylinderScale | None, *, one_set: bool) -> Pattern:
    """The pattern of the frames with what their turning tells.

    Parameters
    ----------
    joined : Pattern
        Of the frames that were measured.
    turned : Turning
    scale : CylinderScale or None
    one_set : bool
        Whether the lines of every frame are one set, as those of all frames together.
    """
    teeth = next((f.teeth for f in joined.families if f.teeth is not None), None)
    if teeth is None:
        return joined
    around = turned.whole if turned.whole is not None else teeth.value
    gone_deg = float(np.ptp(turned.teeth_gone)) / around * 360
    seen = min(360.0, gone_deg + 2 * ARC_DEG)
    words = f"the film shows the part turn by {gone_deg:.0f}°"
    if turned.whole is None:
        words += (
            "; it stops short of a turn" if gone_deg < 360 else "; no side could be recognised when it came round"
        ) + ", so the number of teeth is not counted"
    pattern = replace(
        joined,
        seen_arc_deg=Quantity(seen, 0.02 * gone_deg + 2.0, "deg"),
        notes=(*joined.notes, words),
    )
    if turned.whole is None:
        # frames of one film share their light: no frame may claim what the turning did not show
        return replace(pattern, families=tuple(replace(f, teeth_whole=None) for f in pattern.families))
    count = Count(Quantity(float(turned.whole), 0.0), turned.whole, 0, None, True)
    if not one_set:
        odd = "on some frames the lines are not one set with the others: look for a seam in the strip, or for damage"
        pattern = replace(pattern, notes=(*pattern.notes, odd))
    diameter = counted_diameter(pattern, count, scale)
    families = tuple(exact_family(f, count, scale, diameter, seam=not one_set) for f in pattern.families)
    return replace(
        pattern,
        families=families,
        included_angle=included_angle(families) or pattern.included_angle,
        outside_diameter=diameter,
        open_seam=Quantity(0.0, 0.0) if one_set else None,
    )


def _no_surer(diameter: Quantity | None, scale: CylinderScale | None) -> Quantity | None:
    """A diameter no surer than the scale: a film says nothing of its lens, and the linear budget is short where the
    focal length is a guess (18.7 mm, u 0.46, on a path-traced film of 20 mm)."""
    if diameter is None or scale is None or not math.isfinite(scale.u_scale_rel):
        return diameter
    return Quantity(diameter.value, max(diameter.u, diameter.value * scale.u_scale_rel), "mm")


def _strip(seen: _Seen, turned: Turning, teeth: float) -> Strip:
    """The circumference rolled out: each place from the frames that had it nearest the middle."""
    middle = np.abs(seen.theta) < math.radians(STRIP_ARC_DEG)
    own = seen.theta[middle] * teeth / (2 * math.pi)  # teeth
    row = float(own[1] - own[0])
    place = own[None, :] - turned.teeth_gone[:, None]  # on the part, (frames, rows)
    length = float(np.ptp(place))
    if turned.whole is not None:
        length = float(turned.whole)
    height = max(1, round(length / row))
    total = np.zeros((height, seen.middles.shape[2]))
    weight = np.zeros(height)
    near = 0.05 + np.cos(own / own[-1] * math.pi / 2) ** 4
    index = np.round((place - place.min()) / row).astype(int)
    for k, rows in enumerate(index % height if turned.whole is not None else np.minimum(index, height - 1)):
        np.add.at(total, rows, seen.middles[k] * near[:, None])
        np.add.at(weight, rows, near)
    flat = np.clip(total / np.maximum(weight, 1e-9)[:, None], 0, 255).astype(np.uint8)
    return np.asarray(np.repeat(np.repeat(flat, ENLARGED, axis=0), ENLARGED, axis=1))
