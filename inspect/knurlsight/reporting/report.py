"""The report: one HTML file with everything in it, to look at, to print, or to send along with the part."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray

from knurlsight.inspection import Inspection, PartInspection
from knurlsight.model import Fault
from knurlsight.reporting import figures, pictures, terminal
from knurlsight.reporting.figures import Units
from knurlsight.reporting.page_template import templates
from knurlsight.result import part_notes
from knurlsight.setup_math.forms import FORMS

TEMPLATE = "report.html.j2"
GROOVE_CAPTION = (
    "All grooves near the middle folded on their pitch. Two dips a pitch are not yet a second track: crests, lands and "
    "the lips of a part-filled knurl double the curve, too."
)
MAPS_CAPTION = (
    "Maps of the zone, end 1 at the left, around from top to bottom: local pitch and helix from the phases of the "
    "lines, how much of the pattern's contrast is there, and what no pattern explains (torn metal, chips, blows, "
    "poor light). White is too near the border to be judged."
)

VERDICT_WORDS = {"pass": "Pass", "fail": "Fail", "cannot_tell": "Cannot tell", None: "Measured"}


@dataclass(frozen=True)
class Picture:
    """A picture in the report."""

    source: str
    width: int
    height: int
    caption: str


def html(inspection: Inspection, units: Units = "mm") -> str:
    """The report of an inspection as one HTML text that needs nothing else."""
    annotated = pictures.annotated(inspection, units)
    seen = terminal.seen_words([p.pattern for p in inspection.parts])
    return (
        templates()
        .get_template(TEMPLATE)
        .render(
            version=version("knurlsight"),
            verdict=inspection.verdict or "none",
            verdict_word=VERDICT_WORDS[inspection.verdict],
            why=terminal.why(inspection, units),
            seen=seen,
            title=_title(inspection),
            photos=inspection.photos,
            main=_picture(
                annotated,
                "The photo with what was found. Ridges are drawn from the figures alone, through the "
                "camera model: where they do not lie on the real ridges, the measurement is wrong.",
            ),
            parts=[_part(inspection, p, close, units) for p, close in _with_close_ups(inspection)],
            scale=_scale(inspection, units),
            setup_rows=_setup_rows(inspection),
            expected_rows=_expected_rows(inspection, units),
            off=[_off_words(limit) for limit in inspection.limits if limit.off],
            notes=_notes(inspection),
            guard=figures.bare(inspection.setup.tolerance.guard_factor) if inspection.setup else "2",
        )
    )


def _title(inspection: Inspection) -> str:
    part = inspection.setup.part if inspection.setup is not None else None
    named = " ".join(str(t) for t in (part.number, part.name) if t) if part is not None else ""
    return named or ", ".join(p.name for p in inspection.photos)


def _with_close_ups(inspection: Inspection) -> list[tuple[PartInspection, NDArray[np.uint8]]]:
    return list(zip(inspection.parts, pictures.close_ups(inspection), strict=True)) if inspection.parts else []


def _part(inspection: Inspection, part: PartInspection, close: NDArray[np.uint8], units: Units) -> dict[str, object]:
    pattern = part.pattern
    shown = []
    if close.size:
        shown.append(_picture(close, "The knurled zone, with some of the ridges as measured.", ".jpg"))
    if pattern.surface is not None:
        shown.append(
            _picture(
                pictures.unrolled(pattern.surface),
                "The zone unrolled: along the part from left to right, around it from top to bottom.",
            )
        )
    if pattern.spectrum is not None:
        shown.append(
            _picture(
                pictures.spectrum(pattern.spectrum, pattern.families),
                "Spectrum of the unrolled zone: lines along the part to the right, around it upwards; families marked "
                "where their figures put them.",
            )
        )
    charted = pictures.maps(pattern, units)
    if charted is not None:
        shown.append(_encoded_picture(charted, MAPS_CAPTION))
    folded = pictures.grooves(pattern)
    if folded is not None:
        shown.append(_encoded_picture(folded, GROOVE_CAPTION))
    return {
        "id": part.id,
        "several": len(inspection.parts) > 1,
        "verdict": part.verdict or "none",
        "verdict_word": VERDICT_WORDS[part.verdict],
        "reasons": part.reasons,
        "form": f"{FORMS[pattern.form].words} ({pattern.form})" if pattern.form else "not recognised",
        "checks": [
            {
                "name": check.name,
                "measured": terminal.found_words(check, units),
                "wanted": terminal.wanted_words(check, units),
                "limits": terminal.limit_words(check, units).removesuffix(" *"),
                "stated": "setup" if check.stated else "default",
                "at": check.at or "",
                "verdict": check.verdict,
                "word": VERDICT_WORDS[check.verdict].lower(),
                "why": check.why,
            }
            for check in part.checks
        ],
        "figures": terminal.figure_rows(pattern, units),
        "faults": [_fault(f, units) for f in pattern.faults],
        "causes": part.causes,
        "fitting": part.fitting,
        "pictures": shown,
        "double_tracks": [
            (family.hand, family.double_track.words) for family in pattern.families if family.double_track.words
        ],
    }


def _picture(image: NDArray[np.uint8], caption: str, suffix: str = ".jpg") -> Picture:
    kind = "jpeg" if suffix == ".jpg" else "png"
    data = base64.b64encode(pictures.encoded(image, suffix)).decode("ascii")
    return Picture(f"data:image/{kind};base64,{data}", image.shape[1], image.shape[0], caption)


def _encoded_picture(png: bytes, caption: str) -> Picture:
    # width and height stand in the first chunk of a PNG (ISO/IEC 15948, 11.2.2)
    width, height = (int.from_bytes(png[i : i + 4], "big") for i in (16, 20))
    return Picture(f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}", width, height, caption)


def _fault(fault: Fault, units: Units) -> dict[str, str]:
    where = ""
    if fault.from_mm is not None and fault.to_mm is not None:
        where = f"{figures.plain(fault.from_mm, 'mm', units)} to {figures.plain(fault.to_mm, 'mm', units)} from end 1"
    return {
        "words": fault.words,
        "where": where,
        "extent": figures.percent(fault.extent) if fault.extent is not None else "",
        "severity": figures.measured(fault.severity, units) if fault.severity is not None else "",
    }


def _scale(inspection: Inspection, units: Units) -> dict[str, object] | None:
    scale = inspection.scale
    if scale is None:
        return None
    total = scale.mm_per_px.relative_u
    rows = [
        {"source": row.source, "share": figures.percent(row.u_rel), "of": (row.u_rel / total) ** 2 if total else 0.0}
        for row in scale.budget
        if total and row.u_rel > 0.01 * total
    ]
    return {
        "source": scale.source,
        "mm_per_px": figures.measured(scale.mm_per_px, "mm"),
        "distance": figures.measured(scale.distance_mm, units) if scale.distance_mm else "not known",
        "rows": rows,
        "total": figures.percent(total) if scale.mm_per_px.u else "not stated",
        "notes": scale.notes,
    }


def _setup_rows(inspection: Inspection) -> Sequence[tuple[str, str]]:
    if inspection.setup is None:
        return ()
    from knurlsight.setup_math.setup_model import setup_document

    rows = []
    for section, content in setup_document(inspection.setup).items():
        for table in content if isinstance(content, list) else [content]:
            rows += [(f"[{section}] {key}", str(value)) for key, value in table.items()]
    return rows


def _expected_rows(inspection: Inspection, units: Units) -> Sequence[tuple[str, str]]:
    if inspection.expectation is None:
        return ()
    pattern = inspection.expectation.pattern
    rows = [("form", f"{FORMS[pattern.form].words} ({pattern.form})")]
    if pattern.outside_diameter_mm is not None:
        rows.append(("outside diameter", figures.plain(pattern.outside_diameter_mm, "mm", units)))
    for family in pattern.families:
        words = [f"normal pitch {figures.plain(family.normal_pitch_mm, 'mm', units)}"]
        if family.hand in ("left", "right"):
            words.append(f"helix {figures.plain(family.helix_deg, 'deg')}")
        if family.teeth is not None:
            words.append(f"{family.teeth} teeth")
        rows.append((f"{family.hand} family", ", ".join(words)))
    if pattern.included_angle_deg is not None:
        rows.append(("included angle", figures.plain(pattern.included_angle_deg, "deg")))
    return rows


def _off_words(limit: object) -> str:
    from knurlsight.setup_math.limits import Limit
    from knurlsight.verdict import FIGURE_WORDS, HAND_WORDS

    if not isinstance(limit, Limit):
        return ""
    name = FIGURE_WORDS[limit.name] + (f" of the {HAND_WORDS[limit.hand]} family" if limit.hand else "")
    return f"{name}: {limit.note or 'switched off in the setup'}"


def _notes(inspection: Inspection) -> list[str]:
    notes = list(inspection.notes)
    for part in inspection.parts:
        prefix = f"{part.id}: " if len(inspection.parts) > 1 else ""
        notes += [prefix + n for n in part_notes(part)]
    return list(dict.fromkeys(notes))
