"""Holds a measured pattern against the limits of its setup.

A check passes when its whole interval (k = 2, or the setup's guard factor) lies inside the limits, fails when it lies
wholly outside, and otherwise cannot tell (guarded acceptance and guarded rejection, JCGM 106:2012). A figure that was
not measured is never a pass. A part is as its worst check, a file as its worst part.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from photoscale.quantity import Quantity

from knurlsight import misread
from knurlsight.model import Family, Pattern
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units
from knurlsight.setup_math.expected import ExpectedPattern, at_other_diameter
from knurlsight.setup_math.forms import FORMS, Hand
from knurlsight.setup_math.limits import Limit

Verdict = Literal["pass", "fail", "cannot_tell"]

HAND_WORDS: dict[Hand, str] = {"right": "right-hand", "left": "left-hand", "axial": "axial", "ring": "ring"}
#: Figures that cannot leave their range, whatever the noise says.
RANGES: dict[str, tuple[float, float]] = {
    "ghost_ratio": (0.0, 1.0),
    "balance": (0.0, 1.0),
    "form_fill": (0.0, 1.0),
    "run_in": (0.0, float("inf")),
    "pitch_drift": (0.0, float("inf")),
    "damage_area": (0.0, 1.0),
    "depth_variation": (0.0, 1.0),
}
FIGURE_WORDS: dict[str, str] = {
    "form": "form",
    "pitch": "normal pitch",
    "helix": "helix",
    "included_angle": "included angle",
    "teeth": "teeth",
    "ghost_ratio": "double tracking (ghost ratio)",
    "balance": "balance of the two families",
    "form_fill": "form fill",
    "run_in": "run-in",
    "full_form_length": "length of full form",
    "knurl_length": "knurled length",
    "outside_diameter": "outside diameter",
    "pitch_drift": "pitch drift",
    "damage_area": "damaged area",
    "depth_variation": "depth variation",
    "wheel_mark": "mark repeating with the wheel",
    "open_seam": "seam where the pattern does not close",
}
#: Why a measured figure cannot be told.
IN_DOUBT = "a limit lies within the uncertainty"
#: Figures of how the lines run, which Fourier and Hough both read.
OF_LINES = ("pitch", "helix", "included_angle")
#: Figures of how deep the lines are.
OF_DEPTHS = ("ghost_ratio", "balance", "form_fill")
#: Lengths cannot be judged without a scale; everything else can.
LENGTHS = ("pitch", "run_in", "full_form_length", "knurl_length", "outside_diameter")


@dataclass(frozen=True)
class Check:
    """One limit, held against what was measured.

    Attributes
    ----------
    key : str
        Key of [tolerance], or ``"form"``.
    name : str
        What is checked, in words that name the family or the end.
    at : {"crest", "blank"} or None
        Diameter at which it compares.
    measured : Quantity or None
    nominal, lower, upper : float or None
        In the unit of the figure.
    unit : str
    stated : bool
        Whether the setup states the limit; otherwise it is the default.
    verdict : Verdict
    found : str
        What was found, where a number does not say it.
    wanted : str
        What is wanted, where limits do not say it.
    why : str
        Why it cannot be told, or what a failure looks like.
    """

    key: str
    name: str
    at: Literal["crest", "blank"] | None
    measured: Quantity | None
    nominal: float | None
    lower: float | None
    upper: float | None
    unit: str
    stated: bool
    verdict: Verdict
    found: str = ""
    wanted: str = ""
    why: str = ""

    def words(self, units: Units = "mm") -> str:
        """One line that a machinist reads."""
        found = self.found or (figures.measured(self.measured, units) if self.measured else "not measured")
        wanted = self.wanted or figures.span(self.lower, self.upper, self.unit, units)
        default = "" if self.stated else " (default limit)"
        why = f": {self.why}" if self.why else ""
        blank = ", at the blank" if self.at == "blank" else ""
        return f"{self.name} {found}{blank}, wanted {wanted}{default}{why}"


@dataclass(frozen=True)
class Measured:
    """A figure to be judged: the quantity, or why there is none."""

    quantity: Quantity | None
    name: str
    why: str = ""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Fail before cannot tell before pass; nothing judged cannot be told."""
    given = set(verdicts)
    if "fail" in given:
        return "fail"
    return "pass" if given == {"pass"} else "cannot_tell"


#: What one photo often cannot tell; a default limit on them is judged where they are measured, a stated one always.
SELDOM_IN_ONE_PHOTO = ("pitch_drift", "damage_area", "depth_variation", "wheel_mark", "open_seam")


def decide(
    q: Quantity,
    lower: float | None,
    upper: float | None,
    guard_factor: float = 2.0,
    within: tuple[float, float] = (float("-inf"), float("inf")),
) -> Verdict:
    """Decision rule for one figure.

    Parameters
    ----------
    q : Quantity
    lower, upper : float or None
        Limits; None is open.
    guard_factor : float
        Half width of the interval in standard uncertainties.
    within : (float, float)
        Range that the figure cannot leave; its interval is clipped to it.

    Examples
    --------
    >>> decide(Quantity(1.0, 0.01), 0.96, 1.04), decide(Quantity(1.03, 0.01), 0.96, 1.04)
    ('pass', 'cannot_tell')
    >>> decide(Quantity(1.07, 0.01), 0.96, 1.04)
    'fail'
    """
    low = min(max(q.value - guard_factor * q.u, within[0]), within[1])
    high = min(max(q.value + guard_factor * q.u, within[0]), within[1])
    if (lower is None or low >= lower) and (upper is None or high <= upper):
        return "pass"
    if (lower is not None and high < lower) or (upper is not None and low > upper):
        return "fail"
    return "cannot_tell"


def judge(
    pattern: Pattern,
    expected: ExpectedPattern,
    limits: Sequence[Limit],
    guard_factor: float = 2.0,
    *,
    no_lengths: str = "",
    blank_diameter_mm: float | None = None,
) -> tuple[Check, ...]:
    """Every limit that is not switched off, held against the pattern.

    Parameters
    ----------
    pattern : Pattern
    expected : ExpectedPattern
    limits : sequence of Limit
    guard_factor : float
    no_lengths : str
        Why lengths cannot be judged (no scale, or one without uncertainty); empty when they can.
    blank_diameter_mm : float, optional
        For limits that compare at the blank.
    """
    checks: list[Check] = []
    halved = misread.reads_as_half(pattern, expected, no_lengths)
    in_doubt = misread.lines_in_doubt(pattern, expected, halved)
    crossed = misread.crossed_by_light(pattern, expected)
    for limit in limits:
        if limit.off:
            continue
        if limit.name == "form":
            checks.append(_form(pattern, limit, misread.form_in_doubt(pattern, expected)))
        elif limit.name == "teeth":
            checks += _teeth(pattern, limit)
        else:
            for figure in _figures_for(limit, pattern, expected, guard_factor, blank_diameter_mm):
                if figure.quantity is None and limit.name in SELDOM_IN_ONE_PHOTO and not limit.stated:
                    continue
                check = _check(limit, figure, guard_factor, halved, no_lengths)
                if check.verdict == "fail" and limit.name in OF_LINES and (why := in_doubt.get(limit.hand)):
                    check = replace(check, verdict="cannot_tell", why=why)
                if check.verdict == "fail" and limit.name in OF_DEPTHS and crossed:
                    check = replace(check, verdict="cannot_tell", why=misread.CROSSED_BY_LIGHT)
                checks.append(check)
    if misread.reads_as_double(pattern, expected, no_lengths):
        checks = [
            replace(c, verdict="cannot_tell", why=misread.AS_DOUBLE)
            if c.verdict == "fail" and (c.key == "pitch" or c.key not in LENGTHS)
            else c
            for c in checks
        ]
    if size := misread.another_size(pattern, expected, no_lengths):
        checks = [replace(c, verdict="cannot_tell", why=size) for c in checks]
    return tuple(checks)


def reasons(checks: Sequence[Check], verdict: Verdict, units: Units = "mm") -> tuple[str, ...]:
    """Why the verdict is not a pass: the failed checks, or those that cannot be told, like ones together."""
    deciding = [c for c in checks if c.verdict == verdict] if verdict != "pass" else []
    lines: list[str] = []
    by_why: dict[str, list[Check]] = {}
    shared = Counter(c.why for c in deciding)
    for check in deciding:
        if verdict == "cannot_tell" and check.why != IN_DOUBT and (not check.found or shared[check.why] > 1):
            by_why.setdefault(check.why, []).append(check)
        else:
            lines.append(check.words(units))
    for why, group in by_why.items():
        names = ", ".join(c.name for c in group)
        lines.append(f"{names}: {why or 'not measured'}")
    return tuple(lines)


# --- one figure at a time --------------------------------------------------------------------------------------------


def _check(limit: Limit, figure: Measured, guard_factor: float, halved: Sequence[Hand], no_lengths: str) -> Check:
    nominal = limit.nominal if isinstance(limit.nominal, float | int) else None
    verdict: Verdict = "cannot_tell"
    why, wanted, found = figure.why, "", ""
    if no_lengths and limit.name in LENGTHS:
        why = no_lengths
    elif figure.quantity is not None:
        within = RANGES.get(limit.name, (float("-inf"), float("inf")))
        verdict = decide(figure.quantity, limit.lower, limit.upper, guard_factor, within)
        if verdict == "cannot_tell":
            why = why or IN_DOUBT
    if limit.name in ("wheel_mark", "open_seam"):
        wanted = "none"
        if figure.quantity is not None:
            found = "none seen" if verdict == "pass" else "seen" if verdict == "fail" else "in doubt"
    if limit.name == "pitch" and limit.hand in halved:
        why = "half the pitch wanted: a complete second track, or a wheel of half the pitch"
    if limit.name == "ghost_ratio" and halved:
        verdict = "fail"
        found = "a complete second track"
        why = "the lines stand at half the pitch wanted"
    return Check(
        key=limit.name,
        name=figure.name,
        at=limit.at,
        measured=figure.quantity,
        nominal=nominal,
        lower=limit.lower,
        upper=limit.upper,
        unit=limit.unit,
        stated=limit.stated,
        verdict=verdict,
        found=found,
        wanted=wanted,
        why=why,
    )


def _form(pattern: Pattern, limit: Limit, doubt: str) -> Check:
    code = str(limit.nominal)
    verdict: Verdict = "cannot_tell"
    found, why = "not recognised", _first(pattern.cannot, "no pattern could be read")
    if pattern.form is not None:
        found, why = f"{pattern.form} ({FORMS[pattern.form].words})", ""
        verdict = "pass" if pattern.form == code else "cannot_tell" if doubt else "fail"
        why = doubt if verdict == "cannot_tell" else ""
    wanted = f"{code} ({FORMS[code].words if code in FORMS else code})"
    return Check("form", "form", None, None, None, None, None, "", True, verdict, found, wanted, why)


def _teeth(pattern: Pattern, limit: Limit) -> list[Check]:
    """Judged only where the whole count is known; a count that the setup states a limit for is never passed over."""
    family = _family(pattern, limit.hand)
    name = f"teeth of the {HAND_WORDS[limit.hand]} family" if limit.hand else "teeth"
    whole = family.teeth_whole if family is not None else None
    nominal = limit.nominal if isinstance(limit.nominal, float | int) else None
    verdict: Verdict = "cannot_tell"
    if whole is None:
        if not limit.stated:
            return []
        teeth = family.teeth if family is not None else None
        why = "the whole count is not certain" if teeth else _missing_family(pattern, limit.hand)
        return [
            Check("teeth", name, None, teeth, nominal, limit.lower, limit.upper, "", True, verdict, why=why),
        ]
    counted = Quantity(float(whole), 0.0)
    verdict = decide(counted, limit.lower, limit.upper)
    return [
        Check(
            "teeth", name, None, counted, nominal, limit.lower, limit.upper, "", limit.stated, verdict, found=str(whole)
        )
    ]


def _figures_for(
    limit: Limit,
    pattern: Pattern,
    expected: ExpectedPattern,
    guard_factor: float,
    blank_diameter_mm: float | None,
) -> list[Measured]:
    """The measured figures that a limit concerns; one, but for the run-in, which has two ends."""
    name = FIGURE_WORDS[limit.name]
    if limit.hand is not None:
        name = f"{name} of the {HAND_WORDS[limit.hand]} family"
    if not pattern.families:
        return [Measured(None, name, _first(pattern.cannot, "no pattern could be read"))]
    if limit.name in ("pitch", "helix"):
        return [_of_family(limit, pattern, expected, name, blank_diameter_mm)]
    if limit.name == "ghost_ratio":
        return [_worst_ghost(pattern, limit, guard_factor, name)]
    if limit.name == "run_in":
        if pattern.ends is None:
            return [Measured(None, name, "the ends of the pattern were not measured")]
        cut = pattern.outline.cut
        return [
            Measured(
                end.fade,
                f"{name} at end {i + 1}",
                "" if end.fade else _no_end(cut[i], len(pattern.families)),
            )
            for i, end in enumerate(pattern.ends)
        ]
    if limit.name == "balance" and len(pattern.families) < 2:
        return [Measured(None, name, "only one family was found")]
    figure = _plain_figure(limit.name, pattern)
    return [Measured(figure, name, "" if figure else "not measured from this photo")]


def _no_end(cut: bool, families: int) -> str:
    """Why the run-in of an end was not measured."""
    if cut:
        return "the end is out of the frame"
    if families == 1:
        return "it looks faded, which light alone can do to lines that all run one way: light it from the other end"
    return "the end was not measured"


def _plain_figure(key: str, pattern: Pattern) -> Quantity | None:
    figure = {
        "included_angle": pattern.included_angle,
        "balance": pattern.balance,
        "form_fill": pattern.form_fill,
        "full_form_length": pattern.full_form_length,
        "knurl_length": pattern.knurled_length,
        "outside_diameter": pattern.outside_diameter,
    }.get(key)
    if figure is None:
        # figures that a later measuring step adds to the pattern under the key of their limit
        figure = getattr(pattern, key, None)
    return figure


def _of_family(
    limit: Limit, pattern: Pattern, expected: ExpectedPattern, name: str, blank_diameter_mm: float | None
) -> Measured:
    family = _family(pattern, limit.hand)
    if family is None:
        return Measured(None, name, _missing_family(pattern, limit.hand))
    pitch, helix = family.normal_pitch, family.helix_angle
    if limit.at == "blank" and family.hand != "ring" and blank_diameter_mm is not None:
        crest = pattern.outside_diameter.value if pattern.outside_diameter else expected.outside_diameter_mm
        if crest is not None:
            value, angle = at_other_diameter(
                pitch.value if pitch else 1.0, min(helix.value, 89.9), crest, blank_diameter_mm
            )
            helix = Quantity(angle, helix.u, "deg")
            if pitch is not None:
                pitch = Quantity(value, pitch.u * value / pitch.value, "mm")
    if limit.name == "helix":
        return Measured(helix, name)
    return Measured(pitch, name, "" if pitch else "no scale, so no length")


def _worst_ghost(pattern: Pattern, limit: Limit, guard_factor: float, name: str) -> Measured:
    """The family that decides: one that breaks the limit, else one that is not known, else the largest."""
    order: dict[Verdict, int] = {"fail": 0, "cannot_tell": 1, "pass": 2}
    ranked: list[tuple[int, float, Measured]] = []
    for family in pattern.families:
        which = f"{name}, {HAND_WORDS[family.hand]} family" if len(pattern.families) > 1 else name
        ghost = family.double_track.ghost_ratio
        if ghost is None:
            ranked.append((1, 0.0, Measured(None, which, family.double_track.words or "not measured")))
            continue
        verdict = decide(ghost, limit.lower, limit.upper, guard_factor, RANGES["ghost_ratio"])
        ranked.append((order[verdict], -ghost.value - guard_factor * ghost.u, Measured(ghost, which)))
    return min(ranked, key=lambda r: r[:2])[2]


def _family(pattern: Pattern, hand: Hand | None) -> Family | None:
    return next((f for f in pattern.families if f.hand == hand), None)


def _missing_family(pattern: Pattern, hand: Hand | None) -> str:
    if not pattern.families:
        return _first(pattern.cannot, "no pattern could be read")
    return f"no {HAND_WORDS[hand]} family was found" if hand else "not found"


def _first(texts: Sequence[str], otherwise: str) -> str:
    return next((t for t in texts if t), otherwise)
