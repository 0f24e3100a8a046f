"""What the terminal says: the verdict in two lines, a table, and what to look at next. One screen, plain text.

Colour only where the terminal has it and NO_COLOR is not set (no-color.org); the words say everything without it.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from typing import IO, TYPE_CHECKING

from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units
from knurlsight.setup_math.setup_model import setup_title

if TYPE_CHECKING:
    from knurlsight.inspection import Inspection, PartInspection
    from knurlsight.model import Pattern
    from knurlsight.verdict import Check

HEADS: dict[str | None, str] = {
    "pass": "P A S S",
    "fail": "F A I L",
    "cannot_tell": "C A N N O T   T E L L",
    None: "M E A S U R E D",
}
#: Bold white on green, red, grey and blue.
CODES: dict[str | None, str] = {"pass": "1;97;42", "fail": "1;97;41", "cannot_tell": "1;97;100", None: "1;97;44"}
MARKS = {"pass": "ok", "fail": "FAIL", "cannot_tell": "?"}
MOST_NOTES = 5


def has_colour(stream: IO[str] | None = None) -> bool:
    """Whether to send colour to a stream (default standard output)."""
    stream = stream or sys.stdout
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def screen(inspection: Inspection, units: Units = "mm", *, colour: bool = False, width: int | None = None) -> str:
    """The whole answer for one part as text, without a final newline."""
    columns = min(width or shutil.get_terminal_size((100, 40)).columns, 120)
    lines = headline(inspection, units, colour=colour, width=columns)
    for part in inspection.parts:
        lines += ["", *_seen(inspection, part, units, columns)]
        if part.pattern.form is not None:
            lines += ["", *(_check_table(part, units, columns) if part.checks else _figure_table(part, units))]
        lines += _next(part, units, columns)
    notes = _notes(inspection)
    if notes:
        lines.append("")
        for note in notes[:MOST_NOTES]:
            lines += _wrapped(f"note: {note}", columns, "      ")
        if len(notes) > MOST_NOTES:
            lines.append(f"note: {len(notes) - MOST_NOTES} more in the report and the result file")
    return "\n".join(lines)


def headline(inspection: Inspection, units: Units, *, colour: bool, width: int) -> list[str]:
    """Two lines to be read at arm's length: the verdict, and why."""
    head = f"  {HEADS[inspection.verdict]}"
    arc = seen_words([p.pattern for p in inspection.parts])
    first = f"{head}   {arc}" if arc else head
    if colour:
        padded = f"{head}  "
        first = f"\x1b[{CODES[inspection.verdict]}m{padded}\x1b[0m {arc}".rstrip()
    lines = [first]
    reasons = list(why(inspection, units))
    for reason in reasons[:3]:
        lines += _wrapped(f"  {reason}", width, "    ")
    if len(reasons) > 3:
        lines.append(f"  and {len(reasons) - 3} more, see below")
    return lines


def why(inspection: Inspection, units: Units) -> tuple[str, ...]:
    """The reasons of the verdict in the reader's units; a pass says how much was checked."""
    from knurlsight import verdict as verdicts

    if inspection.verdict == "pass":
        count = sum(len(p.checks) for p in inspection.parts)
        return (f"all {count} checks lie inside their limits with their whole uncertainty",)
    if inspection.verdict is None:
        return ("no setup was given, so nothing is judged; --setup FILE.toml compares with what was wanted",)
    if len(inspection.parts) != 1 or inspection.parts[0].pattern.form is None:
        return inspection.reasons
    part = inspection.parts[0]
    return verdicts.reasons(part.checks, inspection.verdict, units) or inspection.reasons


def seen_words(patterns: Sequence[Pattern]) -> str:
    """ "of the 100° in view": a photo shows one side of a part only, and every verdict says so."""
    arcs = [p.seen_arc_deg.value for p in patterns if p.seen_arc_deg is not None]
    if not arcs:
        return ""
    low, high = round(min(arcs)), round(max(arcs))
    return f"of the {low}° in view" if low == high else f"of the {low}° to {high}° in view"


def _seen(inspection: Inspection, part: PartInspection, units: Units, width: int) -> list[str]:
    """One or two lines: the form, where the scale came from, what is compared with."""
    from knurlsight.setup_math.forms import FORMS

    pattern = part.pattern
    lines: list[str] = []
    if pattern.form is not None:
        what = f"{FORMS[pattern.form].words} ({pattern.form})"
        if pattern.outside_diameter is not None:
            what += f", outside diameter {figures.measured(pattern.outside_diameter, units)}"
        if pattern.px_per_pitch is not None:
            what += f", {pattern.px_per_pitch:.0f} px to a pitch"
        lines += _wrapped(f"  seen:  {what}", width, "         ")
    if part.scale is not None:
        at = figures.measured(part.scale.mm_per_px, "mm")
        lines += _wrapped(f"  scale: {part.scale.source}; {at} to a pixel at the crest", width, "         ")
    elif part.no_lengths:
        lines += _wrapped(f"  scale: none; {part.no_lengths}", width, "         ")
    if inspection.setup is not None:
        lines += _wrapped(f"  setup: {setup_title(inspection.setup)}", width, "         ")
    return lines


def _check_table(part: PartInspection, units: Units, width: int) -> list[str]:
    """Measured, wanted, limits and verdict of every check; those that decide come first."""
    order = {"fail": 0, "cannot_tell": 1, "pass": 2}
    checks = sorted(part.checks, key=lambda c: order[c.verdict])
    rows = [("", "measured", "wanted", "limits", "")]
    rows += [
        (
            _short(c.name),
            _short(found_words(c, units)),
            _short(wanted_words(c, units)),
            limit_words(c, units),
            MARKS[c.verdict],
        )
        for c in checks
    ]
    lines = _columns(rows)
    if any(not c.stated for c in checks):
        lines.append("  * limit by default; the setup states the others")
    return lines


def _short(words: str) -> str:
    """Words that fit a column: families by their hand, forms by their code."""
    for hand in ("left-hand", "right-hand", "axial", "ring"):
        words = words.replace(f" of the {hand} family", f", {hand}").replace(f", {hand} family", f", {hand}")
    head, _, rest = words.partition(" (")
    return head if head.isupper() and rest else words.replace("double tracking (ghost ratio)", "ghost ratio")


def found_words(check: Check, units: Units) -> str:
    """What was measured, for a table cell."""
    if check.found:
        return check.found
    return figures.measured(check.measured, units) if check.measured is not None else "not measured"


def wanted_words(check: Check, units: Units) -> str:
    """The nominal value, for a table cell."""
    if check.wanted:
        return check.wanted
    return figures.plain(check.nominal, check.unit, units) if check.nominal is not None else ""


def limit_words(check: Check, units: Units) -> str:
    """The limits, for a table cell, with a star where they are the default."""
    if check.lower is None and check.upper is None:
        return ""
    limits = "" if check.wanted else figures.span(check.lower, check.upper, check.unit, units)
    return limits if check.stated or not limits else f"{limits} *"


def figure_rows(pattern: Pattern, units: Units) -> list[tuple[str, str]]:
    """Every measured figure with its name."""
    from knurlsight.verdict import HAND_WORDS

    rows: list[tuple[str, str]] = []
    for family in pattern.families:
        of = f"{HAND_WORDS[family.hand]} family"
        named = [
            ("normal pitch", family.normal_pitch),
            ("transverse pitch", family.transverse_pitch),
            ("axial pitch", family.axial_pitch),
            ("helix", family.helix_angle if family.hand in ("left", "right") else None),
            ("form fill", family.fill),
            ("ghost ratio", family.double_track.ghost_ratio),
        ]
        rows += [(f"{name}, {of}", figures.measured(q, units)) for name, q in named if q is not None]
        if family.teeth_whole is not None:
            rows.append((f"teeth, {of}", str(family.teeth_whole)))
        elif family.teeth is not None:
            rows.append((f"teeth, {of}", figures.measured(family.teeth)))
    for name, q in (
        ("included angle", pattern.included_angle),
        ("balance of the families", pattern.balance),
        ("outside diameter", pattern.outside_diameter),
        ("knurled length", pattern.knurled_length),
        ("length of full form", pattern.full_form_length),
    ):
        if q is not None:
            rows.append((name, figures.measured(q, units)))
    return rows


def _figure_table(part: PartInspection, units: Units) -> list[str]:
    rows = [("", "measured (k = 2)"), *figure_rows(part.pattern, units)]
    return _columns(rows) if len(rows) > 1 else []


def _next(part: PartInspection, units: Units, width: int) -> list[str]:
    """What to look at next: causes with remedies, faults, or the standard pitches that fit."""
    lines: list[str] = []
    for fault in part.pattern.faults[:3]:
        lines += _wrapped(f"  fault: {fault.words}", width, "         ")
    for cause in part.causes[:3]:
        lines += _wrapped(f"  look at ({cause.likelihood}): {cause.cause}", width, "         ")
        lines += _wrapped(f"         {cause.remedy}", width, "         ")
    if part.fitting is not None:
        lines += _wrapped(f"  standard pitches: {part.fitting.sentence}", width, "         ")
    return ["", *lines] if lines else []


def _notes(inspection: Inspection) -> list[str]:
    from knurlsight.result import part_notes

    said = {*inspection.reasons, *(p.fitting.sentence for p in inspection.parts if p.fitting is not None)}
    notes = list(inspection.notes)
    for part in inspection.parts:
        notes += [n for n in part_notes(part) if part.scale is not None or not n.startswith("no lengths in mm")]
        if part.scale is not None:
            notes += part.scale.notes
    return [n for n in dict.fromkeys(notes) if n not in said]


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as columns, two blanks apart, indented."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows]


def _wrapped(text: str, width: int, indent: str) -> list[str]:
    first = text[: len(text) - len(text.lstrip())]
    body = text.strip()
    return textwrap.wrap(body, width, initial_indent=first, subsequent_indent=indent) or [first]
