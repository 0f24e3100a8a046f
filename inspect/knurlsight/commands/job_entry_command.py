"""The commands of ``knurlsight job`` that write an entry."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knurlsight.commands.inspect_command import say
from knurlsight.commands.job_options import JobArgument, RecordOption, StoreOption, WhoOption

if TYPE_CHECKING:
    from knurlsight.records.chain import Entry

WhyOption = Annotated[str | None, typer.Option("--why", metavar="TEXT", help="The reason.")]
AboutOption = Annotated[int | None, typer.Option("--about", metavar="N", help="Number of the entry that it is about.")]
OpOption = Annotated[str, typer.Option("--op", metavar="OP", help="Operation.")]


def register(job: typer.Typer) -> None:
    """Add the commands to the group."""
    for command in (new, op, attach, note, dispose, correct, wheel):
        job.command()(command)


def new(
    number: JobArgument,
    part: Annotated[str | None, typer.Option("--part", metavar="TEXT", help="Name or number of the part.")] = None,
    revision: Annotated[str | None, typer.Option("--revision", metavar="TEXT", help="Of the part.")] = None,
    customer: Annotated[str | None, typer.Option("--customer", metavar="TEXT", help="Reference; free text.")] = None,
    quantity: Annotated[str | None, typer.Option("--quantity", metavar="N", help="How many.")] = None,
    material: Annotated[str | None, typer.Option("--material", metavar="TEXT", help="What it is made of.")] = None,
    due: Annotated[str | None, typer.Option("--due", metavar="DAY", help="2026-03-02.")] = None,
    drawing: Annotated[str | None, typer.Option("--drawing", metavar="TEXT", help="Number of the drawing.")] = None,
    drawing_revision: Annotated[
        str | None, typer.Option("--drawing-revision", metavar="TEXT", help="Its state.")
    ] = None,
    bar_lot: Annotated[str | None, typer.Option("--bar-lot", metavar="TEXT", help="Lot of the bar.")] = None,
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """Open a job; the first one makes the store."""
    from knurlsight.records.facts import JobFacts, facts_from
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.wording import job_number
    from knurlsight.records.write import new_job

    typed = {
        "part": part,
        "revision": revision,
        "customer": customer,
        "quantity": quantity,
        "material": material,
        "due": due,
        "drawing": drawing,
        "drawing_revision": drawing_revision,
        "bar_lot": bar_lot,
    }
    facts, signed = facts_from(JobFacts, typed), sign(who)
    job_number(number)  # a wrong number must not leave an empty store behind
    with open_store(store, create=True) as opened:
        _written(new_job(opened, number, facts, signed))


def op(
    job: JobArgument,
    name: Annotated[str, typer.Argument(metavar="OP", help="Number or name of the operation.")],
    words: Annotated[str | None, typer.Option("--words", metavar="TEXT", help="What is done.")] = None,
    machine: Annotated[str | None, typer.Option("--machine", metavar="TEXT", help="Where.")] = None,
    holder: Annotated[str | None, typer.Option("--holder", metavar="TEXT", help="Of the wheels.")] = None,
    setup: Annotated[Path | None, typer.Option("--setup", metavar="S.toml", help="Kept with what it expects.")] = None,
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """Describe an operation of a job: machine, holder, setup and the pattern to expect."""
    from knurlsight.records.facts import OperationFacts, facts_from
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import add_operation

    wanted = _setup_and_expected(setup) if setup is not None else {}
    facts = facts_from(OperationFacts, {"words": words, "machine": machine, "holder": holder, **wanted})
    with open_store(store) as opened:
        _written(add_operation(opened, job, name, facts, sign(who)))


def attach(
    job: JobArgument,
    files: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO... RESULT.json", help="The photos, then the result measured from them."),
    ],
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="P.png|jpg", help="The photo with the findings drawn.")
    ] = None,
    op: OpOption = "",
    record: RecordOption = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="A remark.")] = "",
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """Keep an inspection that was made before: its photos and its result file."""
    from knurlsight.errors import RecordError
    from knurlsight.records.facts import BenchFacts, facts_from
    from knurlsight.records.pairs import pairs
    from knurlsight.records.result_file import read_result_file
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import attach as keep

    if len(files) < 2:
        raise RecordError("job attach takes the photos and then the result file", hint="job attach 2041 a.jpg a.json")
    *photos, result = files
    bench = facts_from(BenchFacts, pairs("--record", record or ()))
    read = read_result_file(result)
    with open_store(store) as opened:
        _written(keep(opened, job, read, photos, picture, op=op, bench=bench, note=note, signed=sign(who)))


def note(
    job: JobArgument,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What is to be remembered.")],
    about: AboutOption = None,
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """Write a note to a job, or to one of its entries."""
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import add_note

    with open_store(store) as opened:
        _written(add_note(opened, job, text, about, sign(who)))


def dispose(
    job: JobArgument,
    decision: Annotated[str, typer.Argument(metavar="DECISION", help="accept, rework, scrap or concession.")],
    about: AboutOption = None,
    why: WhyOption = None,
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """Say what is done with a job, or with the part of one inspection; concession is to accept with one."""
    from knurlsight.records.facts import DispositionFacts, facts_from
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import dispose as write_decision

    facts = facts_from(DispositionFacts, {"decision": decision.strip().lower(), "why": why, "about": about})
    with open_store(store) as opened:
        _written(write_decision(opened, job, facts, sign(who)))


def correct(
    job: JobArgument,
    number: Annotated[int, typer.Argument(metavar="ENTRY", help="Number of the entry; 1 holds what the job is about.")],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason.")],
    values: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="The right value: quantity=40; may be repeated."),
    ] = None,
    withdraw: Annotated[bool, typer.Option("--withdraw", help="The entry does not count at all.")] = False,
    is_wheel: Annotated[bool, typer.Option("--wheel", help="JOB is the label of a wheel.")] = False,
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """Correct an entry by a new one; the old one stays to be seen."""
    from knurlsight.records.chain import Book
    from knurlsight.records.facts import CorrectionFacts, facts_from
    from knurlsight.records.pairs import pairs
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import correct as write_correction

    facts = facts_from(CorrectionFacts, {"values": pairs("--set", values or ()), "withdrawn": withdraw, "why": why})
    with open_store(store) as opened:
        _written(write_correction(opened, Book("wheel", job) if is_wheel else job, number, facts, sign(who)))


def wheel(
    label: Annotated[str | None, typer.Argument(metavar="LABEL", help="As in the setup; none lists all.")] = None,
    diameter: Annotated[str | None, typer.Option("--diameter", metavar="LENGTH", help="As measured.")] = None,
    teeth: Annotated[str | None, typer.Option("--teeth", metavar="N", help="As counted.")] = None,
    rolled: Annotated[
        str | None, typer.Option("--rolled", metavar="N", help="Parts it has rolled by now; inspections are a sample.")
    ] = None,
    words: Annotated[
        str | None, typer.Option("--words", metavar="TEXT", help="Whatever else is worth keeping.")
    ] = None,
    who: WhoOption = None,
    store: StoreOption = None,
) -> None:
    """List the wheels, show one, or write down what was measured of it."""
    from knurlsight.records.chain import Book
    from knurlsight.records.facts import WheelFacts, facts_from
    from knurlsight.records.read import entries, wheels
    from knurlsight.records.search import Wanted, find
    from knurlsight.records.show import wheel_screen
    from knurlsight.records.signature import sign
    from knurlsight.records.store import open_store
    from knurlsight.records.write import add_wheel_facts

    typed = {"diameter": diameter, "teeth": teeth, "parts_rolled": rolled, "words": words}
    facts = facts_from(WheelFacts, typed)
    with open_store(store) as opened:
        if label is None:
            say(
                "\n".join(wheels(opened))
                or "no wheel yet; job wheel LABEL --diameter 15.02mm --teeth 47 writes one down"
            )
        elif facts.stated():
            _written(add_wheel_facts(opened, label, facts, sign(who)))
        else:
            say(wheel_screen(entries(opened, Book("wheel", label)), find(opened, Wanted(wheel=label), limit=20)))


def _setup_and_expected(path: Path) -> dict[str, Any]:
    """What an operation keeps of a setup file: its content with a hash, and the pattern to expect."""
    from knurlsight.setup_math.expected import expectation
    from knurlsight.setup_math.setup import read_setup
    from knurlsight.setup_math.setup_model import setup_document

    setup = read_setup(path)
    return {
        "setup": {"content_hash": setup.content_hash, "content": setup_document(setup)},
        "expected": expectation(setup).pattern.model_dump(mode="json"),
    }


def _written(made: Entry) -> None:
    typer.echo(f"{made.book.kind} {made.book.name} entry {made.number}: {made.words}")
    typer.echo(f"hash {made.hash}", err=True)
