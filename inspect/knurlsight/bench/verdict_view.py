"""What the page shows of an inspection, as plain words: made once where it was measured, in mm and in inch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from knurlsight.reporting import figures, terminal
from knurlsight.reporting.figures import Units
from knurlsight.result import part_notes
from knurlsight.setup_math.forms import FORMS
from knurlsight.verdict import IN_DOUBT

if TYPE_CHECKING:
    from knurlsight.inspection import Inspection, PartInspection

#: Below this many pixels to a pitch a photo from nearer helps; 8 is the least that measures.
GOOD_PX_PER_PITCH = 12.0

Again = Literal["whole", "focus", "light", "nearer", "scale", "repeats", "lens"]

ORDER = {"fail": 0, "cannot_tell": 1, "pass": 2}


def view_of(inspection: Inspection) -> dict[str, Any]:
    """Everything that the page shows, ready for JSON.

    Returns
    -------
    dict
        ``verdict`` (``"none"`` where nothing was judged), ``part`` (name of the part wanted), ``seen_deg`` (how much of
        360° was seen, such as ``"120"``), ``again`` (how to shoot again, keys of `Again`), and under ``mm`` and ``in``
        the words in these units.
    """
    part = inspection.setup.part if inspection.setup is not None else None
    return {
        "verdict": inspection.verdict or "none",
        "part": " ".join(str(t) for t in (part.number, part.name) if t) if part is not None else "",
        "seen_deg": _seen(inspection),
        "again": list(shoot_again(inspection)),
        "mm": _words(inspection, "mm"),
        "in": _words(inspection, "in"),
    }


def shoot_again(inspection: Inspection) -> tuple[Again, ...]:
    """What another photo should do better, the most telling first; nothing where the verdict stands."""
    if inspection.verdict in ("pass", "fail"):
        return ()
    if not inspection.parts:
        return ("whole", "focus", "light", "nearer")
    out: list[Again] = []
    for part in inspection.parts:
        pattern = part.pattern
        if pattern.form is None:
            out += ["focus", "light", "nearer"]
            continue
        if part.scale is None:
            out.append("scale")
        if pattern.px_per_pitch is not None and pattern.px_per_pitch < GOOD_PX_PER_PITCH:
            out.append("nearer")
        doubtful = [c for c in part.checks if c.verdict == "cannot_tell"]
        if any(c.key == "ghost_ratio" for c in doubtful):
            out.append("lens")
        if any(c.why == IN_DOUBT for c in doubtful):
            out += ["repeats", "scale"]
    return tuple(dict.fromkeys(out))


def _seen(inspection: Inspection) -> str:
    arcs = [round(a.value) for p in inspection.parts if (a := p.pattern.seen_arc_deg) is not None]
    return "–".join(str(a) for a in dict.fromkeys((min(arcs), max(arcs)))) if arcs else ""


def _words(inspection: Inspection, units: Units) -> dict[str, Any]:
    why = [] if inspection.verdict is None else list(terminal.why(inspection, units))
    notes = list(inspection.notes)
    for part in inspection.parts:
        notes += part_notes(part)
    return {
        "why": why,
        "parts": [_part(part, units) for part in inspection.parts],
        "notes": [n for n in dict.fromkeys(notes) if n not in why],
    }


def _part(part: PartInspection, units: Units) -> dict[str, Any]:
    pattern = part.pattern
    scale = part.scale
    return {
        "form": f"{FORMS[pattern.form].words} ({pattern.form})" if pattern.form else "",
        "px_per_pitch": round(pattern.px_per_pitch) if pattern.px_per_pitch is not None else None,
        "scale": f"{scale.source}; {figures.measured(scale.mm_per_px, 'mm')} to a pixel" if scale is not None else "",
        "no_lengths": part.no_lengths,
        "checks": [
            {
                "name": check.name,
                "measured": terminal.found_words(check, units),
                "wanted": terminal.wanted_words(check, units),
                "limits": terminal.limit_words(check, units).removesuffix(" *"),
                "stated": check.stated,
                "verdict": check.verdict,
                "why": check.why,
            }
            for check in sorted(part.checks, key=lambda c: ORDER[c.verdict])
        ],
        "figures": [list(row) for row in terminal.figure_rows(pattern, units)],
        "faults": [fault.words for fault in pattern.faults],
        "causes": [
            {"cause": c.cause, "evidence": c.evidence, "remedy": c.remedy, "likelihood": c.likelihood}
            for c in part.causes
        ],
        "fitting": part.fitting.sentence if part.fitting is not None else "",
    }
