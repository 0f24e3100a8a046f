"""The commands of ``knurlsight job`` that hand records on: export, import, and what a picture says of itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knurlsight.commands.inspect_command import say
from knurlsight.commands.job_options import JobArgument, StoreOption, UnitsOption

if TYPE_CHECKING:
    from knurlsight.records.chain import Entry
    from knurlsight.records.store import Store


def register(job: typer.Typer) -> None:
    """Add the commands to the group."""
    for name, command in (("export", export), ("import", take_in), ("picture", picture)):
        job.command(name=name)(command)


def export(
    job: JobArgument,
    bundle: Annotated[
        Path | None, typer.Argument(metavar="[OUT.zip]", help="The whole job, to read and to import elsewhere.")
    ] = None,
    pdf: Annotated[Path | None, typer.Option("--pdf", metavar="OUT.pdf", help="The report, a page a part.")] = None,
    html: Annotated[Path | None, typer.Option("--html", metavar="OUT.html", help="The same as one page.")] = None,
    qif: Annotated[Path | None, typer.Option("--qif", metavar="OUT.qif", help="QIF 3.0 results (ISO 23952).")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="OUT.csv", help="Every figure, a row each.")] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", metavar="OUT.json", help="Every entry as it was written.")
    ] = None,
    entry: Annotated[
        list[int] | None,
        typer.Option("--entry", metavar="N", help="Report this inspection alone; may be repeated. Not for the .zip."),
    ] = None,
    originals: Annotated[
        bool, typer.Option("--originals", help="Hand photos on as they are, with place and owner in their data.")
    ] = False,
    units: UnitsOption = "mm",
    store: StoreOption = None,
) -> None:
    """Write a job as .zip, PDF, HTML, QIF, CSV or JSON; - is standard output."""
    from datetime import UTC, datetime

    from knurlsight.commands.inspect_command import check_outputs, units_of
    from knurlsight.errors import ExchangeError
    from knurlsight.exchange.bundle import export_bundle
    from knurlsight.exchange.figures_csv import figures_csv
    from knurlsight.exchange.qif import qif_results
    from knurlsight.exchange.qif_write import qif_xml
    from knurlsight.exchange.recorded import facts_shown, inspections_of
    from knurlsight.exchange.report_html import report_html
    from knurlsight.exchange.report_pdf import report_pdf
    from knurlsight.exchange.report_words import JobSheet
    from knurlsight.output import write_bytes
    from knurlsight.records.read import entries, facts_now
    from knurlsight.records.store import open_store

    outputs = [o for o in (bundle, pdf, html, qif, csv, json_out) if o is not None]
    if not outputs:
        raise ExchangeError("nothing to write is named", hint=f"knurlsight job export {job} job.zip")
    if bundle is not None and entry:
        raise ExchangeError("--entry is for --pdf, --html, --qif and --csv; a .zip holds the whole job")
    check_outputs(outputs, None, [])
    word = units_of(units)
    made: list[tuple[Path, bytes]] = []
    with open_store(store) as opened:
        written = entries(opened, job)
        if bundle is not None:
            at = datetime.now(UTC).isoformat(timespec="seconds")
            books = _wheel_books(opened, written)
            made.append((bundle, export_bundle(written, books, _photos(opened), at, originals=originals)))
        if json_out is not None:
            made.append((json_out, _entries_json(written)))
        if any(o is not None for o in (pdf, html, qif, csv)):
            with_pictures = pdf is not None or html is not None
            done = inspections_of(written, _photos(opened) if with_pictures else None, entry or ())
            sheet = JobSheet(facts_shown(facts_now(written)), written[-1].hash)
            if pdf is not None:
                made.append((pdf, report_pdf(done, sheet, word)))
            if html is not None:
                made.append((html, report_html(done, sheet, word).encode()))
            if qif is not None:
                made.append((qif, qif_xml(qif_results(done))))
            if csv is not None:
                made.append((csv, figures_csv(done)))
    for path, data in made:
        write_bytes(path, data)
        if str(path) != "-":
            typer.echo(f"written: {path}", err=True)


def take_in(
    bundle: Annotated[Path, typer.Argument(metavar="IN.zip", help="A job that job export wrote.")],
    store: StoreOption = None,
) -> None:
    """Take a job over from another store, entry by entry as it was written there."""
    from knurlsight.exchange.bundle import MOST_BYTES, read_bundle
    from knurlsight.records.read import wheels
    from knurlsight.records.restore import restore_book
    from knurlsight.records.store import open_store

    brought = read_bundle(_read(bundle, MOST_BYTES), str(bundle))
    with open_store(store, create=True) as opened:
        restore_book(opened, brought.job, brought.pictures)
        known = set(wheels(opened))
        for wheel in brought.wheels:
            label = wheel[0].book.name
            if label in known:
                typer.echo(f"note: wheel {label} is kept here already; its record here stays as it is", err=True)
            else:
                restore_book(opened, wheel, ())
    last = brought.job[-1]
    say(f"job {last.book.name}: {len(brought.job)} entries, {len(brought.pictures)} photos taken over")
    if bare := sum(bool(p.instead_of) for p in brought.pictures):
        typer.echo(f"note: {bare} photos came without place and owner and stand in for their originals", err=True)
    typer.echo(f"hash {last.hash}", err=True)


def picture(
    file: Annotated[Path, typer.Argument(metavar="PICTURE", help="A picture with findings drawn, from an export.")],
) -> None:
    """Say what a picture from an export says of itself: job, verdict, figures, hash of the record."""
    from knurlsight.exchange.picture_note import VERDICT_WORDS, read_note
    from knurlsight.reporting import figures

    note = read_note(_read(file, 400_000_000), str(file))
    lines = [f"  {VERDICT_WORDS.get(note.verdict, note.verdict)}  {note.title}"]
    known = (
        *(("job", note.job), ("operation", note.operation), ("serial", note.serial), ("when", note.when)),
        *(("record", note.record_hash), ("photo", ", ".join(note.photo_sha256)), ("written by", note.program)),
    )
    lines += [f"  {name}: {value}" for name, value in known if value]
    for part in note.parts:
        lines.append(f"  part {part.id}: {VERDICT_WORDS.get(part.verdict, part.verdict)} {part.form}")
        lines += [f"    {name} {figures.measured(q)}" for name, q in part.figures]
    say("\n".join("".join(c if c.isprintable() else "?" for c in line) for line in lines))


def _read(path: Path, most: int) -> bytes:
    from knurlsight.errors import ExchangeError

    try:
        if not path.is_file():
            raise ExchangeError(f"{path}: no such file")
        if path.stat().st_size > most:
            raise ExchangeError(f"{path}: is larger than {most // 10**6} MB")
        return path.read_bytes()
    except OSError as e:
        raise ExchangeError(f"{path}: cannot be read ({e.strerror or e})") from None


def _photos(opened: Store) -> Callable[[str], bytes]:
    from knurlsight.records.read import photo

    return lambda sha256: photo(opened, sha256).read_bytes()


def _wheel_books(opened: Store, written: Sequence[Entry]) -> list[tuple[Entry, ...]]:
    """The books of the wheels that a job's inspections name, those that have one."""
    from knurlsight.exchange.recorded import wheel_labels
    from knurlsight.records.chain import Book
    from knurlsight.records.read import entries, wheels

    known = set(wheels(opened))
    named = {label for entry in written if entry.kind == "inspection" for label in wheel_labels(entry.body)}
    return [entries(opened, Book("wheel", label)) for label in sorted(named & known)]


def _entries_json(written: Sequence[Entry]) -> bytes:
    import json

    from knurlsight.records.restore import entry_document

    document = {"job": written[0].book.name, "entries": [entry_document(entry) for entry in written]}
    return (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode()
