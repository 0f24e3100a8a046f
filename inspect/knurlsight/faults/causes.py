"""From what is wrong to why, and what to change: the table `causes.toml`, filled in with this part's numbers.

A cause is offered only for a fault that was measured. It is *likely* when something besides the fault speaks for it (a
blank between two whole counts, only one family affected), otherwise *possible*; one photo rarely says more.
"""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:  # the bare table is shown without loading any of these
    from photoscale.quantity import Quantity

    from knurlsight.model import Pattern
    from knurlsight.reporting.figures import Units
    from knurlsight.setup_math.expected import Expectation
    from knurlsight.setup_math.setup_model import Setup
    from knurlsight.verdict import Check

Likelihood = Literal["likely", "possible"]

#: How far the blank's real count may lie from a whole number before the wheel has a choice.
BETWEEN_COUNTS = 0.25


@dataclass(frozen=True)
class Cause:
    """One cause of one fault, with what speaks for it and what to change."""

    fault: str
    cause: str
    evidence: str
    remedy: str
    likelihood: Likelihood


@dataclass(frozen=True)
class CauseRow:
    """One cause in the table; see the head of `causes.toml` for its fields."""

    cause: str
    remedy: str
    remedy_plain: str
    evidence: str
    needs: tuple[str, ...]
    not_with: tuple[str, ...]
    likely_with: tuple[str, ...]


@dataclass(frozen=True)
class FaultRow:
    """One fault in the table with its causes, likeliest first."""

    kind: str
    name: str
    seen: str
    source: str
    causes: tuple[CauseRow, ...]


@functools.cache
def table() -> tuple[FaultRow, ...]:
    """The whole table, in the order of its file."""
    text = resources.files("knurlsight.faults").joinpath("causes.toml").read_text(encoding="utf-8")
    return tuple(
        FaultRow(
            fault["kind"],
            fault["name"],
            fault["seen"],
            fault["source"],
            tuple(
                CauseRow(
                    row["cause"],
                    row["remedy"],
                    row.get("remedy_plain", row["remedy"]),
                    row.get("evidence", ""),
                    tuple(row.get("needs", ())),
                    tuple(row.get("not_with", ())),
                    tuple(row.get("likely_with", ())),
                )
                for row in fault["cause"]
            ),
        )
        for fault in tomllib.loads(text)["fault"]
    )


def causes_of(
    pattern: Pattern,
    checks: Sequence[Check],
    setup: Setup | None = None,
    expectation: Expectation | None = None,
    units: Units = "mm",
) -> tuple[Cause, ...]:
    """Ranked causes of every fault found: first the likely ones, otherwise in the order of the table."""
    evidence = fault_evidence(pattern, checks, units)
    if not evidence:
        return ()
    known = facts(pattern, checks, setup, expectation, units)
    holder = setup.holder.kind if setup is not None else None
    found: list[Cause] = []
    for fault in table():
        if fault.kind not in evidence:
            continue
        for row in fault.causes:
            if (holder in row.not_with) or any(need not in known for need in row.needs):
                continue
            supported = any(fact in known for fact in row.likely_with)
            special = _filled(row.evidence, known) if row.evidence else None
            words = "; ".join([evidence[fault.kind], *([special] if special and supported else [])])
            remedy = _filled(row.remedy, known) or _filled(row.remedy_plain, known) or row.remedy_plain
            found.append(Cause(fault.name, row.cause, words, remedy, "likely" if supported else "possible"))
    # a stable sort keeps the order of the table within each rank
    return tuple(sorted(found, key=lambda c: c.likelihood != "likely"))


def fault_evidence(pattern: Pattern, checks: Sequence[Check], units: Units = "mm") -> dict[str, str]:
    """Which faults of the table were measured, each with the words that show it."""
    failed = [c for c in checks if c.verdict == "fail"]
    keys = {c.key: c for c in reversed(failed)}
    out: dict[str, str] = {}

    def add(kind: str, check: Check) -> None:
        out.setdefault(kind, check.words(units))

    simple = {
        "form": "wrong_form",
        "ghost_ratio": "double_tracking",
        "balance": "unequal_families",
        "included_angle": "included_angle",
        "form_fill": "shallow",
        "run_in": "fading",
        "teeth": "wrong_count",
        "damage_area": "torn",
        "depth_variation": "runout",
        "wheel_mark": "wheel_mark",
        "open_seam": "open_seam",
        "pitch_drift": "pitch_drift",
    }
    for key, kind in simple.items():
        if key in keys:
            add(kind, keys[key])
    if "helix" in keys and "included_angle" not in keys:
        add("leaning" if len(_diagonal(pattern)) == 2 else "helix_wrong", keys["helix"])
    if "pitch" in keys and "form" not in keys and "complete second track" not in keys["pitch"].why:
        add("pitch_wrong", keys["pitch"])
    for check in failed:
        too_short = check.measured is not None and check.lower is not None and check.measured.value < check.lower
        if check.key in ("knurl_length", "full_form_length") and too_short:
            add("short_pattern", check)
    known_kinds = {fault.kind for fault in table()}
    for fault in pattern.faults:
        if fault.kind in known_kinds:
            out.setdefault(fault.kind, fault.words)
    return out


def facts(
    pattern: Pattern,
    checks: Sequence[Check],
    setup: Setup | None,
    expectation: Expectation | None,
    units: Units = "mm",
) -> dict[str, str]:
    """What is known of this part and its setup, by the names that the table uses, already in words."""
    from knurlsight.reporting import figures
    from knurlsight.verdict import HAND_WORDS

    out: dict[str, str] = {}
    if len(pattern.families) == 2:
        out["two_families"] = "two families"
        double = [f for f in pattern.families if f.double_track.present]
        if len(double) == 1 and all(f.double_track.present is not None for f in pattern.families):
            out["one_family_double"] = out["double_family"] = HAND_WORDS[double[0].hand]
    if pattern.form_fill is not None:
        out["fill"] = figures.measured(pattern.form_fill)
    diagonal = _diagonal(pattern)
    if len(diagonal) == 2:
        right, left = diagonal["right"], diagonal["left"]
        lean = (right.value - left.value) / 2
        u = math.hypot(right.u, left.u) / 2
        out["helix_right"], out["helix_left"] = figures.measured(right), figures.measured(left)
        if abs(lean) > 2 * u and abs(lean) > 0.5:
            out["lean"] = f"{abs(lean):.1f}°"
    _add_pitch_facts(out, checks, expectation, units)
    _add_spacing_facts(out, pattern, setup, units)
    _add_end_facts(out, pattern, setup, units)
    if setup is not None:
        if setup.holder.kind == "two wheels pivoting":
            out["holder_pivoting"] = "yes"
        if setup.part.blank_diameter_mm is not None:
            _add_blank_facts(out, setup, units)
    return out


def _add_pitch_facts(
    out: dict[str, str], checks: Sequence[Check], expectation: Expectation | None, units: Units
) -> None:
    from knurlsight.reporting import figures

    pitch = next((c for c in checks if c.key == "pitch" and c.verdict == "fail" and c.measured and c.nominal), None)
    if pitch is None or pitch.measured is None or not pitch.nominal:
        return
    share = pitch.measured.value / pitch.nominal - 1
    u = pitch.measured.u / pitch.nominal
    out["pitch"], out["pitch_wanted"] = (
        figures.measured(pitch.measured, units),
        figures.plain(pitch.nominal, "mm", units),
    )
    out["pitch_off"] = f"{100 * share:+.1f} %"
    family = next((f for f in expectation.pattern.families if f.teeth), None) if expectation else None
    if family is not None and family.teeth:
        # teeth that would give this pitch on the same diameter; one off is 1/N
        off = family.teeth / (1 + share) - family.teeth
        u_off = family.teeth * u
        if u_off < 0.25 and 0.5 < abs(off) < 2.5:
            out["count_off"], out["teeth_wanted"] = f"{round(off):+d}", str(family.teeth)
    if "count_off" not in out and abs(share) > 0.03 + 2 * u:
        out["pitch_far_off"] = "yes"
        out["pitch_hint"] = f"its pitch would be {figures.plain(pitch.measured.value, 'mm', units)}"


def _add_end_facts(out: dict[str, str], pattern: Pattern, setup: Setup | None, units: Units) -> None:
    """Which end fades, over what, where one does; end 1 is the left one."""
    from knurlsight.reporting import figures

    fading = [f for f in pattern.faults if f.kind == "fading" and f.severity is not None]
    if len(fading) != 1 or fading[0].severity is None:
        return
    out["fade"] = figures.measured(fading[0].severity, units)
    chuck = setup.part.chuck_end if setup is not None else None
    if chuck is not None:
        left = fading[0].from_mm == 0
        out["chuck_end_fades" if left == (chuck == "left") else "free_end_fades"] = "yes"


def _add_spacing_facts(out: dict[str, str], pattern: Pattern, setup: Setup | None, units: Units) -> None:
    """What the distances at which faults repeat say of the wheel, the feed and what swings."""
    from knurlsight.faults.wheel import wheels_of
    from knurlsight.reporting import figures

    spacing = {f.kind: f.spacing for f in pattern.faults if f.spacing is not None}
    around = [f for f in pattern.families if f.transverse_pitch is not None and f.teeth is not None]
    marks, rings, waves = (spacing.get(kind) for kind in ("wheel_mark", "feed_rings", "chatter"))
    if marks is not None and around:
        pitch, teeth = around[0].transverse_pitch, around[0].teeth
        assert pitch is not None and teeth is not None
        wheels = wheels_of(round(marks.value / pitch.value), teeth.value, pitch.value)
        known = {w.teeth for w in setup.wheels} if setup is not None else set()
        fitting = [w for w in wheels if w[0] in known] or wheels
        if fitting:
            out["marks_apart"] = figures.measured(marks, units)
            out["wheel_teeth"] = " or ".join(f"{n} teeth ({figures.plain(mm, 'mm', units)})" for n, mm in fitting)
    feed = setup.process.feed_per_turn_mm if setup is not None else None
    if rings is not None:
        out["rings_apart"] = figures.measured(rings, units)
        if feed is not None and abs(rings.value - feed) < 2 * rings.u + 0.01 * feed:
            out["feed"], out["rings_are_feed"] = figures.plain(feed, "mm", units), "yes"
    speed = setup.process.spindle_speed_rpm if setup is not None else None
    if waves is not None and around and around[0].teeth and around[0].transverse_pitch:
        count = around[0].teeth.value * around[0].transverse_pitch.value / waves.value
        out["chatter_waves"] = f"{count:.0f}"
        if speed is not None:
            out["spindle_speed"] = f"{speed:g} r/min"
            out["chatter_hertz"] = f"{count * speed / 60:.0f} Hz"


def _add_blank_facts(out: dict[str, str], setup: Setup, units: Units) -> None:
    from knurlsight.reporting import figures
    from knurlsight.setup_math.expected import rolled_families

    blank = setup.part.blank_diameter_mm
    around = [f for f in rolled_families(setup) if f.helix_deg < 90]
    if blank is None:
        return
    out["blank"] = figures.plain(blank, "mm", units)
    if not around:
        return
    teeth = around[0].teeth_on(blank)
    if abs(teeth - round(teeth)) > BETWEEN_COUNTS:
        below, above = math.floor(teeth), math.ceil(teeth)
        step = around[0].transverse_pitch_mm / math.pi
        out["blank_between_counts"] = "yes"
        out["blank_teeth"] = f"{teeth:.2f}"
        out["teeth_below"], out["teeth_above"] = str(below), str(above)
        out["blank_below"] = figures.plain(below * step, "mm", units)
        out["blank_above"] = figures.plain(above * step, "mm", units)


def _diagonal(pattern: Pattern) -> dict[str, Quantity]:
    return {str(f.hand): f.helix_angle for f in pattern.families if f.hand in ("left", "right")}


def _filled(template: str, known: dict[str, str]) -> str | None:
    """The template with its names filled in; None when one of them is not known."""
    try:
        return template.format(**known)
    except KeyError:
        return None
