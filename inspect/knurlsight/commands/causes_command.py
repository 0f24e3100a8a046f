"""``knurlsight causes``: the table of faults, causes and remedies."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from knurlsight.faults.causes import FaultRow


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def causes(
        fault: Annotated[str | None, typer.Argument(help="Only this fault, such as double_tracking.")] = None,
        json_out: Annotated[
            Path | None, typer.Option("--json", metavar="OUT", help="Write the table as JSON; - is standard output.")
        ] = None,
    ) -> None:
        """Print the table of faults, their likely causes and what to change."""
        from dataclasses import asdict

        from knurlsight.errors import KnurlsightError
        from knurlsight.faults import causes as table_of
        from knurlsight.output import write_text

        rows = table_of.table()
        if fault is not None:
            rows = tuple(r for r in rows if r.kind == fault.replace(" ", "_").replace("-", "_"))
            if not rows:
                kinds = ", ".join(r.kind for r in table_of.table())
                raise KnurlsightError(f"fault {fault!r} is not in the table; it has {kinds}", hint="knurlsight causes")
        if json_out is not None:
            write_text(json_out, json.dumps([asdict(r) for r in rows], ensure_ascii=False, indent=2) + "\n")
            return
        typer.echo(text(rows))


def text(rows: Sequence[FaultRow]) -> str:
    """The table as plain text, wrapped at 100 columns."""
    import textwrap

    lines: list[str] = []
    for row in rows:
        lines += [f"{row.name}  [{row.kind}]", f"  seen: {row.seen}  (source: {row.source})"]
        for number, cause in enumerate(row.causes, 1):
            lines += textwrap.wrap(f"{number}. {cause.cause}", 100, initial_indent="  ", subsequent_indent="     ")
            lines += textwrap.wrap(
                f"change: {cause.remedy_plain}", 100, initial_indent="     ", subsequent_indent="             "
            )
        lines.append("")
    return "\n".join(lines).rstrip()
