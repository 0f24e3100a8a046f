"""The commands of ``knurlsight job`` that learn from many records: a machine's spring, a wheel's wear."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knurlsight.commands.inspect_command import say
from knurlsight.commands.job_options import StoreOption, UnitsOption

if TYPE_CHECKING:
    from knurlsight.exchange.inspected import Inspected
    from knurlsight.records.store import Store

#: The jobs last worked on that are looked through.
MOST_JOBS = 500


def register(job: typer.Typer) -> None:
    """Add the commands to the group."""
    job.command()(spring)
    job.command()(wear)


def spring(
    machine: Annotated[str, typer.Argument(metavar="MACHINE", help="As in the records.")],
    setup: Annotated[Path, typer.Option("--setup", metavar="S.toml", help="The part to be rolled.")],
    material: Annotated[
        str | None, typer.Option("--material", metavar="TEXT", help="As in the records; else the setup's.")
    ] = None,
    fill: Annotated[float, typer.Option("--fill", min=0.1, max=1.0, metavar="F", help="Form fill wanted.")] = 0.9,
    units: UnitsOption = "mm",
    store: StoreOption = None,
) -> None:
    """Say what the dial must read on this machine and material for the next part, learnt from its records."""
    from knurlsight.commands.inspect_command import units_of
    from knurlsight.errors import ExchangeError
    from knurlsight.exchange.spring import dial_for, dial_points, penetration_mm
    from knurlsight.records.store import open_store
    from knurlsight.reporting import figures
    from knurlsight.setup_math.setup import read_setup

    word = units_of(units)
    wanted = read_setup(setup)
    metal = material or wanted.part.material
    if metal is None:
        raise ExchangeError(f"{setup}: names no material", hint="--material brass")
    with open_store(store) as opened:
        points = dial_points(of_machine(opened, machine, metal))
    found = dial_for(points, penetration_mm(wanted, fill))

    def length(mm: float) -> str:
        return figures.plain(mm, "mm", word)

    lines = [
        f"  dial on the RADIUS {length(found.dial_mm)}, on the DIAMETER {length(2 * found.dial_mm)}",
        f"  95 % interval for the next part: {length(found.low_mm)} to {length(found.high_mm)} on the radius",
        f"  the wheel then goes in {length(found.penetration_mm)} on the radius, for fill {fill:g}",
        f"  {found.words}; {machine}, {metal}",
        "  Work in from the low end and look.",
    ]
    say("\n".join(lines))


def wear(
    label: Annotated[str, typer.Argument(metavar="LABEL", help="Of the wheel, as in the setups.")],
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="OUT.svg", help="Write the figures over the parts rolled.")
    ] = None,
    store: StoreOption = None,
) -> None:
    """Say whether a wheel wears: fill, balance and ghost ratio over the parts it has rolled."""
    from knurlsight.commands.inspect_command import check_outputs
    from knurlsight.exchange.recorded import inspected
    from knurlsight.exchange.wear import wear as wear_of
    from knurlsight.exchange.wear import wear_svg
    from knurlsight.output import write_bytes
    from knurlsight.records.collect import inspections
    from knurlsight.records.search import Wanted
    from knurlsight.records.store import open_store

    if plot is not None:
        check_outputs([plot], None, [])
    with open_store(store) as opened:
        made = wear_of([inspected(found.entry) for found in inspections(opened, Wanted(wheel=label))], label)
    lines = [f"  {worn.name}: {worn.words}" for worn in made.figures]
    lines += [f"  note: {note}" for note in made.notes]
    if plot is not None:
        write_bytes(plot, wear_svg(made))
    if str(plot) != "-":
        say("\n".join(lines))


def of_machine(opened: Store, machine: str, material: str) -> list[Inspected]:
    """The inspections of one machine and material in the jobs last worked on."""
    from knurlsight.exchange.recorded import inspections_of
    from knurlsight.records.read import entries, facts_now, jobs

    found = []
    for job in jobs(opened, MOST_JOBS).jobs:
        written = entries(opened, job.number)
        of_job = facts_now(written).material
        for done in inspections_of(written):
            part = done.result.setup.content.get("part", {}) if done.result.setup is not None else {}
            metal = str(part.get("material") or of_job or "")
            if done.machine.casefold() == machine.casefold() and metal.casefold() == material.casefold():
                found.append(done)
    return found
