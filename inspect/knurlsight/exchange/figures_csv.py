"""Every figure of some inspections as a table for spreadsheets: one row a figure, mm and degrees, k = 1."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from io import StringIO
from typing import TYPE_CHECKING

from knurlsight.exchange.inspected import WORD_CHECKS, Inspected, check_name, part_figures, title_of, unit_of

if TYPE_CHECKING:
    from knurlsight.result import PartRecord

COLUMNS = (
    *("job", "operation", "serial", "when", "who", "title", "part", "part verdict", "figure", "value"),
    *(
        "standard uncertainty",
        "unit",
        "nominal",
        "lower",
        "upper",
        "verdict",
        "words",
        "photo",
        "photo sha256",
        "record",
    ),
)
#: What makes a spreadsheet take a cell for a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

Cell = str | float | None


def figures_csv(inspections: Sequence[Inspected]) -> bytes:
    """The table as CSV (RFC 4180) in UTF-8; words that would act as a formula begin with an apostrophe."""
    out = StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for row in figure_rows(inspections):
        writer.writerow([harmless(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue().encode()


def harmless(words: str) -> str:
    """Words that no spreadsheet takes for a formula."""
    return f"'{words}" if words.startswith(FORMULA_STARTS) else words


def figure_rows(inspections: Sequence[Inspected]) -> Iterator[tuple[Cell, ...]]:
    """The rows, in the order of `COLUMNS`; numbers are numbers, what is missing is None."""
    for done in inspections:
        result = done.result
        files = "; ".join(photo.file for photo in result.photos)
        hashes = "; ".join(photo.sha256 for photo in result.photos)
        first = (done.job, done.operation, done.serial, done.when, done.who, title_of(result))
        last = (files, hashes, done.record_hash)
        for part in result.parts:
            for row in _part_rows(part):
                yield (*first, part.id, part.verdict, *row, *last)
        if not result.parts:
            yield (*first, "", result.verdict, *([None] * 7), "; ".join(result.reasons), *last)


def _part_rows(part: PartRecord) -> Iterator[tuple[Cell, ...]]:
    judged = set()
    for check in part.checks:
        name = check_name(check)
        judged.add(name)
        q = check.measured
        word = check.name in WORD_CHECKS
        yield (
            name,
            q.value if q is not None else None,
            (q.u or None) if q is not None else None,
            "" if word else unit_of(name),
            *(check.nominal, check.lower, check.upper, check.verdict, check.words),
        )
    for name, figure in part_figures(part).items():
        if name not in judged:
            yield (name, figure.value, figure.u or None, figure.unit, None, None, None, None, "")
