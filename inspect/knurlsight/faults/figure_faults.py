"""Faults that a figure of the whole part shows: another pitch, leaning, shallow, unequal, drifting, faded at an end.

With a setup they are the checks that failed, so that pictures, causes and verdict never contradict each other. Without
one, the figures that need no drawing to be wrong are held against the default limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from photoscale.quantity import Quantity

from knurlsight.faults.causes import fault_evidence
from knurlsight.measuring.trace import zone_border
from knurlsight.model import Fault, Outline, Pattern
from knurlsight.reporting import figures
from knurlsight.setup_math.limits import (
    DEFAULT_BALANCE,
    DEFAULT_FORM_FILL,
    DEFAULT_LEAST_RUN_IN_MM,
    DEFAULT_PITCH_DRIFT,
    DEFAULT_RUN_IN_PITCHES,
)
from knurlsight.verdict import RANGES, Check, decide

Array = NDArray[np.float64]


def with_figure_faults(pattern: Pattern, checks: Sequence[Check] | None) -> Pattern:
    """The pattern with the faults that its figures show added to those that have a place of their own.

    Parameters
    ----------
    pattern : Pattern
    checks : sequence of Check or None
        As judged; None without a setup.
    """
    if not pattern.families:
        return pattern
    found = _by_default(pattern) if checks is None else _by_checks(pattern, checks)
    have = {f.kind for f in pattern.faults}
    return replace(pattern, faults=(*pattern.faults, *(f for f in found if f.kind not in have)))


def _by_checks(pattern: Pattern, checks: Sequence[Check]) -> list[Fault]:
    failed = [c for c in checks if c.verdict == "fail"]
    out = []
    for kind, words in fault_evidence(pattern, checks).items():
        if kind == "fading":
            continue
        check = next((c for c in failed if c.words() == words), None)
        if check is not None:
            out.append(_everywhere(pattern, kind, words, check.measured))
    limit = next((c.upper for c in checks if c.key == "run_in"), None)
    return [*out, *_faded(pattern, limit)]


def _by_default(pattern: Pattern) -> list[Fault]:
    out = []
    for kind, name, key, figure, lower, upper in (
        ("unequal_families", "balance of the two families", "balance", pattern.balance, DEFAULT_BALANCE, None),
        ("shallow", "form fill", "form_fill", pattern.form_fill, DEFAULT_FORM_FILL, None),
        ("pitch_drift", "pitch drift", "pitch_drift", pattern.pitch_drift, None, DEFAULT_PITCH_DRIFT),
    ):
        if figure is not None and decide(figure, lower, upper, within=RANGES[key]) == "fail":
            wanted = figures.span(lower, upper, "")
            words = f"{name} {figures.measured(figure)}, good practice is {wanted}"
            out.append(_everywhere(pattern, kind, words, figure))
    axial = [f.axial_pitch.value for f in pattern.families if f.axial_pitch is not None]
    return [*out, *_faded(pattern, max([DEFAULT_LEAST_RUN_IN_MM, *(DEFAULT_RUN_IN_PITCHES * a for a in axial)]))]


def _everywhere(pattern: Pattern, kind: str, words: str, severity: Quantity | None) -> Fault:
    length = pattern.knurled_length.value if pattern.knurled_length is not None else None
    start = 0.0 if length is not None else None
    return Fault(kind, words, zone_border(pattern.outline), start, length, 1.0, severity)


def _faded(pattern: Pattern, limit_mm: float | None) -> list[Fault]:
    """A strip at every end that fades over more than the limit."""
    length = pattern.knurled_length
    if limit_mm is None or pattern.ends is None or length is None or length.value <= 0:
        return []
    out = []
    for end, fade in enumerate(e.fade for e in pattern.ends):
        if fade is None or decide(fade, None, limit_mm, within=RANGES["run_in"]) != "fail":
            continue
        share = min(1.0, fade.value / length.value)
        first, last = pattern.outline.zone_z
        strip = (first, first + share * (last - first)) if end == 0 else (last - share * (last - first), last)
        low = 0.0 if end == 0 else length.value - fade.value
        words = f"fades over {figures.measured(fade)} at end {end + 1}: full form "
        words += f"from {fade.value:.1f} mm on" if end == 0 else f"up to {max(0.0, low):.1f} mm from end 1"
        where = zone_border(_only(pattern.outline, strip))
        out.append(Fault("fading", words, where, max(0.0, low), max(0.0, low) + fade.value, share, fade))
    return out


def _only(outline: Outline, strip: tuple[float, float]) -> Outline:
    return replace(outline, zone_z=strip)
