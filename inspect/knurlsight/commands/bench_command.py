"""``knurlsight bench``: the page for a phone at the bench."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def bench(
        store: Annotated[
            str | None,
            typer.Option(
                "--store",
                metavar="FOLDER",
                help="The job records: a folder, or a database's URL. Default: KNURLSIGHT_STORE, or the user's data.",
            ),
        ] = None,
        port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port to answer at.")] = 8765,
        lan: Annotated[
            bool, typer.Option("--lan", help="Open it to the local network; phones are paired by a code.")
        ] = False,
        https: Annotated[
            bool, typer.Option("--https", help="Encrypt, with a certificate made here; phones warn once.")
        ] = False,
        jobs: Annotated[
            int, typer.Option("--jobs", min=0, max=64, help="Photos measured side by side; 0: one a core.")
        ] = 0,
    ) -> None:
        """Serve a page: a phone takes the photo, the verdict stands on the phone, one tap keeps it with the job."""
        from knurlsight.bench.serve import serve

        serve(store, port, lan=lan, https=https, jobs=jobs, say=lambda words: typer.echo(words, err=True))
