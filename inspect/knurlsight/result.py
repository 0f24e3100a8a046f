"""The result file: every figure of an inspection as JSON, to a schema that ships with the package.

A figure is {"value", "u", "unit"} with its standard uncertainty (k = 1); lengths are mm, angles degrees. One that could
not be measured is null and its reason stands in `notes`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib import resources
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from knurlsight.setup_math.expected import ExpectedPattern

if TYPE_CHECKING:
    from numpy.typing import ArrayLike
    from photoscale.photo import Photo
    from photoscale.quantity import Quantity
    from photoscale.scene import CylinderScale

    from knurlsight.inspection import Inspection, PartInspection
    from knurlsight.model import Family, Fault, Pattern
    from knurlsight.setup_math.setup_model import Setup
    from knurlsight.verdict import Check

SCHEMA_VERSION = 1
SCHEMA_FILE = "result_schema.json"

Verdict = Literal["pass", "fail", "cannot_tell"]
Form = Literal["RAA", "RBL", "RBR", "RGE", "RGV", "RKE", "RKV"]
Point = tuple[float, float]


class Record(BaseModel):
    """Base of all parts of the result file."""

    model_config = ConfigDict(frozen=True, extra="forbid", ser_json_inf_nan="constants", allow_inf_nan=False)


class Q(Record):
    """A measured figure with its standard uncertainty; u is 0 where the scale that was typed states none."""

    value: float
    u: float = Field(ge=0)
    unit: Literal["mm", "deg", ""]


class PhotoRecord(Record):
    """A photo that was measured: nothing of its maker, serial number or place."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None
    focal_length: float | None = Field(description="mm, as the photo says")


class BudgetRecord(Record):
    """One source of uncertainty of the scale."""

    source: str
    u_rel: float = Field(ge=0, description="its share in the relative standard uncertainty of mm_per_px")


class ScaleRecord(Record):
    """The scale at the crest line nearest the camera, in the middle of the first part's zone."""

    source: str
    mm_per_px: Q
    distance_mm: Q | None
    budget: tuple[BudgetRecord, ...]
    notes: tuple[str, ...]


class SetupRecord(Record):
    """The setup as read, section by section, with a hash of what it says."""

    content_hash: str
    content: dict[str, Any]


class DoubleTrackRecord(Record):
    """A second set of lines between those of a family."""

    present: bool | None
    ghost_ratio: Q | None
    offset_fraction: Q | None
    extent: Q | None


class FamilyRecord(Record):
    """One set of parallel ridges."""

    hand: Literal["left", "right", "axial", "ring"]
    normal_pitch: Q | None
    transverse_pitch: Q | None
    axial_pitch: Q | None
    helix_angle: Q | None
    teeth: Q | None
    teeth_whole: int | None
    fill: Q | None
    strength: Q | None
    double_track: DoubleTrackRecord


class EndRecord(Record):
    """One end of the zone; end 1 is the left one in the upright photo."""

    px: Point
    fade: Q | None
    full_form_from: Q | None


class FaultRecord(Record):
    """Something wrong at a place; `spacing` is the distance at which it repeats."""

    kind: str
    where_px: tuple[Point, ...]
    from_mm: float | None
    to_mm: float | None
    extent: float | None
    severity: Q | None
    words: str
    spacing: Q | None = None


class CheckRecord(Record):
    """One limit held against what was measured; limits are in the unit of the figure."""

    name: str
    at: Literal["crest", "blank"] | None
    measured: Q | None
    nominal: float | None
    lower: float | None
    upper: float | None
    verdict: Verdict
    words: str


class CauseRecord(Record):
    """A cause of what is wrong, with what speaks for it and what to change."""

    cause: str
    evidence: str
    remedy: str
    likelihood: Literal["likely", "possible"]


class PartRecord(Record):
    """One part."""

    id: str
    outline_px: tuple[Point, ...]
    zone_px: tuple[Point, Point, Point, Point]
    axis_px: tuple[Point, Point]
    seen_arc: Q | None
    outside_diameter: Q | None
    form: Form | None
    verdict: Verdict | None
    reasons: tuple[str, ...]
    families: tuple[FamilyRecord, ...]
    included_angle: Q | None
    balance: Q | None
    form_fill: Q | None
    knurled_length: Q | None
    full_form_length: Q | None
    ends: tuple[EndRecord, ...]
    faults: tuple[FaultRecord, ...]
    checks: tuple[CheckRecord, ...]
    causes: tuple[CauseRecord, ...]


class ResultFile(Record):
    """One inspection. `verdict` is null without a setup; notes say why a figure is null."""

    schema_version: Literal[1]
    tool_version: str
    verdict: Verdict | None
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]
    scale: ScaleRecord | None
    setup: SetupRecord | None
    expected: ExpectedPattern | None
    parts: tuple[PartRecord, ...]


def result_of(inspection: Inspection) -> ResultFile:
    """The result file of an inspection.

    Raises
    ------
    pydantic.ValidationError
        A figure is not finite or out of its type: a bug of ours, never written to a file.
    """
    basis = inspection.expectation
    several = len(inspection.parts) > 1
    notes = list(inspection.notes)
    for part in inspection.parts:
        prefix = f"{part.id}: " if several else ""
        notes += [prefix + note for note in part_notes(part)]
    return ResultFile(
        schema_version=1,
        tool_version=version("knurlsight"),
        verdict=inspection.verdict,
        reasons=inspection.reasons,
        notes=tuple(dict.fromkeys(notes)),
        photos=tuple(_photo(p) for p in inspection.photos),
        scale=_scale(inspection.scale),
        setup=_setup(inspection.setup),
        expected=basis.pattern if basis is not None else None,
        parts=tuple(_part(p) for p in inspection.parts),
    )


def json_text(result: ResultFile) -> str:
    """The file's text: one object, numbers to nine significant digits."""
    return json.dumps(_rounded(result.model_dump(mode="json")), ensure_ascii=False, indent=1) + "\n"


def json_line(result: ResultFile) -> str:
    """The same on one line, for files with one object a line."""
    return json.dumps(_rounded(result.model_dump(mode="json")), ensure_ascii=False, separators=(",", ":")) + "\n"


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the result file, as the models say."""
    made = ResultFile.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made, "title": "knurlsight result file"}


def shipped_schema() -> dict[str, Any]:
    """The JSON Schema that ships in the package."""
    text = resources.files("knurlsight").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def schema_text() -> str:
    """The text of the shipped schema; ``python -m knurlsight.result`` prints it."""
    return json.dumps(schema(), ensure_ascii=False, indent=1) + "\n"


def part_notes(part: PartInspection) -> tuple[str, ...]:
    """What the measuring has to say about a part, and for each figure that is missing the reason."""
    pattern = part.pattern
    notes = [*pattern.cannot, *pattern.notes, *pattern.outline.notes]
    if pattern.agreement:
        notes.append(pattern.agreement)
    if part.no_lengths:
        notes.append(part.no_lengths if part.scale is not None else f"no lengths in mm: {part.no_lengths}")
    missing = _missing(pattern, lengths=part.scale is not None)
    if missing and pattern.form is not None:
        notes.append(f"not measured: {', '.join(missing)}")
    if part.fitting is not None:
        notes.append(part.fitting.sentence)
    return tuple(dict.fromkeys(notes))


def _missing(pattern: Pattern, *, lengths: bool) -> list[str]:
    """Names of the figures that the pattern should have and has not; lengths only when there is a scale."""
    diagonal = [f for f in pattern.families if f.hand in ("left", "right")]
    names = [
        ("included angle", pattern.included_angle, len(diagonal) == 2),
        ("balance", pattern.balance, len(pattern.families) == 2),
        ("form fill", pattern.form_fill, True),
        ("outside diameter", pattern.outside_diameter, lengths),
        ("knurled length", pattern.knurled_length, lengths),
        ("length of full form", pattern.full_form_length, lengths),
        ("run-in at end 1", pattern.ends[0].fade if pattern.ends else None, lengths),
        ("run-in at end 2", pattern.ends[1].fade if pattern.ends else None, lengths),
    ]
    for family in pattern.families:
        of = f"of the {family.hand} family"
        names += [
            (f"normal pitch {of}", family.normal_pitch, lengths),
            (f"transverse pitch {of}", family.transverse_pitch, lengths and family.hand != "ring"),
            (f"axial pitch {of}", family.axial_pitch, lengths and family.hand != "axial"),
            (f"teeth {of}", family.teeth, family.hand != "ring"),
            (f"fill {of}", family.fill, True),
            (f"strength {of}", family.strength, True),
            (f"ghost ratio {of}", family.double_track.ghost_ratio, True),
        ]
    return [name for name, figure, due in names if due and figure is None]


# --- records from dataclasses ----------------------------------------------------------------------------------------


def _q(q: Quantity | None) -> Q | None:
    return None if q is None else Q(value=q.value, u=q.u, unit=q.unit)  # type: ignore[arg-type]


def _points(points: ArrayLike) -> tuple[Point, ...]:
    import numpy as np

    return tuple((float(x), float(y)) for x, y in np.asarray(points, np.float64).reshape(-1, 2))


def _photo(photo: Photo) -> PhotoRecord:
    return PhotoRecord(
        file=photo.name,
        sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        taken_at=photo.taken_at,
        focal_length=photo.focal_length_mm,
    )


def _scale(scale: CylinderScale | None) -> ScaleRecord | None:
    if scale is None:
        return None
    mm_per_px = _q(scale.mm_per_px)
    if mm_per_px is None:
        return None
    return ScaleRecord(
        source=scale.source,
        mm_per_px=mm_per_px,
        distance_mm=_q(scale.distance_mm),
        budget=tuple(BudgetRecord(source=row.source, u_rel=row.u_rel) for row in scale.budget),
        notes=scale.notes,
    )


def _setup(setup: Setup | None) -> SetupRecord | None:
    if setup is None:
        return None
    from knurlsight.setup_math.setup_model import setup_document

    return SetupRecord(content_hash=setup.content_hash, content=setup_document(setup))


def _part(part: PartInspection) -> PartRecord:
    from knurlsight.measuring import trace

    pattern = part.pattern
    outline = pattern.outline
    corners = _points(trace.zone_corners(outline))
    axis = _points(trace.axis_line(outline))
    return PartRecord(
        id=part.id,
        outline_px=_points(outline.part_px),
        zone_px=(corners[0], corners[1], corners[2], corners[3]),
        axis_px=(axis[0], axis[1]),
        seen_arc=_q(pattern.seen_arc_deg),
        outside_diameter=_q(pattern.outside_diameter),
        form=pattern.form,
        verdict=part.verdict,
        reasons=part.reasons,
        families=tuple(_family(f) for f in pattern.families),
        included_angle=_q(pattern.included_angle),
        balance=_q(pattern.balance),
        form_fill=_q(pattern.form_fill),
        knurled_length=_q(pattern.knurled_length),
        full_form_length=_q(pattern.full_form_length),
        ends=tuple(
            EndRecord(px=(float(end.px[0]), float(end.px[1])), fade=_q(end.fade), full_form_from=_q(end.full_form_from))
            for end in pattern.ends or ()
        ),
        faults=tuple(_fault(f) for f in pattern.faults),
        checks=tuple(_check(c) for c in part.checks),
        causes=tuple(
            CauseRecord(cause=c.cause, evidence=c.evidence, remedy=c.remedy, likelihood=c.likelihood)
            for c in part.causes
        ),
    )


def _family(family: Family) -> FamilyRecord:
    track = family.double_track
    return FamilyRecord(
        hand=family.hand,
        normal_pitch=_q(family.normal_pitch),
        transverse_pitch=_q(family.transverse_pitch),
        axial_pitch=_q(family.axial_pitch),
        helix_angle=_q(family.helix_angle),
        teeth=_q(family.teeth),
        teeth_whole=family.teeth_whole,
        fill=_q(family.fill),
        strength=_q(family.strength),
        double_track=DoubleTrackRecord(
            present=track.present,
            ghost_ratio=_q(track.ghost_ratio),
            offset_fraction=_q(track.offset_fraction),
            extent=_q(track.extent),
        ),
    )


def _fault(fault: Fault) -> FaultRecord:
    return FaultRecord(
        kind=fault.kind,
        where_px=_points(fault.where_px),
        from_mm=fault.from_mm,
        to_mm=fault.to_mm,
        extent=fault.extent,
        severity=_q(fault.severity),
        spacing=_q(fault.spacing),
        words=fault.words,
    )


def _check(check: Check) -> CheckRecord:
    return CheckRecord(
        name=check.name,
        at=check.at,
        measured=_q(check.measured),
        nominal=check.nominal,
        lower=check.lower,
        upper=check.upper,
        verdict=check.verdict,
        words=check.words(),
    )


def _rounded(value: Any) -> Any:
    """Nine significant digits: a nanometre in a metre, and the file stays readable."""
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_rounded(v) for v in value]
    return value


if __name__ == "__main__":
    print(schema_text(), end="")
