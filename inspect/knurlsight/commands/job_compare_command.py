"""``knurlsight job compare``: test cuts side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from knurlsight.commands.inspect_command import say
from knurlsight.commands.job_options import JobArgument, StoreOption, UnitsOption


def register(job: typer.Typer) -> None:
    """Add the command to the group."""
    job.command()(compare)


def compare(
    job: JobArgument,
    entry: Annotated[
        list[int] | None,
        typer.Argument(metavar="[ENTRY]...", help="Inspections to set side by side, the first as the base; else all."),
    ] = None,
    report: Annotated[
        Path | None, typer.Option("--report", metavar="OUT.html", help="Write a page with the pictures in a row.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="OUT.png", help="Write the pictures in a row alone.")
    ] = None,
    units: UnitsOption = "mm",
    store: StoreOption = None,
) -> None:
    """Set test cuts side by side: what was changed, what it did, and which of it is more than doubt."""
    from knurlsight.commands.inspect_command import check_outputs, units_of
    from knurlsight.exchange import compare as side_by_side
    from knurlsight.exchange.compare_page import comparison_html, comparison_png, comparison_text
    from knurlsight.exchange.recorded import inspections_of
    from knurlsight.output import write_bytes
    from knurlsight.records.read import entries, photo
    from knurlsight.records.store import open_store

    word = units_of(units)
    outputs = [o for o in (report, picture) if o is not None]
    check_outputs(outputs, picture, [])
    with open_store(store) as opened:
        written = entries(opened, job)
        done = inspections_of(written, (lambda s: photo(opened, s).read_bytes()) if outputs else None, entry or ())
    made = side_by_side.compare(done)
    ready = [(report, comparison_html(made, word).encode())] if report is not None else []
    if picture is not None:
        ready.append((picture, comparison_png(made)))
    for path, data in ready:
        write_bytes(path, data)
        typer.echo(f"written: {path}", err=True)
    if "-" not in (str(report), str(picture)):
        say(comparison_text(made, word))
