"""The seven knurl forms of DIN 82 and the wheels of DIN 403 that roll them.

Read from DIN 82:1973-01 and DIN 403:1973-01. What stands up on a wheel is pressed in on the work, and what rises to the
left on a wheel rises to the right on the work: a form and its wheel are mirror images.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Hand = Literal["left", "right", "axial", "ring"]
Form = Literal["RAA", "RBL", "RBR", "RGE", "RGV", "RKE", "RKV"]
WheelCode = Literal["AA", "BL", "BR", "GE", "GV", "KE", "KV"]
Points = Literal["ridges", "raised", "recessed"]

#: Helix of the left-hand and right-hand wheels of DIN 403 and ANSI/ASME B94.6, and of the DIN 82 forms.
STANDARD_HELIX_DEG = 30.0
#: Profile angle of DIN 82 and DIN 403; 105° on request.
STANDARD_PROFILE_ANGLE_DEG = 90.0
#: Preferred pitches of DIN 82 and DIN 403, mm.
PREFERRED_PITCHES_MM = (0.5, 0.6, 0.8, 1.0, 1.2, 1.6)


@dataclass(frozen=True)
class FormFacts:
    """What DIN 82 says about one form.

    Attributes
    ----------
    code : str
        DIN 82 code.
    words : str
        The same in plain words.
    hands : tuple of Hand
        Its line families.
    points : {"ridges", "raised", "recessed"}
        One family of ridges, points that stand up, or points that are pressed in.
    growth_factor : float
        k of d2 = d1 − k t for a 90° profile (RKV read in DIN 82; the others from memory, all confirmed by volume
        conservation).
    wheels : str
        What rolls it (DIN 403 codes).
    """

    code: Form
    words: str
    hands: tuple[Hand, ...]
    points: Points
    growth_factor: float
    wheels: str


FORMS: dict[str, FormFacts] = {
    facts.code: facts
    for facts in (
        FormFacts("RAA", "straight", ("axial",), "ridges", 0.5, "AA"),
        FormFacts("RBL", "diagonal, left-hand", ("left",), "ridges", 0.5, "BR, or AA swivelled"),
        FormFacts("RBR", "diagonal, right-hand", ("right",), "ridges", 0.5, "BL, or AA swivelled"),
        FormFacts(
            "RGE", "diamond, raised points", ("left", "right"), "raised", 0.67, "BL with BR, two AA swivelled, or GV"
        ),
        FormFacts("RGV", "diamond, recessed points", ("left", "right"), "recessed", 0.33, "GE, plunged"),
        FormFacts("RKE", "square, raised points", ("axial", "ring"), "raised", 0.67, "KV, plunged"),
        FormFacts("RKV", "square, recessed points", ("axial", "ring"), "recessed", 0.33, "KE, plunged"),
    )
}

#: The form that one wheel of this code rolls with its axis parallel to the work.
FORM_ROLLED_BY: dict[WheelCode, Form] = {
    "AA": "RAA",
    "BL": "RBR",
    "BR": "RBL",
    "GE": "RGV",
    "GV": "RGE",
    "KE": "RKV",
    "KV": "RKE",
}


def is_diagonal(form: str) -> bool:
    """Whether the form has left-hand or right-hand families."""
    return "left" in FORMS[form].hands or "right" in FORMS[form].hands


def is_diamond(form: str) -> bool:
    """Whether the form has a left-hand and a right-hand family."""
    return FORMS[form].hands == ("left", "right")


def wheel_code_for(form: str) -> WheelCode:
    """The one DIN 403 wheel that rolls the form when plunged with its axis parallel to the work."""
    return next(code for code, rolled in FORM_ROLLED_BY.items() if rolled == form)


def mirrored(hand: Hand) -> Hand:
    """The hand that a wheel's lines take on the work, and the other way round."""
    return {"left": "right", "right": "left"}.get(hand, hand)  # type: ignore[return-value]


def designation(form: str, pitch_mm: float, profile_angle_deg: float = STANDARD_PROFILE_ANGLE_DEG) -> str | None:
    """DIN 82 designation such as ``"RGE 08 DIN 82"``, or None for a pitch that is not in tenths of a millimetre.

    >>> designation("RGE", 0.8), designation("RGE", 0.8, 105)
    ('RGE 08 DIN 82', 'RGE 08 - 105 DIN 82')
    """
    tenths = round(pitch_mm * 10)
    if abs(pitch_mm * 10 - tenths) > 1e-6 or not 1 <= tenths <= 99:
        return None
    if profile_angle_deg not in (STANDARD_PROFILE_ANGLE_DEG, 105.0):
        return None
    angle = "" if profile_angle_deg == STANDARD_PROFILE_ANGLE_DEG else f" - {profile_angle_deg:.0f}"
    return f"{form} {tenths:02d}{angle} DIN 82"
