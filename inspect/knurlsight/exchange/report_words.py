"""What a report of stored inspections says, whatever it is written on: PDF and HTML take their words from here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from knurlsight.exchange.inspected import Inspected, check_name, part_figures, part_named, quantity, title_of, unit_of
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units
from knurlsight.setup_math.forms import FORMS

if TYPE_CHECKING:
    from knurlsight.result import CheckRecord, PartRecord

WORDS = {"pass": "PASS", "fail": "FAIL", "cannot_tell": "CANNOT TELL", None: "MEASURED"}
#: The same colours as in the pictures; word and mark say it without them.
COLOURS = {"pass": "#006e50", "fail": "#a83c00", "cannot_tell": "#464e58", None: "#28466e"}
MARKS = {"pass": "✓ pass", "fail": "✗ FAIL", "cannot_tell": "? cannot tell"}
MOST_REASONS, MOST_CAUSES, MOST_NOTES = 5, 3, 4
#: How the line of a check says that its limit is not the setup's.
DEFAULT_LIMIT = "(default limit)"

LIMITS_OF_USE = (
    "The verdict holds for the side in view. Turn the part and take more photos to see the rest.",
    "A check passes only when its whole interval lies inside the limits and fails only when it lies wholly outside; in "
    "between the answer is cannot tell.",
    "Uncertainties cover noise, fit, camera and the scale as named; a rule or card that is itself wrong, or a wrong "
    "number typed, is not covered.",
    "Depth in mm, hardness, burrs and strength are not judged. Fits and press-in diameters are a micrometer's work. Do "
    "not release safety-critical parts on a photo alone.",
)
CAUTION = (
    "Stop the spindle and take it out of gear before you photograph or touch the part. Fresh crests and flakes cut."
)


@dataclass(frozen=True)
class JobSheet:
    """What stands at the head and foot of every page.

    Attributes
    ----------
    facts : tuple of (str, str)
        Name and value: customer, part, revision …
    head : str
        Hash of the job's last entry; empty when the report is of no record.
    """

    facts: tuple[tuple[str, str], ...] = ()
    head: str = ""


def title(done: Inspected, part: PartRecord | None, sheet: JobSheet) -> str:
    """What the page is about: the part as the setup names it, else as the job does, else its photos."""
    several = part is not None and len(done.result.parts) > 1
    named = part_named(done.result) or dict(sheet.facts).get("part") or title_of(done.result)
    return named + (f", part {part.id}" if several and part is not None else "")


def why(verdict: str | None, reasons: Sequence[str], part: PartRecord | None) -> list[str]:
    """The verdict's reasons, the first few of them."""
    if verdict is None:
        return ["nothing is judged: no setup says what was wanted"]
    if verdict == "pass" and part is not None:
        return [f"all {len(part.checks)} checks lie inside their limits with their whole uncertainty"]
    more = [f"and {len(reasons) - MOST_REASONS} more, in the result file"] if len(reasons) > MOST_REASONS else []
    return [*reasons[:MOST_REASONS], *more]


def seen(part: PartRecord | None) -> list[str]:
    """How much of the part the verdict is about."""
    return [f"of the {part.seen_arc.value:.0f}° in view"] if part is not None and part.seen_arc is not None else []


def fact_rows(done: Inspected, sheet: JobSheet) -> list[tuple[str, str]]:
    """Names and values at the head of a page, without the empty ones."""
    photos = "; ".join(f"{photo.file} (SHA-256 {photo.sha256[:16]}…)" for photo in done.result.photos[:3])
    rows = [
        *(("job", done.job), ("operation", done.operation), ("serial", done.serial)),
        *sheet.facts,
        *(("inspected by", done.who), ("when", _minute(done.when)), ("machine", done.machine)),
        *_typed(done),
        ("wheels", ", ".join(done.wheels)),
        ("scale", done.result.scale.source if done.result.scale is not None else "none"),
        ("photo", photos),
    ]
    return [(name, value) for name, value in rows if value]


def _minute(at: str) -> str:
    """``"2026-03-02 09:15 UTC"``; the record has it to the millisecond."""
    return f"{at[:16].replace('T', ' ')} UTC" if at.endswith("Z") else at


def _typed(done: Inspected) -> list[tuple[str, str]]:
    """What was typed at the bench and stands nowhere else on the page."""
    rows = []
    for key, value in done.bench.items():
        if key not in ("serial", "machine", "wheels_rolled"):
            values = ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
            rows.append((key.removesuffix("_mm").replace("_", " "), values + (" mm" if key.endswith("_mm") else "")))
    return rows


def limits_words(check: CheckRecord, units: Units) -> str:
    """The limits of a check, starred where they are not the setup's."""
    if check.lower is None and check.upper is None:
        return ""
    star = " *" if DEFAULT_LIMIT in check.words else ""
    return figures.span(check.lower, check.upper, unit_of(check.name), units) + star


def found_words(check: CheckRecord, units: Units) -> str:
    """A figure, or for checks with a word for an answer what their line says before the comma."""
    if check.measured is not None:
        q = quantity(check.measured)
        # a whole count is certain where it is stated at all
        counted = q is not None and not q.u and check.name.startswith("teeth")
        return figures.plain(check.measured.value) if counted else figures.measured(q, units)
    said = check.words.removeprefix(check.name).partition(", wanted")[0].strip()
    return said or "not measured"


def other_figures(part: PartRecord, units: Units) -> list[tuple[str, str]]:
    """What was measured besides the checks, and the form where nothing is judged."""
    judged = {check_name(check) for check in part.checks}
    named = [(n, figures.measured(q, units)) for n, q in part_figures(part).items() if n not in judged]
    form = [("form", f"{part.form} ({FORMS[part.form].words})")] if part.form and not part.checks else []
    return [*form, *named]


def other_figures_title(part: PartRecord) -> str:
    """Their heading."""
    return "Measured besides, not judged (k = 2)" if part.checks else "Measured (k = 2)"


def notes(done: Inspected) -> list[str]:
    """What was noted, each thing once."""
    return list(dict.fromkeys([*(done.result.scale.notes if done.result.scale else ()), *done.result.notes]))
