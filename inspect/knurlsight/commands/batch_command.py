"""``knurlsight batch``: every part of a tray photo, or every photo of a folder or list."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knurlsight.commands.inspect_command import units_of
from knurlsight.commands.job_options import KeepInOption, OpOption, RecordOption, StoreOption, WhoOption
from knurlsight.commands.scale_options import (
    CameraDistanceOption,
    ScaleHeightOption,
    ScaleOption,
    ScalePhotoOption,
    one_word,
)

if TYPE_CHECKING:
    from knurlsight.batch.workers import Pool

LIST_ENDINGS = (".csv", ".toml")
ROW_ENDING = ".jsonl"


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def batch(
        target: Annotated[
            Path,
            typer.Argument(
                metavar="TRAY.jpg|FOLDER|LIST.csv|ROWS.jsonl",
                help="A photo of many parts, a folder of photos, a job list (.csv, .toml), or rows to sum up again.",
            ),
        ],
        setup: Annotated[
            Path | None, typer.Option("--setup", metavar="S.toml", help="What was wanted of every part.")
        ] = None,
        scale: ScaleOption = None,
        scale_height: ScaleHeightOption = None,
        scale_photo: ScalePhotoOption = None,
        camera_distance: CameraDistanceOption = None,
        json_out: Annotated[
            Path | None,
            typer.Option("--json", metavar="OUT", help="Tray: write the result file; - is standard output."),
        ] = None,
        jsonl: Annotated[
            Path | None,
            typer.Option("--jsonl", metavar="OUT", help="Folder: one row a part, as they come; a second run goes on."),
        ] = None,
        report: Annotated[
            Path | None, typer.Option("--report", metavar="OUT.html", help="Tray: write a report of all parts.")
        ] = None,
        picture: Annotated[
            Path | None,
            typer.Option("--picture", metavar="OUT.png|jpg", help="Tray: the photo with every part marked."),
        ] = None,
        summary: Annotated[
            list[Path] | None,
            typer.Option(
                "--summary",
                metavar="OUT.html|csv|parquet",
                help="Verdicts, figures with Pp and Ppk, run charts and faults; may be repeated.",
            ),
        ] = None,
        tiles: Annotated[
            Path | None,
            typer.Option("--tiles", metavar="OUT.png|jpg", help="A tile of every part that failed or cannot be told."),
        ] = None,
        subgroup: Annotated[
            int, typer.Option("--subgroup", metavar="N", min=1, max=10, help="Parts to a point of the run charts.")
        ] = 1,
        tray: Annotated[
            Path | None,
            typer.Option("--tray", metavar="TRAY.toml", help="Tray: its places, the parts expected, their setups."),
        ] = None,
        tray_out: Annotated[
            Path | None,
            typer.Option("--tray-out", metavar="TRAY.toml", help="Tray: write a tray file from this full tray."),
        ] = None,
        group: Annotated[
            str | None,
            typer.Option(
                "--group",
                metavar="PATTERN",
                help="Folder: photos of one part by their names, such as '{part}_*' for a12_1.jpg, a12_2.jpg.",
            ),
        ] = None,
        watch: Annotated[
            bool, typer.Option("--watch", help="Folder: go on with every photo that arrives, until Ctrl-C.")
        ] = False,
        only_failed: Annotated[
            Path | None,
            typer.Option("--only-failed", metavar="ROWS.jsonl", help="Only what is not a pass in these earlier rows."),
        ] = None,
        limit: Annotated[
            int | None, typer.Option("--limit", min=1, metavar="N", help="Folder: the first N parts.")
        ] = None,
        fail_fast: Annotated[bool, typer.Option("--fail-fast", help="Folder: stop at the first fail.")] = False,
        jobs: Annotated[int, typer.Option("--jobs", metavar="N", min=0, help="Side by side; 0 is one a core.")] = 0,
        cluster: Annotated[
            str | None,
            typer.Option(
                "--cluster",
                metavar="tls://HOST:PORT",
                help="Measure on a Dask cluster. A scheduler runs code for anyone who reaches it: TLS with client "
                "certificates, or tcp:// on this machine, nothing else.",
            ),
        ] = None,
        send: Annotated[
            bool, typer.Option("--send", help="Send the photos to the cluster, whose machines do not see the files.")
        ] = False,
        units: Annotated[str, typer.Option("--units", metavar="mm|in", help="Units of lengths to read.")] = "mm",
        job: KeepInOption = None,
        op: OpOption = None,
        record: RecordOption = None,
        who: WhoOption = None,
        store: StoreOption = None,
    ) -> None:
        """Inspect every part of a tray photo, or every photo of a folder or list."""
        from knurlsight.batch.job import Ask
        from knurlsight.commands import batch_outputs
        from knurlsight.commands.batch_folder import Run, batch_folder, sum_up
        from knurlsight.commands.batch_outputs import Wanted
        from knurlsight.commands.batch_tray import TrayOutputs, batch_tray
        from knurlsight.errors import KnurlsightError
        from knurlsight.records.attach import ticket
        from knurlsight.setup_math.setup import read_setup

        shown = units_of(units)
        ending = target.suffix.lower()
        is_tray = not target.is_dir() and ending not in (*LIST_ENDINGS, ROW_ENDING)
        given = {
            "--json": json_out, "--report": report, "--picture": picture, "--tray": tray, "--tray-out": tray_out,
        }  # fmt: skip
        if not is_tray and any(value is not None for value in given.values()):
            names = ", ".join(name for name, value in given.items() if value is not None)
            raise KnurlsightError(
                f"{target}: its rows go to --jsonl; {names} is for a tray photo",
                hint=f"knurlsight batch {target} --jsonl rows.jsonl",
            )
        if is_tray and jsonl is not None:
            raise KnurlsightError(f"{target}: a tray photo's result goes to --json", hint="--json tray.json")
        of_folder = {"--group": group, "--watch": watch or None}
        if not target.is_dir() and any(value is not None for value in of_folder.values()):
            names = ", ".join(name for name, value in of_folder.items() if value is not None)
            raise KnurlsightError(f"{target}: is no folder, and {names} is for one")
        if watch and group is not None:
            raise KnurlsightError("--watch and --group: a group may still be growing; give one of them")
        if send and cluster is None:
            raise KnurlsightError("--send is for --cluster; photos here are read where they are")
        if send and scale_photo is not None:
            raise KnurlsightError(
                "--send and --scale-photo: the scale photo is not sent; put it where every machine finds it"
            )
        wanted = Wanted(target, tuple(summary or ()), tiles, subgroup, shown, ticket(job, op, store, who, record or ()))
        inputs = [p for p in (setup, scale_photo, tray, only_failed) if p is not None]
        files = [*inputs, *([] if target.is_dir() else [target])]
        batch_outputs.check(wanted, files, [p for p in (json_out, report, picture) if p])
        if ending == ROW_ENDING:
            if wanted.ticket is not None:
                raise KnurlsightError(f"{target}: rows are summed up, not measured; --job keeps what is measured")
            raise typer.Exit(sum_up(wanted))
        words = one_word(scale), one_word(scale_height) or "bench"
        ask = Ask(read_setup(setup) if setup is not None else None, *words, scale_photo, camera_distance)
        ask.read()
        if is_tray:
            outputs = TrayOutputs(json_out, report, picture, tray_out)
            raise typer.Exit(batch_tray(wanted, ask, outputs, tray, inputs, jobs))
        run = Run(jsonl, limit, fail_fast, only_failed, watch, group, send)
        raise typer.Exit(batch_folder(wanted, ask, run, inputs, lambda photo: _pool(cluster, send, jobs, photo)))


def _pool(cluster: str | None, send: bool, jobs: int, must_see: Path | None) -> Pool:
    if cluster is not None:
        from knurlsight.batch.cluster import ClusterPool

        return ClusterPool(cluster, None if send or must_see is None else must_see.resolve())
    from knurlsight.batch.workers import LocalPool, worker_count

    return LocalPool(worker_count(jobs))
