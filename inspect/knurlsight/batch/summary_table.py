"""A batch as a table, one line a part: CSV to open anywhere, Parquet for large sets. Lengths are mm, angles degrees."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence

from knurlsight.batch.lines import PartLine
from knurlsight.errors import KnurlsightError

Cell = str | float | None
#: A spreadsheet takes a cell that begins so for a formula (OWASP, CSV injection).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def table(lines: Sequence[PartLine]) -> dict[str, list[Cell]]:
    """Columns by name, in a fixed order; a figure has two, its value and its standard uncertainty (k = 1)."""
    columns: dict[str, list[Cell]] = {
        "id": [line.id for line in lines],
        "photo": [line.photo for line in lines],
        "taken_at": [line.taken_at for line in lines],
        "verdict": [line.verdict or "measured" for line in lines],
        "why": ["; ".join(line.why) for line in lines],
        "failed": ["; ".join(line.failed) for line in lines],
        "causes": ["; ".join(line.causes) for line in lines],
    }
    units = {f.name: f.unit for line in lines for f in line.figures}
    for name in sorted(units):
        key = column_name(name)
        unit = f"_{units[name]}" if units[name] else ""
        figures = [next((f for f in line.figures if f.name == name), None) for line in lines]
        columns[key + unit] = [f.value if f is not None else None for f in figures]
        columns[f"{key}_u{unit}"] = [f.u if f is not None else None for f in figures]
    return columns


def column_name(figure: str) -> str:
    """A figure's name as a column: ``normal pitch of the left-hand family`` is ``normal_pitch_left_hand``."""
    words = figure.replace(" of the two families", "").replace(" of the ", " ").replace(" family", "")
    return re.sub(r"[^a-z0-9]+", "_", words.lower()).strip("_")


def csv_bytes(lines: Sequence[PartLine]) -> bytes:
    """The table as CSV, UTF-8 with a mark that spreadsheets know it by."""
    columns = table(lines)
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in zip(*columns.values(), strict=True):
        writer.writerow([_harmless(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue().encode("utf-8-sig")


def _harmless(text: str) -> str:
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def parquet_bytes(lines: Sequence[PartLine]) -> bytes:
    """The table as Parquet.

    Raises
    ------
    KnurlsightError
        pyarrow is not installed.
    """
    try:
        import pyarrow as pa  # type: ignore[import-untyped]
        import pyarrow.parquet as pq  # type: ignore[import-untyped]
    except ImportError as e:
        raise KnurlsightError(
            "a summary as .parquet needs pyarrow, which is not installed", hint="pip install 'knurlsight[parquet]'"
        ) from e
    texts = ("id", "photo", "taken_at", "verdict", "why", "failed", "causes")
    arrays = {
        name: pa.array(cells, pa.string() if name in texts else pa.float64()) for name, cells in table(lines).items()
    }
    out = io.BytesIO()
    pq.write_table(pa.table(arrays), out, compression="zstd")
    return out.getvalue()
