"""The inspection report of a stored job as one HTML page that needs nothing else; it says what the PDF says."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from knurlsight.errors import ExchangeError
from knurlsight.exchange import report_words as words
from knurlsight.exchange.inspected import Inspected, check_name, unit_of
from knurlsight.exchange.part_picture import part_close_up, smaller
from knurlsight.exchange.report_words import JobSheet
from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units
from knurlsight.reporting.page_template import templates

if TYPE_CHECKING:
    from knurlsight.result import CheckRecord, PartRecord


def report_html(inspections: Sequence[Inspected], sheet: JobSheet | None = None, units: Units = "mm") -> str:
    """One section for every part of every inspection; on paper each begins a page.

    Parameters
    ----------
    inspections : sequence of Inspected
    sheet : JobSheet, optional
    units : {"mm", "in"}
        Of the lengths to read.

    Raises
    ------
    ExchangeError
        There is no inspection to report, or a picture cannot be read.
    PhotoError
        A photo cannot be read.
    """
    if not inspections:
        raise ExchangeError("there is no inspection to report", hint="knurlsight inspect … --job attaches one")
    sheet = sheet or JobSheet()
    page = templates().get_template("job_report.html.j2")
    return page.render(
        job=inspections[0].job,
        parts=[_section(done, part, sheet, units) for done in inspections for part in done.result.parts or (None,)],
        caution=words.CAUTION,
        limits_of_use=words.LIMITS_OF_USE,
        version=inspections[0].result.tool_version,
        head=sheet.head,
    )


def _section(done: Inspected, part: PartRecord | None, sheet: JobSheet, units: Units) -> dict[str, Any]:
    result = done.result
    verdict = part.verdict if part is not None else result.verdict
    reasons = part.reasons if part is not None else result.reasons
    return {
        "title": words.title(done, part, sheet),
        "facts": words.fact_rows(done, sheet),
        "verdict": verdict or "none",
        "verdict_word": words.WORDS[verdict],
        "why": [*words.why(verdict, reasons, part), *words.seen(part)],
        "pictures": [base64.b64encode(p).decode("ascii") for p in _pictures(done, part)],
        "checks": [_check(c, units) for c in part.checks] if part is not None else [],
        "defaults": part is not None and any(words.DEFAULT_LIMIT in c.words for c in part.checks),
        "others_title": words.other_figures_title(part) if part is not None else "",
        "others": words.other_figures(part, units) if part is not None else [],
        "causes": part.causes[: words.MOST_CAUSES] if part is not None else [],
        "notes": words.notes(done)[: words.MOST_NOTES],
        "record": done.record_hash,
    }


def _check(check: CheckRecord, units: Units) -> dict[str, str]:
    unit = unit_of(check.name)
    return {
        "name": check_name(check),
        "measured": words.found_words(check, units),
        "wanted": figures.plain(check.nominal, unit, units) if check.nominal is not None else "",
        "limits": words.limits_words(check, units),
        "verdict": check.verdict,
        "word": words.MARKS[check.verdict],
    }


def _pictures(done: Inspected, part: PartRecord | None) -> list[bytes]:
    """The photo with the findings drawn, else as it is, and the part by itself, as JPEG."""
    name = done.result.photos[0].file if done.result.photos else "picture"
    shown = [smaller(p, name) for p in (done.picture or done.photo,) if p is not None]
    if done.photo is not None and part is not None:
        shown.append(part_close_up(done.photo, part, name))
    return shown
