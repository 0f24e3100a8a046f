"""``knurlsight job``: records that stay with the job. The commands that read them and keep them; `job_entry_command`
has those that write entries."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from knurlsight.commands.inspect_command import say
from knurlsight.commands.job_options import JobArgument, StoreOption, UnitsOption

VERIFY_HELP = """Hold every entry and photo against its hash; status 1 when something is wrong.

Each entry carries the hash of the one before it, so that a change, a missing entry, or a photo that has rotted is found
and named. The chain has no key: somebody who can write to the store can write all of a job anew, and entries cut off at
its end leave no trace in the store itself. Both show against a hash that was kept elsewhere: the head printed on a
report, given with --head. Nothing proves that an entry was true when it was written.
"""


def register(app: typer.Typer) -> None:
    """Add the command, with commands of its own, to an app."""
    from knurlsight.commands import job_compare_command, job_entry_command, job_exchange_command, job_trend_command

    job = typer.Typer(
        rich_markup_mode=None,
        no_args_is_help=True,
        help="Keep photos, figures and history with the job; list, show, find, verify and back them up.",
    )
    app.add_typer(job, name="job")

    @app.callback()
    def alone() -> None:
        """Holds the group where it is the only command."""

    job_entry_command.register(job)
    job_exchange_command.register(job)
    job_compare_command.register(job)
    job_trend_command.register(job)
    for command in (list_jobs, show, find, stats, verify, backup):
        name = {"list_jobs": "list"}.get(command.__name__, command.__name__)
        job.command(name=name, help=VERIFY_HELP if command is verify else None)(command)


def list_jobs(
    limit: Annotated[int, typer.Option("--limit", min=1, metavar="N", help="The N jobs last worked on.")] = 50,
    store: StoreOption = None,
) -> None:
    """List the jobs, the one last worked on first."""
    from knurlsight.records.read import jobs
    from knurlsight.records.show import jobs_screen
    from knurlsight.records.store import open_store

    with open_store(store) as opened:
        say(jobs_screen(jobs(opened, limit)))


def show(job: JobArgument, units: UnitsOption = "mm", store: StoreOption = None) -> None:
    """Show a job's history: each part, what was changed before it, and what that did."""
    from knurlsight.commands.inspect_command import units_of
    from knurlsight.records.read import entries
    from knurlsight.records.show import job_screen
    from knurlsight.records.store import open_store

    word = units_of(units)
    with open_store(store) as opened:
        say(job_screen(entries(opened, job), word))


def find(
    words: Annotated[
        list[str] | None, typer.Argument(metavar="WORDS...", help="In notes, reasons and names; all must be there.")
    ] = None,
    part: Annotated[str, typer.Option("--part", metavar="WORDS", help="Name, number or drawing of the part.")] = "",
    wheel: Annotated[str, typer.Option("--wheel", metavar="LABEL", help="Rolled with this wheel.")] = "",
    fault: Annotated[str, typer.Option("--fault", metavar="WORDS", help="Kind of fault, or a limit that failed.")] = "",
    verdict: Annotated[
        str,
        typer.Option("--verdict", metavar="WORD", help="pass, fail, cannot_tell; accept, rework, scrap, concession."),
    ] = "",
    since: Annotated[str, typer.Option("--since", metavar="DAY", help="On this day or later: 2026-03-02 (UTC).")] = "",
    until: Annotated[str, typer.Option("--until", metavar="DAY", help="On this day or before.")] = "",
    limit: Annotated[int, typer.Option("--limit", min=1, metavar="N", help="The newest N.")] = 50,
    store: StoreOption = None,
) -> None:
    """Find entries of all jobs by words, part, wheel, fault, verdict or date; all that is given must hold."""
    from knurlsight.records.search import Wanted
    from knurlsight.records.search import find as find_entries
    from knurlsight.records.show import found_screen
    from knurlsight.records.store import open_store

    wanted = Wanted(" ".join(words or ()), part, wheel, fault, verdict, since, until)
    with open_store(store) as opened:
        say(found_screen(find_entries(opened, wanted, limit)))


def stats(store: StoreOption = None) -> None:
    """Count what the store holds: jobs, verdicts, the faults seen most, size on disk."""
    from knurlsight.records.show import statistics_screen
    from knurlsight.records.statistics import statistics
    from knurlsight.records.store import open_store

    with open_store(store) as opened:
        say(statistics_screen(statistics(opened)))


def verify(
    job: Annotated[str | None, typer.Argument(metavar="JOB", help="One job; else the whole store.")] = None,
    head: Annotated[
        str | None, typer.Option("--head", metavar="HASH", help="A hash of the job that was kept elsewhere.")
    ] = None,
    store: StoreOption = None,
) -> None:
    from knurlsight.records.show import verification_screen
    from knurlsight.records.store import open_store
    from knurlsight.records.verify import verify as verify_store

    with open_store(store) as opened:
        seen = verify_store(opened, job, head)
    say(verification_screen(seen))
    raise typer.Exit(1 if seen.faults else 0)


def backup(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new folder, or one with an earlier backup.")],
    store: StoreOption = None,
) -> None:
    """Copy the store, also while it is in use, to a folder that is a store itself."""
    from knurlsight.records.backup import back_up
    from knurlsight.records.store import open_store

    with open_store(store) as opened:
        made = back_up(opened, folder)
    typer.echo(
        f"written: {folder}: database {made.database_bytes / 1e6:.1f} MB, {made.photos} photos, "
        f"{made.new_photos} of them new; check it with job verify --store {folder}",
        err=True,
    )
