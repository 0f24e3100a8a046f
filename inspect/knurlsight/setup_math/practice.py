"""How a knurl is run: starting points of common practice, as ranges with their reasons.

Nothing here is from a standard. The ranges are wide because shops and machines differ; they are starting points, not
limits, and every one says so where it is shown.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

Method = Literal["axial", "plunge"]

COMMON_PRACTICE = "common practice"


@dataclass(frozen=True)
class Advice:
    """One line of advice.

    Attributes
    ----------
    what : str
        Such as ``"spindle speed"``.
    low, high : float or None
        The range, in `unit`; None where the advice is words alone.
    unit : str
        Such as ``"r/min"`` or ``"mm per turn"``.
    reason : str
        Why, and when to take which end.
    source : str
        ``"common practice"`` everywhere.
    """

    what: str
    low: float | None
    high: float | None
    unit: str
    reason: str
    source: str = COMMON_PRACTICE


@dataclass(frozen=True)
class Material:
    """A group of metals that are run alike.

    Attributes
    ----------
    name : str
    words : tuple of str
        What people call members of it, lower case.
    speed_m_min : (float, float)
        Surface speed, from a third of what production machines use (small lathe) up to what they use.
    hardens : bool
        Whether it hardens under the wheel and then flakes.
    lubricant : str
    remark : str
    """

    name: str
    words: tuple[str, ...]
    speed_m_min: tuple[float, float]
    hardens: bool
    lubricant: str
    remark: str


MATERIALS: tuple[Material, ...] = (
    Material(
        "brass and bronze",
        ("brass", "bronze", "cz121", "cuzn39pb3", "gunmetal"),
        (8.0, 50.0),
        False,
        "light oil or none; flush or brush the flakes out",
        "takes a crisp pattern; flakes pack in the grooves",
    ),
    Material(
        "aluminium",
        ("aluminium", "aluminum", "alu", "6061", "6082", "2024", "7075"),
        (8.0, 50.0),
        False,
        "paraffin or light oil in plenty, so that nothing welds to the wheel",
        "soft grades tear when rolled too deep",
    ),
    Material(
        "plain steel",
        ("steel", "mild steel", "free-cutting steel", "carbon steel", "11smn30", "en1a", "1018", "12l14", "1.0715"),
        (5.0, 30.0),
        False,
        "oil in plenty",
        "the common case",
    ),
    Material(
        "stainless steel",
        ("stainless", "stainless steel", "303", "304", "316", "1.4305", "1.4301", "a2", "a4"),
        (4.0, 20.0),
        True,
        "sulphurised oil in plenty",
        "hardens under the wheel: few turns, firm feed, stop at 80 to 90 % of full form",
    ),
    Material(
        "tough alloy and titanium",
        ("titanium", "alloy steel", "4140", "4340", "42crmo4", "inconel", "tool steel"),
        (3.0, 15.0),
        True,
        "sulphurised oil in plenty",
        "think of cut knurling instead of rolling",
    ),
)

#: Feed per turn by the upper end of the pitch range, mm. The low end is for light lathes: fine feeds came out crisp
#: there and coarse ones poor.
_FEEDS_MM: tuple[tuple[float, float, float], ...] = ((0.85, 0.05, 0.30), (1.4, 0.05, 0.40), (math.inf, 0.08, 0.50))

CAUTIONS: tuple[str, ...] = (
    "Local rules and trained practice come first.",
    "Rolling loads spindle, slide and work far more than turning: hold the work deep in the chuck and on a centre.",
    "Keep hands, rags, brushes and sleeves out of the nip between wheel and work; no gloves, no loose hair or cords.",
    "Eye protection. Stop the spindle and take it out of gear before you touch, measure or photograph.",
    "Fresh crests and flakes cut; no compressed air on slivers.",
)

WATCH_FOR: tuple[tuple[str, str], ...] = (
    (
        "lines between the lines, weak flat diamonds",
        "double tracking: stop, move along or skim, bite deeper at the start",
    ),
    ("one direction weaker than the other", "tool off centre height, or one wheel stiff, dull or worn"),
    ("flat tops, wide lands", "too shallow: work in further until the tops are as wanted"),
    ("flakes, slivers", "rolled past full form or dwelt too long: less depth, fewer turns, more oil"),
    ("pattern fades towards one end", "work bends away, taper, or the canted wheel ends there: support, align"),
)


def material_group(name: str | None) -> Material | None:
    """The group that a material belongs to by the words of its name; None when the name says nothing."""
    text = f" {re.sub(r'[^a-z0-9.]+', ' ', (name or '').lower())} "
    found = [(len(word), m) for m in MATERIALS for word in m.words if f" {word.replace('-', ' ')} " in text]
    return max(found, key=lambda pair: pair[0])[1] if found else None


#: The group that is reckoned with when no material is named: the common case, with its wide ranges.
USUAL_MATERIAL = MATERIALS[2]


def spindle_speeds_rpm(material: Material, diameter_mm: float) -> tuple[float, float]:
    """Spindle speeds for the material's range of surface speed: v / (π d)."""
    low, high = (1000.0 * v / (math.pi * diameter_mm) for v in material.speed_m_min)
    return low, high


def feeds_mm(pitch_mm: float) -> tuple[float, float]:
    """Feed per turn for axial rolling by pitch, mm."""
    return next((low, high) for limit, low, high in _FEEDS_MM if pitch_mm <= limit)


def turns_under_wheel(wheel_width_mm: float, feed_mm: float) -> float:
    """How often each place of the work passes under the wheel: width / feed."""
    return wheel_width_mm / feed_mm


def advice(
    material: Material, pitch_mm: float, blank_mm: float, method: Method, wheel_width_mm: float | None
) -> tuple[Advice, ...]:
    """How to run it: speed, feed, passes, cant, lubricant, dwell.

    Parameters
    ----------
    material : Material
    pitch_mm : float
        Normal pitch.
    blank_mm : float
        Diameter that the speed holds for.
    method : {"axial", "plunge"}
    wheel_width_mm : float or None
        For the turns under the wheel.
    """
    slow, fast = spindle_speeds_rpm(material, blank_mm)
    low, high = material.speed_m_min
    rows = [
        Advice(
            "spindle speed",
            _round_to_two(slow),
            _round_to_two(fast),
            "r/min",
            f"{low:g} to {high:g} m/min in {material.name}; a light lathe takes the lower third",
        )
    ]
    if method == "axial":
        fine, coarse = feeds_mm(pitch_mm)
        rows.append(
            Advice(
                "feed",
                fine,
                coarse,
                "mm per turn",
                "a light lathe takes the fine end, the coarse end comes out poor on it; engage the power feed at once",
            )
        )
        if wheel_width_mm is not None:
            turns = (turns_under_wheel(wheel_width_mm, coarse), turns_under_wheel(wheel_width_mm, fine))
            flakes = "; this metal hardens, so keep to few turns" if material.hardens else ""
            rows.append(
                Advice(
                    "turns under the wheel",
                    _round_to_two(turns[0]),
                    _round_to_two(turns[1]),
                    "turns",
                    f"wheel width {wheel_width_mm:g} mm over the feed; many turns flake metals that harden{flakes}",
                )
            )
        rows.append(
            Advice(
                "passes",
                1,
                1 if material.hardens else 2,
                "",
                "one firm infeed is better than small steps, which clog; never lift the wheel off between passes",
            )
        )
        rows.append(
            Advice(
                "cant",
                0.5,
                5.0,
                "deg",
                "the leading edge bites first, which lowers the force and helps tracking; the pattern fades where the "
                "canted wheel ends, so cant the other way and roll away from the chuck to finish at a shoulder",
            )
        )
        rows.append(
            Advice(
                "start", None, None, "", "half the wheel's width over the end of the work, pressed in firmly at once"
            )
        )
    else:
        rows.append(
            Advice(
                "turns to full depth",
                5,
                20,
                "turns",
                "then out at once: dwelling hardens the surface and flakes it",
            )
        )
    rows.append(
        Advice(
            "first bite",
            None,
            None,
            "",
            "firm, within the first turn, so that the wheel finds its own marks; look after one or two turns",
        )
    )
    rows.append(Advice("lubricant", None, None, "", f"{material.lubricant}; flushing keeps flakes out of the grooves"))
    rows.append(Advice("stop", 80, 90, "% of full form", "crests that run to a point flake"))
    return tuple(rows)


def _round_to_two(value: float) -> float:
    """Two figures are all that such a number is worth."""
    if value <= 0:
        return value
    digits = 1 - math.floor(math.log10(value))
    return round(value, digits)
