"""What a setup says: part, wheels, holder, pattern, process and tolerances, in mm, degrees and plain ratios.

Field names carry the unit; the key of the file is the field's alias.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from knurlsight.setup_math.forms import FORM_ROLLED_BY, STANDARD_HELIX_DEG, Form
from knurlsight.setup_math.setup_values import (
    AllowedTolerance,
    AngleTolerance,
    Count,
    CountTolerance,
    CrestOrBlank,
    DialScale,
    Diameter,
    FormCode,
    GuardFactor,
    HolderKind,
    LeftOrRight,
    Length,
    LengthTolerance,
    Name,
    Number,
    PatternPitch,
    PitchDirection,
    PitchLabel,
    PitchTolerance,
    PlusMinusLength,
    PlusMinusShare,
    Range,
    RangeTolerance,
    ShareTolerance,
    SmallAngle,
    SmallLength,
    Text,
    ToothAngle,
    UnitShareTolerance,
    WheelCodeName,
    WheelHelix,
)
from knurlsight.units import LengthUnit, Pitch, angle_words, length_words, ratio_words


class Section(BaseModel):
    """One table of the file. Field names carry the unit; the key of the file is the field's alias."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, arbitrary_types_allowed=True)


class PartSetup(Section):
    """[part]: what is wanted, never a scale."""

    name: Name | None = None
    number: Name | None = None
    outside_diameter_mm: Annotated[Diameter | None, Field(alias="outside_diameter")] = None
    blank_diameter_mm: Annotated[Diameter | None, Field(alias="blank_diameter")] = None
    knurl_length_mm: Annotated[Length | None, Field(alias="knurl_length")] = None
    material: Text | None = None
    chuck_end: LeftOrRight | None = None


class WheelSetup(Section):
    """[[wheel]]: one knurling wheel. `hand` and `code` are those of the wheel; the work shows the mirror image."""

    label: Text | None = None
    hand: LeftOrRight | None = None
    code: WheelCodeName | None = None
    pitch: PitchLabel | None = None
    pitch_along: PitchDirection | None = None
    helix_deg: Annotated[WheelHelix | None, Field(alias="helix")] = None
    teeth: Count | None = None
    diameter_mm: Annotated[Diameter | None, Field(alias="diameter")] = None
    width_mm: Annotated[Length | None, Field(alias="width")] = None
    tooth_angle_deg: Annotated[ToothAngle | None, Field(alias="tooth_angle")] = None


class HolderSetup(Section):
    """[holder]: `swivel` turns straight wheels (one: + gives right-hand ridges); `cant` only leads the edge in."""

    kind: HolderKind | None = None
    swivel_deg: Annotated[SmallAngle | None, Field(alias="swivel")] = None
    cant_deg: Annotated[SmallAngle | None, Field(alias="cant")] = None


class PatternSetup(Section):
    """[pattern]: what a drawing asks for, as seen at the crest."""

    form: FormCode | None = None
    normal_pitch_mm: Annotated[PatternPitch | None, Field(alias="normal_pitch")] = None
    helix_deg: Annotated[WheelHelix | None, Field(alias="helix")] = None
    teeth: Count | None = None


class ProcessSetup(Section):
    """[process]: how it is run."""

    dial_infeed_mm: Annotated[SmallLength | None, Field(alias="dial_infeed")] = None
    dial_on: DialScale | None = None
    passes: Count | None = None
    feed_per_turn_mm: Annotated[SmallLength | None, Field(alias="feed_per_turn")] = None
    spindle_speed_rpm: Annotated[Number | None, Field(alias="spindle_speed")] = None
    lubricant: Text | None = None


class ToleranceSetup(Section):
    """[tolerance]: None where the file says nothing and the default counts, ``"off"`` where a check is switched off."""

    at: CrestOrBlank = "crest"
    pitch: PitchTolerance | None = None
    helix_deg: Annotated[AngleTolerance | None, Field(alias="helix")] = None
    included_angle_deg: Annotated[AngleTolerance | None, Field(alias="included_angle")] = None
    teeth: CountTolerance | None = None
    ghost_ratio: UnitShareTolerance | None = None
    balance: UnitShareTolerance | None = None
    form_fill: UnitShareTolerance | None = None
    run_in_mm: Annotated[LengthTolerance | None, Field(alias="run_in")] = None
    full_form_length: RangeTolerance | None = None
    knurl_length: RangeTolerance | None = None
    outside_diameter: RangeTolerance | None = None
    pitch_drift: ShareTolerance | None = None
    damage_area: ShareTolerance | None = None
    depth_variation: ShareTolerance | None = None
    wheel_mark: AllowedTolerance | None = None
    open_seam: AllowedTolerance | None = None
    guard_factor: GuardFactor = 2.0


class Setup(Section):
    """A whole setup file.

    Attributes
    ----------
    part, wheels, holder, pattern, process, tolerance
        Its sections; those that the file leaves out are empty.
    """

    part: PartSetup = PartSetup()
    wheels: tuple[WheelSetup, ...] = ()
    holder: HolderSetup = HolderSetup()
    pattern: PatternSetup = PatternSetup()
    process: ProcessSetup = ProcessSetup()
    tolerance: ToleranceSetup = ToleranceSetup()

    @property
    def content_hash(self) -> str:
        """SHA-256 of what the file says, the same however it is spelled, ordered or commented."""
        text = json.dumps(setup_document(self), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()


SECTIONS: dict[str, type[Section]] = {
    "part": PartSetup,
    "wheel": WheelSetup,
    "holder": HolderSetup,
    "pattern": PatternSetup,
    "process": ProcessSetup,
    "tolerance": ToleranceSetup,
}

#: Keys of [[wheel]] that all end up in `WheelSetup.pitch`.
PITCH_KEYS = ("pitch", "teeth_per_inch", "module", "diametral_pitch")


def section_keys(section: str) -> tuple[str, ...]:
    """The keys that a section of the file knows, in the order in which they are written."""
    keys: list[str] = []
    for name, field in SECTIONS[section].model_fields.items():
        keys.append(field.alias or name)
        if section == "wheel" and name == "pitch":
            keys.extend(PITCH_KEYS[1:])
    return tuple(keys)


#: Hand of the DIN 403 wheels with one slanting family.
HAND_OF_CODE = {"BL": "left", "BR": "right"}


def wheel_hand(wheel: WheelSetup) -> str | None:
    """The wheel's own hand, from `hand` or its code; None for straight and for crossed wheels."""
    if wheel.hand is not None:
        return wheel.hand
    return HAND_OF_CODE.get(wheel.code or "")


def wheel_helix_deg(wheel: WheelSetup) -> float:
    """The wheel's own helix: as stated, else the 30° of DIN 403 for a wheel with a hand, else 0."""
    if wheel.helix_deg is not None:
        return wheel.helix_deg
    slanting = wheel.hand is not None or wheel.code in ("BL", "BR", "GE", "GV")
    return STANDARD_HELIX_DEG if slanting else 0.0


def rolled_form(setup: Setup) -> Form | None:
    """The form that [pattern] states, else the one that the wheels roll; None when neither says."""
    if setup.pattern.form is not None:
        return setup.pattern.form
    return form_of_wheels(setup.wheels, setup.holder.swivel_deg or 0.0)


def setup_title(setup: Setup) -> str:
    """Number and name of the part; where it has none, what is wanted: ``"RGE 0.8 mm, diameter 20 mm"``."""
    part, pattern = setup.part, setup.pattern
    if named := " ".join(str(t) for t in (part.number, part.name) if t):
        return named
    pitch_mm = pattern.normal_pitch_mm or next((w.pitch.mm for w in setup.wheels if w.pitch is not None), None)
    pitch = f" {pitch_mm:.4g} mm" if pitch_mm is not None else ""
    diameter = f", diameter {part.outside_diameter_mm:.4g} mm" if part.outside_diameter_mm is not None else ""
    return f"{rolled_form(setup) or 'setup'}{pitch}{diameter}"


def form_of_wheels(wheels: tuple[WheelSetup, ...], swivel_deg: float = 0.0) -> Form | None:
    """The form that these wheels roll.

    Parameters
    ----------
    wheels : one or two WheelSetup
    swivel_deg : float
        Swivel of straight wheels; with one wheel, + gives right-hand ridges on the work.
    """
    if not wheels:
        return None
    if len(wheels) == 2:
        slants = sorted(wheel_hand(w) or "" for w in wheels)
        if slants == ["left", "right"]:
            return "RGE"
        if slants == ["", ""]:
            return "RGE" if swivel_deg else "RAA"
        return None
    wheel = wheels[0]
    hand = wheel_hand(wheel)
    if wheel.code is not None and wheel.code != "AA":
        return FORM_ROLLED_BY[wheel.code]
    if hand is not None:
        return "RBR" if hand == "left" else "RBL"
    if swivel_deg:
        return "RBR" if swivel_deg > 0 else "RBL"
    return "RAA"


def _value_words(field: str, value: Any, unit: LengthUnit) -> Any:
    """One value as it stands in the file."""
    if isinstance(value, Pitch):
        return value.words
    if isinstance(value, PlusMinusShare):
        return ratio_words(value.share)
    if isinstance(value, PlusMinusLength):
        return length_words(value.mm, unit)
    if isinstance(value, Range):
        if value.lower_mm is None and value.upper_mm is not None:
            return f"<= {length_words(value.upper_mm, unit)}"
        if value.upper_mm is None and value.lower_mm is not None:
            return f">= {length_words(value.lower_mm, unit)}"
        return [length_words(v, unit) for v in (value.lower_mm, value.upper_mm) if v is not None]
    if isinstance(value, float):
        if field.endswith("_mm"):
            return length_words(value, unit)
        if field.endswith("_deg"):
            return angle_words(value)
        if field in ("pitch_drift", "damage_area", "depth_variation"):
            return ratio_words(value)
    return value


def setup_document(setup: Setup, unit: LengthUnit = "mm") -> dict[str, Any]:
    """The setup as tables of its file, with only what it states; `knurlsight.setup_math.setup` reads it back."""
    document: dict[str, Any] = {}
    for name in ("part", "wheel", "holder", "pattern", "process", "tolerance"):
        sections = setup.wheels if name == "wheel" else (getattr(setup, name),)
        tables = []
        for section in sections:
            table = {}
            for field, info in type(section).model_fields.items():
                value = getattr(section, field)
                if value is None or (name == "tolerance" and field in ("at", "guard_factor") and value == info.default):
                    continue
                table[info.alias or field] = _value_words(field, value, unit)
            tables.append(table)
        if name == "wheel":
            if tables:
                document[name] = tables
        elif tables[0]:
            document[name] = tables[0]
    return document


def setup_text(setup: Setup, unit: LengthUnit = "mm", comments: Mapping[str, str] | None = None) -> str:
    """The setup as the text of a TOML file; `knurlsight.setup_math.setup` reads it back to an equal setup.

    Parameters
    ----------
    setup : Setup
    unit : {"mm", "in"}
        Unit of the lengths. Inches are written to a billionth, so that a length in mm comes back within 0.00003 µm.
    comments : mapping, optional
        Lines of comment by the place they belong to: ``"file"`` (at the head), ``"[part]"`` (below the table's
        name), ``"[part] blank_diameter"`` (behind the value).
    """
    notes = comments or {}
    lines = [f"# {line}".rstrip() for line in notes.get("file", "").splitlines()]
    for name, content in setup_document(setup, unit).items():
        for number, table in enumerate(content if isinstance(content, list) else [content], 1):
            bracket = f"[[{name}]]" if isinstance(content, list) else f"[{name}]"
            place = f"{bracket} {number}" if isinstance(content, list) and len(content) > 1 else bracket
            lines += ["", bracket] if lines else [bracket]
            lines += [f"# {line}".rstrip() for line in notes.get(place, notes.get(bracket, "")).splitlines()]
            for key, value in table.items():
                remark = notes.get(f"{place} {key}", notes.get(f"{bracket} {key}"))
                lines.append(f"{key} = {_toml(value)}" + (f"  # {remark}" if remark else ""))
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_toml(v) for v in value)}]"
    if isinstance(value, str):
        escaped = json.dumps(value, ensure_ascii=False)
        return escaped.replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)
