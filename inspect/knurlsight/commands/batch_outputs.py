"""What is made of all parts of a batch together, whichever way they came: summaries, tiles, the exit status."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from knurlsight.batch import summary_table
from knurlsight.batch.lines import PartLine
from knurlsight.batch.summary import summarise
from knurlsight.batch.summary_page import html
from knurlsight.batch.tiles import Tile, failed_lines, sheet, tiles
from knurlsight.commands.inspect_command import check_outputs
from knurlsight.errors import OutputError
from knurlsight.output import write_bytes
from knurlsight.records.attach import Ticket
from knurlsight.reporting.figures import Units
from knurlsight.reporting.pictures import encoded

SUMMARY_ENDINGS = (".html", ".csv", ".parquet")


@dataclass(frozen=True)
class Wanted:
    """What was asked of all parts together.

    Attributes
    ----------
    target : Path
        Photo, folder, list or rows.
    summaries : tuple of Path
    tiles : Path or None
    subgroup : int
        Parts to a point of the run charts.
    units : Units
    ticket : Ticket or None
        The job with which every part is kept.
    """

    target: Path
    summaries: tuple[Path, ...] = ()
    tiles: Path | None = None
    subgroup: int = 1
    units: Units = "mm"
    ticket: Ticket | None = None


def check(wanted: Wanted, inputs: list[Path], others: list[Path]) -> None:
    """Refuse outputs that could not be written, before anything is measured."""
    for path in wanted.summaries:
        if path.suffix.lower() not in SUMMARY_ENDINGS:
            raise OutputError(
                f"{path}: a summary is written as {', '.join(SUMMARY_ENDINGS)}", hint="--summary batch.html"
            )
    outputs = [*wanted.summaries, *([wanted.tiles] if wanted.tiles is not None else []), *others]
    check_outputs(outputs, wanted.tiles, inputs)


def write(wanted: Wanted, lines: Sequence[PartLine]) -> None:
    """Make every output first, then write them all."""
    shown: tuple[Tile, ...] = ()
    if wanted.tiles is not None or any(p.suffix.lower() == ".html" for p in wanted.summaries):
        failed = failed_lines(lines)
        shown = tuple(tiles(failed, {line.photo: Path(line.photo) for line in failed}))
    made = [(path, _summary(wanted, path, lines, shown)) for path in wanted.summaries]
    if wanted.tiles is not None:
        made.append((wanted.tiles, encoded(sheet(shown), wanted.tiles.suffix)))
    for path, data in made:
        write_bytes(path, data)
        typer.echo(f"written: {path}", err=True)


def _summary(wanted: Wanted, path: Path, lines: Sequence[PartLine], shown: Sequence[Tile]) -> bytes:
    match path.suffix.lower():
        case ".csv":
            return summary_table.csv_bytes(lines)
        case ".parquet":
            return summary_table.parquet_bytes(lines)
    return html(summarise(lines, wanted.subgroup), wanted.target.name, shown, wanted.units).encode()


def status_of(lines: Sequence[PartLine]) -> int:
    """1 if any part fails, else 3 if any cannot be told or read or is missing, else 0."""
    verdicts = {line.verdict for line in lines}
    if "fail" in verdicts:
        return 1
    return 3 if verdicts & {"cannot_tell", "unreadable", "missing"} else 0
