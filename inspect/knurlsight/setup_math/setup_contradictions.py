"""Things in a setup that are well written, each by itself, and cannot all be true."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from knurlsight.errors import SetupFault
from knurlsight.setup_math.forms import FORMS, STANDARD_HELIX_DEG, is_diagonal
from knurlsight.setup_math.setup_model import HAND_OF_CODE, Setup, WheelSetup, wheel_hand, wheel_helix_deg


def contradictions(setup: Setup, known: Sequence[SetupFault]) -> list[SetupFault]:
    """Things that are well written and cannot all be true."""
    found: list[SetupFault] = []

    def add(key: str, words: str) -> None:
        if not any(f.key == key for f in known):  # it could not be read: what follows from that is no news
            found.append(SetupFault("contradiction", key, words))

    part, pattern, holder = setup.part, setup.pattern, setup.holder
    od, blank = part.outside_diameter_mm, part.blank_diameter_mm
    pitches = [w.pitch.mm for w in setup.wheels if w.pitch] + (
        [pattern.normal_pitch_mm] if pattern.normal_pitch_mm else []
    )
    if od is not None and blank is not None:
        if od <= blank:
            add(
                "[part] blank_diameter",
                f"{blank:g} mm is not below outside_diameter {od:g} mm: rolling makes a part larger; "
                "give the diameter before and the diameter after knurling",
            )
        elif pitches and od - blank > 1.5 * max(pitches):
            add(
                "[part] outside_diameter",
                f"{od:g} mm is {od - blank:.3g} mm over the blank; a pitch of {max(pitches):.3g} mm can raise it by "
                f"{1.5 * max(pitches):.3g} mm at the very most",
            )
    diameter = od if od is not None else blank
    if diameter is not None and pitches and max(pitches) > diameter:
        add("[part] outside_diameter", f"{diameter:g} mm has no room for a pitch of {max(pitches):.3g} mm")
    for number, wheel in enumerate(setup.wheels, 1):
        where = "[[wheel]]" if len(setup.wheels) == 1 else f"[[wheel]] {number}"
        for key, words in _wheel_contradictions(wheel):
            add(f"{where} {key}".strip(), words)
        if wheel.pitch is None and (wheel.teeth is None or wheel.diameter_mm is None):
            complete = pattern.normal_pitch_mm is not None or (pattern.teeth is not None and od is not None)
            stated_badly = any(f.key.startswith(where) for f in known)
            if not complete and not stated_badly:
                add(where, "has no pitch: state pitch, teeth_per_inch, module, diametral_pitch, or diameter and teeth")
    if len(setup.wheels) == 2:
        one, two = (wheel_hand(w) for w in setup.wheels)
        if one == two and one is not None:
            add("[[wheel]] 2 hand", f"is {two} like the first: a diamond takes one left-hand and one right-hand wheel")
        if holder.kind == "one wheel":
            add("[holder] kind", "is 'one wheel' but there are two [[wheel]] tables")
        if any(w.code in ("GE", "GV", "KE", "KV") for w in setup.wheels):
            add("[[wheel]] code", "a wheel with crossed teeth rolls the pattern alone: give one [[wheel]] only")
    if holder.swivel_deg is not None and abs(holder.swivel_deg) >= 80:
        add("[holder] swivel", f"{holder.swivel_deg:g} deg leaves no teeth to roll: 30 deg is usual")
    if pattern.form is not None:
        _pattern_contradictions(setup, add)
    elif "pattern" in setup.model_fields_set and not setup.wheels and not any("form" in f.key for f in known):
        add("[pattern] form", f"is missing; state one of {', '.join(FORMS)}")
    if setup.tolerance.at == "blank" and blank is None and od is None:
        add("[tolerance] at", "is 'blank' but neither blank_diameter nor outside_diameter is stated in [part]")
    return found


def _wheel_contradictions(wheel: WheelSetup) -> list[tuple[str, str]]:
    found = []
    if wheel.code in ("AA", "KE", "KV"):
        if wheel.hand is not None:
            found.append(("hand", f"is {wheel.hand!r}, but a {wheel.code} wheel has no hand: take it out"))
        if wheel.helix_deg:
            found.append(("helix", f"is {wheel.helix_deg:g} deg, but a {wheel.code} wheel has 0 deg"))
    if wheel.code in ("BL", "BR", "GE", "GV") and wheel.helix_deg == 0:
        found.append(("helix", f"is 0 deg, but a {wheel.code} wheel has slanting teeth, usually 30 deg"))
    if wheel.code in ("GE", "GV") and wheel.hand is not None:
        found.append(("hand", f"is {wheel.hand!r}, but a {wheel.code} wheel has both hands: take it out"))
    if wheel.code in ("BL", "BR") and wheel.hand is not None and wheel.hand != HAND_OF_CODE[wheel.code]:
        found.append(("hand", f"is {wheel.hand!r}, but {wheel.code} is the {HAND_OF_CODE[wheel.code]}-hand wheel"))
    if wheel.code is None and wheel.hand is None and wheel.helix_deg:
        found.append(("hand", f"is missing: a wheel of {wheel.helix_deg:g} deg is left-hand or right-hand"))
    if wheel.code is None and wheel.hand is not None and wheel.helix_deg == 0:
        found.append(("helix", f"is 0 deg, but the wheel is {wheel.hand}-hand: state its helix or take out the hand"))
    if wheel.pitch is not None and wheel.teeth is not None and wheel.diameter_mm is not None:
        around = math.pi * wheel.diameter_mm / wheel.teeth
        cos = math.cos(math.radians(wheel_helix_deg(wheel)))
        offs = [measured / wheel.pitch.mm - 1.0 for measured in (around, around * cos)]
        if min(abs(off) for off in offs) > 0.05:
            found.append(
                (
                    "teeth",
                    f"{wheel.teeth} on {wheel.diameter_mm:g} mm make {around * cos:.4g} mm across the teeth, "
                    f"but {wheel.pitch.words} is {wheel.pitch.mm:.4g} mm: count again, or take the pitch out",
                )
            )
    return found


def _pattern_contradictions(setup: Setup, add: Callable[[str, str], None]) -> None:
    part, pattern = setup.part, setup.pattern
    form = str(pattern.form)
    diagonal = is_diagonal(form)
    if pattern.helix_deg and not diagonal:
        add("[pattern] helix", f"is {pattern.helix_deg:g} deg, but {form} ({FORMS[form].words}) has none: take it out")
    if pattern.helix_deg == 0 and diagonal:
        add("[pattern] helix", f"is 0 deg, but {form} ({FORMS[form].words}) has slanting ridges, usually 30 deg")
    if (
        not setup.wheels
        and pattern.normal_pitch_mm is None
        and (pattern.teeth is None or part.outside_diameter_mm is None)
    ):
        add("[pattern] normal_pitch", "is missing: state it, or teeth with [part] outside_diameter, or a [[wheel]]")
    if pattern.teeth is not None and pattern.normal_pitch_mm is not None and part.outside_diameter_mm is not None:
        helix = pattern.helix_deg if pattern.helix_deg is not None else (STANDARD_HELIX_DEG if diagonal else 0.0)
        count = math.pi * part.outside_diameter_mm * math.cos(math.radians(helix)) / pattern.normal_pitch_mm
        if abs(count - pattern.teeth) > max(1.0, 0.03 * count):
            add(
                "[pattern] teeth",
                f"is {pattern.teeth}, but {pattern.normal_pitch_mm:g} mm on {part.outside_diameter_mm:g} mm makes "
                f"{count:.1f} teeth: change one of the three",
            )
