"""``knurlsight card``: the scale card, to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from photoscale.card_print import Paper


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def card(
        out: Annotated[
            Path, typer.Argument(metavar="OUT.pdf|svg|png", help="PDF and SVG in true size, PNG at 610 dpi.")
        ],
        paper: Annotated[str, typer.Option("--paper", metavar="a4|letter", help="Page of the PDF or SVG.")] = "a4",
        tray: Annotated[
            bool, typer.Option("--tray", help="A second page of the PDF: a tray insert to fold, with named places.")
        ] = False,
    ) -> None:
        """Write the scale card to print: it lies beside the part in the photo."""
        from knurlsight.errors import OutputError
        from knurlsight.output import check_writable, write_bytes

        kind = out.suffix.lower()
        page = paper.strip().lower()
        if kind not in (".pdf", ".svg", ".png"):
            raise OutputError(f"{out}: the card is written as .pdf, .svg or .png", hint="knurlsight card card.pdf")
        if page not in ("a4", "letter"):
            raise OutputError(f"--paper {paper!r} is not known; it is a4 or letter", hint="--paper letter")
        if tray and kind != ".pdf":
            raise OutputError(f"{out}: the tray insert is a second page, so it needs a PDF", hint="card.pdf --tray")
        check_writable(out)
        from photoscale.card_print import card_pdf, card_png, card_svg
        from photoscale.tray_print import tray_sheet

        if kind == ".pdf":
            name: Paper = "a4" if page == "a4" else "letter"
            data = card_pdf(name, *([tray_sheet(name)] if tray else []))
        elif kind == ".svg":
            data = card_svg("a4" if page == "a4" else "letter").encode()
        else:
            data = card_png()
        write_bytes(out, data)
        typer.echo(f"written: {out}; print at 100 %, measure both bars with a caliper", err=True)
