"""Options that several commands have in common where records are kept."""

from __future__ import annotations

from typing import Annotated

import typer

JobArgument = Annotated[str, typer.Argument(metavar="JOB", help="The job's number.")]
StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="FOLDER|URL",
        help="Where the records are: a folder, or postgresql://name@host/records?photos=/srv/knurls/photos; else the "
        "environment's KNURLSIGHT_STORE, else your data folder.",
    ),
]
WhoOption = Annotated[str | None, typer.Option("--who", metavar="NAME", help="Who says so; else the login name.")]
UnitsOption = Annotated[str, typer.Option("--units", metavar="mm|in", help="Units of lengths to read.")]
RecordOption = Annotated[
    list[str] | None,
    typer.Option(
        "--record",
        metavar="KEY=VALUE",
        help="What the photo does not show: serial=7, place=first-off|in-process|last-off, dial=0.30mm, "
        "blank_diameter=19.62mm, part_diameter=20.03mm (micrometer), bar_lot=…, machine=…, holder=…, "
        "rolled=LABEL:340 (parts that a wheel has rolled); may be repeated.",
    ),
]
KeepInOption = Annotated[
    str | None, typer.Option("--job", metavar="N", help="Keep photos and result with this job; see job --help.")
]
OpOption = Annotated[str | None, typer.Option("--op", metavar="OP", help="Operation of the job.")]
